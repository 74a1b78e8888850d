"""Small matrices, commits and evidence for tests of planning and judging."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime

from gatekeep.judge.case import Case
from gatekeep.model.change import Change, Commit, LineMap
from gatekeep.model.evidence import (
    Artifact,
    Broken,
    Built,
    Diagnostic,
    Evidence,
    Footprint,
    Outcome,
    Outgrown,
    Overflow,
    RegionUse,
    Severity,
    Speaker,
)
from gatekeep.model.matrix import (
    Bits,
    ByteOrder,
    Claim,
    Maintainer,
    Matrix,
    Memory,
    Part,
    Place,
    Port,
    Recipe,
    Region,
    Rules,
    Target,
    Toolchain,
)
from gatekeep.model.rule import Rule
from gatekeep.model.waiver import Waiver

PLACE = Place(path="matrix.yml", line=1, column=1)
TOOLCHAIN = Toolchain(name="bare-clang", probe=("zig", "version"), install="pip install ziglang")
RECIPE = Recipe(name="board-make", build=(("make",),), elf="{out}/x.elf")
PART = Part(
    name="nor-64",
    capacity_bytes=1000,
    regions=(Region(name="main", at_bytes=0, capacity_bytes=1000, reserve_bytes=100),),
)


def make_port(
    name: str,
    *,
    bits: Bits = 32,
    byte_order: ByteOrder = "little",
    since: date | None = None,
    machine: str | None = None,
) -> Port:
    return Port(
        name=name,
        maintainers=(Maintainer(name="Isa Thorne", email="isa@skerry.example"),),
        machine=machine,
        bits=bits,
        byte_order=byte_order,
        since=since,
        place=PLACE,
    )


PORTS = (
    make_port("arm"),
    make_port("mips", byte_order="big"),
    make_port("riscv64", bits=64),
    make_port("loongarch64", bits=64, since=date(2026, 3, 1)),
)
TARGET_NAMES = (
    "arm/mere",
    "arm/tarn/debug",
    "arm/tarn/release",
    "mips/holm",
    "riscv64/vale",
    "riscv64/skaw/debug",
    "loongarch64/ness",
    "loongarch64/wick",
    "loongarch64/voe",
)


def make_target(
    name: str, *, part: Part | None = PART, recipe: Recipe = RECIPE, memories: tuple[Memory, ...] = ()
) -> Target:
    port, board, *rest = name.split("/")
    return Target(
        port=port,
        board=board,
        configuration=rest[0] if rest else None,
        toolchain=TOOLCHAIN,
        recipe=recipe,
        part=part,
        part_address=None,
        memories=memories,
        place=PLACE,
    )


def make_matrix(
    names: Iterable[str] = TARGET_NAMES,
    *,
    rules: Rules | None = None,
    claims: Sequence[str] = (),
    part: Part = PART,
) -> Matrix:
    targets = tuple(make_target(name, part=part) for name in names)
    used = {target.port for target in targets}
    return Matrix(
        path="matrix.yml",
        tree="skerry",
        source_date=978307200,
        ports=tuple(port for port in PORTS if port.name in used),
        targets=targets,
        claims=tuple(Claim(pattern=pattern, place=PLACE) for pattern in claims),
        rules=rules or Rules(),
    )


def make_commit(number: int, subject: str = "A commit") -> Commit:
    return Commit(
        commit_id=f"{number:x}" * 40,
        tree_id=f"{number:x}" * 39 + "f",
        parent_ids=(),
        author_name="Isa Thorne",
        author_email="isa@skerry.example",
        subject=subject,
        committed_at=datetime(2026, 1, number + 1, tzinfo=UTC),
    )


BASE = make_commit(1, "The base")
TODAY = date(2026, 6, 1)


def make_waiver(
    rule: Rule = Rule.BROKEN,
    *targets: str,
    name: str = "lough-part",
    since: date = date(2026, 5, 1),
    until: date = date(2026, 6, 30),
) -> Waiver:
    return Waiver(
        name=name,
        rule=rule,
        targets=tuple(sorted(targets)) or ("arm/mere",),
        reason="the new part comes in June",
        who=Maintainer(name="Isa Thorne", email="isa@skerry.example"),
        since=since,
        until=until,
        place=Place(path="waivers.yml", line=3, column=3),
    )


def make_change(count: int) -> Change:
    commits = tuple(make_commit(number) for number in range(2, 2 + count))
    return Change(base=BASE, head=commits[-1] if commits else BASE, commits=commits, commit_count=count)


def built(used_bytes: int = 500, *, capacity_bytes: int = 1000) -> Built:
    use = RegionUse(name="main", used_bytes=used_bytes, capacity_bytes=capacity_bytes, reserve_bytes=100)
    return Built(
        footprint=Footprint(regions=(use,)),
        artifacts=(Artifact(kind="elf", name="x.elf", size_bytes=1, sha256="00"),),
    )


def broken(message: str = "a pointer is cut to 32 bits", path: str = "drivers/uart.c", line: int = 41) -> Broken:
    return Broken(
        message="make ended with exit code 2",
        first_error=error(message, path, line),
        excerpt=(f"{path}:{line}: {message}",),
    )


def outgrown(over_bytes: int | None = 568, region: str = "FLASH") -> Outgrown:
    return Outgrown(
        overflows=(Overflow(region=region, over_bytes=over_bytes),), footprint=None, message="the linker refused"
    )


def error(message: str, path: str = "drivers/uart.c", line: int = 41) -> Diagnostic:
    return Diagnostic(severity=Severity.ERROR, speaker=Speaker.COMPILER, message=message, path=path, line=line)


def warning(message: str = "unused variable 'i'", path: str = "include/lamp.h", line: int = 7) -> Diagnostic:
    return Diagnostic(
        severity=Severity.WARNING,
        speaker=Speaker.COMPILER,
        message=message,
        path=path,
        line=line,
        option="unused-variable",
    )


def make_evidence(
    commit: Commit, target: str, outcome: Outcome | None = None, diagnostics: tuple[Diagnostic, ...] = ()
) -> Evidence:
    outcome = outcome or built()
    if isinstance(outcome, Broken) and outcome.first_error and not diagnostics:
        diagnostics = (outcome.first_error,)
    return Evidence(
        target=target,
        tree_id=commit.tree_id,
        commit_id=commit.commit_id,
        key="k",
        toolchain_version="0.17.1",
        outcome=outcome,
        diagnostics=diagnostics,
        log_path=None if isinstance(outcome, Built) else f"logs/{commit.short_id}/{target.replace('/', '.')}.log",
    )


def make_case(
    count: int = 1,
    *,
    outcomes: Mapping[tuple[int, str], Outcome | Evidence] | None = None,
    warnings: Mapping[tuple[int, str], tuple[Diagnostic, ...]] | None = None,
    matrix: Matrix | None = None,
    matrices: Mapping[int, Matrix] | None = None,
    line_maps: Mapping[int, LineMap] | None = None,
    paths: Mapping[int, Iterable[str]] | None = None,
    matrix_errors: Mapping[int, str] | None = None,
    waivers: Mapping[int, tuple[Waiver, ...]] | tuple[Waiver, ...] = (),
    waiver_errors: Mapping[int, str] | None = None,
    judged_on: date = TODAY,
) -> Case:
    """
    Everything is built and fits but what `outcomes` says; commits are numbered from 1, the base is 0.

    `waivers` by commit, or the same at all of them.
    """
    change = make_change(count)
    commits = (change.base, *change.commits)
    matrix = matrix or make_matrix()
    by_tree = {commit.tree_id: (matrices or {}).get(number, matrix) for number, commit in enumerate(commits)}
    for number in matrix_errors or {}:
        del by_tree[commits[number].tree_id]
    evidence: dict[tuple[str, str], Evidence] = {}
    for number, commit in enumerate(commits):
        for target in by_tree.get(commit.tree_id, matrix).targets:
            outcome = (outcomes or {}).get((number, target.name))
            found = (warnings or {}).get((number, target.name), ())
            if isinstance(outcome, Evidence):
                evidence[commit.tree_id, target.name] = replace(outcome, tree_id=commit.tree_id)
            else:
                evidence[commit.tree_id, target.name] = make_evidence(commit, target.name, outcome, found)
    return Case(
        change=change,
        matrices=by_tree,
        evidence=evidence,
        line_maps={commits[number].commit_id: line_map for number, line_map in (line_maps or {}).items()},
        paths={commits[number].tree_id: frozenset(entries) for number, entries in (paths or {}).items()},
        matrix_errors={commits[number].tree_id: text for number, text in (matrix_errors or {}).items()},
        waivers={
            commit.tree_id: waivers if isinstance(waivers, tuple) else waivers.get(number, ())
            for number, commit in enumerate(commits)
        },
        waiver_errors={commits[number].tree_id: text for number, text in (waiver_errors or {}).items()},
        judged_on=judged_on,
    )
