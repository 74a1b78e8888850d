"""
Judgements to render: a small change to Skerry, as the judge would hand it over.

Builders give real values of `gatekeep.model`; every argument has a default, so that a test names only what it is about.
`blocked()` holds a reason of every rule.
"""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from gatekeep.model.approval import ApprovalCheck
from gatekeep.model.change import Change, Commit, Conflict
from gatekeep.model.evidence import (
    Artifact,
    Broken,
    Built,
    Diagnostic,
    Evidence,
    Footprint,
    NotDecided,
    Outcome,
    Outgrown,
    Overflow,
    RegionUse,
    Severity,
    Speaker,
    TimedOut,
)
from gatekeep.model.matrix import Maintainer, Matrix, Part, Place, Port, Recipe, Region, Target, Toolchain
from gatekeep.model.plan import Job
from gatekeep.model.verdict import Decision, Judgement, Reason, RegionDelta, Rule, Verdict
from gatekeep.model.waiver import Waiver, WaiverStanding, WaiverUse

EPOCH = datetime(2024, 3, 4, 9, 30, tzinfo=UTC)
JUDGED_ON = date(2024, 3, 6)
TARGETS = ("arm/alpha", "aarch64/skaw", "riscv64/vale", "riscv64/tarn/release", "mips/stack", "loongarch64/noup")
HOSTILE = "\x1b[2J\u202e<b onload=x>`[a](b)`![i](j) @team #12 | \udcff\r\n</details>```\x9b"


def make_commit(number: int, subject: str = "") -> Commit:
    """Give a commit whose ids are the number over and over: 3 is 3333333333…"""
    return Commit(
        commit_id=f"{number:x}" * 40,
        tree_id=f"{number:x}" * 39 + "e",
        parent_ids=(f"{number - 1:x}" * 40,) if number else (),
        author_name="Isa Thorne",
        author_email="isa@skerry.example",
        subject=subject or f"Change number {number}",
        committed_at=EPOCH + timedelta(minutes=number),
    )


BASE = make_commit(1, "Trim the tide table")
RING = make_commit(2, "Add a ring buffer to the serial driver")
TABLE = make_commit(3, "Carry the harbour names in the image")
WARN = make_commit(4, "Tidy the lamp timings")
HEAD = make_commit(5, "Light the new beacon at Noup")


def make_change(*commits: Commit, base: Commit = BASE, commit_count: int | None = None) -> Change:
    """Give a change of these commits, by default the four of the story."""
    chosen = commits or (RING, TABLE, WARN, HEAD)
    return Change(base=base, head=chosen[-1], commits=chosen, commit_count=commit_count or len(chosen))


def make_target(name: str) -> Target:
    """Give a target by its name, with a 64 KiB part of one region."""
    port, board, *configuration = name.split("/")
    return Target(
        port=port,
        board=board,
        configuration=configuration[0] if configuration else None,
        toolchain=Toolchain(name="bare-clang", probe=("clang", "--version")),
        recipe=Recipe(name="board-make", build=(("make",),), elf="{out}/x.elf"),
        part=Part(
            name="nor-half",
            capacity_bytes=65536,
            regions=(Region(name="flash", at_bytes=0, capacity_bytes=65536, reserve_bytes=3277),),
        ),
        part_address=0,
        place=Place(path="matrix.yml", line=20, column=7),
    )


def make_port(name: str) -> Port:
    """Give a port without maintainers."""
    return Port(
        name=name,
        maintainers=(),
        machine=None,
        bits=64 if name.endswith("64") else 32,
        byte_order="big" if name == "mips" else "little",
        place=Place(path="matrix.yml", line=12, column=3),
    )


def make_matrix(names: tuple[str, ...] = TARGETS) -> Matrix:
    """Give a matrix of these targets."""
    ports = tuple(dict.fromkeys(name.split("/", maxsplit=1)[0] for name in names))
    return Matrix(
        path="matrix.yml",
        tree="skerry",
        source_date=978307200,
        ports=tuple(make_port(name) for name in ports),
        targets=tuple(make_target(name) for name in names),
    )


def make_job(target: str = "riscv64/vale", commit: Commit = RING, *, expected_s: float | None = None) -> Job:
    """Give a job of this target at this commit."""
    return Job(
        target=make_target(target),
        port=make_port(target.split("/", maxsplit=1)[0]),
        commit=commit,
        source_date=978307200,
        key="k" * 64,
        toolchain_version="0.17.1",
        reason="touches drivers/uart.c",
        expected_s=expected_s,
    )


def make_built(used_bytes: int = 55117, *regions: RegionUse) -> Built:
    """Give a build that fits: `flash` of 64 KiB filled this far, and `ram`, or these regions."""
    return Built(
        footprint=Footprint(
            regions=regions
            or (
                RegionUse(name="flash", used_bytes=used_bytes, capacity_bytes=65536, reserve_bytes=3277),
                RegionUse(name="ram", used_bytes=2048, capacity_bytes=8192, flash=False),
            ),
            sections=((".text", used_bytes - 117), (".data", 117)),
            symbols=(("main", 512),),
        ),
        artifacts=(Artifact(kind="elf", name="x.elf", size_bytes=90000, sha256="0" * 64),),
    )


def make_evidence(
    target: str = "riscv64/vale",
    commit: Commit = RING,
    outcome: Outcome | None = None,
    *,
    diagnostics: tuple[Diagnostic, ...] = (),
    elapsed_s: float = 0.41,
    touched: tuple[str, ...] = (),
) -> Evidence:
    """Give what one build has shown, by default that it was built."""
    ran = not isinstance(outcome, NotDecided)
    return Evidence(
        target=target,
        tree_id=commit.tree_id,
        commit_id=commit.commit_id,
        key="k" * 64,
        toolchain_version="0.17.1" if ran else None,
        outcome=outcome if outcome is not None else make_built(),
        diagnostics=diagnostics,
        elapsed_s=elapsed_s,
        started_at=commit.committed_at if ran else None,
        log_path=f"logs/{commit.short_id}/{target.replace('/', '.')}.txt" if ran else None,
        touched=touched,
    )


POINTER = Diagnostic(
    severity=Severity.ERROR,
    speaker=Speaker.COMPILER,
    message="cast to smaller integer type 'uint32_t' from 'struct ring *'",
    path="drivers/uart.c",
    line=41,
    column=22,
    option="pointer-to-int-cast",
    excerpt="uint32_t at = (uint32_t)ring;",
)
POINTER_LOG = (
    "drivers/uart.c:41:22: error: cast to smaller integer type 'uint32_t' (aka 'unsigned int') from 'struct ring *'",
    "   41 |         uint32_t at = (uint32_t)ring;",
    "      |                       ^~~~~~~~~~~~~~",
    "1 error generated.",
    "make: *** [Makefile:31: uart.o] Error 1",
)
WIDE = ("aarch64/skaw", "loongarch64/noup", "riscv64/tarn/release", "riscv64/vale")


def make_reason(rule: Rule = Rule.BROKEN, **changes: object) -> Reason:
    """Give a realistic reason of this rule, changed as told."""
    return replace(REASONS[rule], **changes)  # type: ignore[arg-type]  # the caller names fields of Reason


REASONS: dict[Rule, Reason] = {
    Rule.BROKEN: Reason(
        rule=Rule.BROKEN,
        commit_id=RING.commit_id,
        targets=WIDE,
        whom="every 64-bit target",
        message="a pointer is cut to 32 bits",
        place="drivers/uart.c:41",
        details=("cast to smaller integer type 'uint32_t' from 'struct ring *'",),
        excerpt=POINTER_LOG,
        log_paths=tuple(f"logs/2222222222/{name.replace('/', '.')}.txt" for name in WIDE),
    ),
    Rule.OUTGROWN: Reason(
        rule=Rule.OUTGROWN,
        commit_id=TABLE.commit_id,
        targets=("arm/alpha",),
        whom="arm/alpha",
        message="outgrows flash by 568 B",
        details=("arm/alpha: image 66104 bytes > flash 65536 (+568)",),
        log_paths=("logs/3333333333/arm.alpha.txt",),
    ),
    Rule.RESERVE: Reason(
        rule=Rule.RESERVE,
        commit_id=TABLE.commit_id,
        targets=("mips/stack",),
        whom="mips/stack",
        message="grows into the reserve of flash",
        details=("mips/stack: image 63282 bytes of flash 65536, 1023 B into the reserve of 3.20 KiB",),
    ),
    Rule.GROWTH: Reason(
        rule=Rule.GROWTH,
        commit_id=TABLE.commit_id,
        targets=("arm/alpha", "mips/stack"),
        whom="arm/alpha and mips/stack",
        message="flash grows by more than 4 KiB in one change",
        details=(
            "arm/alpha: flash 61648 -> 66104 bytes (+4456, allowed +4096)",
            "mips/stack: flash 58826 -> 63282 bytes (+4456, allowed +4096)",
        ),
    ),
    Rule.NEW_WARNING: Reason(
        rule=Rule.NEW_WARNING,
        commit_id=WARN.commit_id,
        targets=TARGETS,
        whom="all 6 targets",
        message="new warning: unused variable 'period' [-Wunused-variable]",
        place="lamp/timing.c:88",
        excerpt=("int period = 3;",),
    ),
    Rule.TIMED_OUT: Reason(
        rule=Rule.TIMED_OUT,
        commit_id=HEAD.commit_id,
        targets=("riscv64/vale",),
        whom="riscv64/vale",
        message="ran past its time limit of 120 s and was stopped (SIGKILL)",
        log_paths=("logs/5555555555/riscv64.vale.txt",),
    ),
    Rule.PREBUILT: Reason(
        rule=Rule.PREBUILT,
        commit_id=HEAD.commit_id,
        targets=("riscv64/vale",),
        whom="riscv64/vale",
        message="was not seen to be built: what was measured is boards/vale/vale.elf of the tree, byte for byte",
        details=("remove the file, and let the recipe build the target from sources",),
    ),
    Rule.UNCLAIMED_BOARD: Reason(
        rule=Rule.UNCLAIMED_BOARD,
        commit_id=HEAD.commit_id,
        targets=(),
        whom="board mips/skua",
        message="is in the tree, but no target of the matrix builds it",
        place="boards/skua/board.mk",
        details=("add skua to the matrix under its port",),
    ),
    Rule.DROPPED_TARGET: Reason(
        rule=Rule.DROPPED_TARGET,
        commit_id=HEAD.commit_id,
        targets=("loongarch64/noup",),
        whom="loongarch64/noup, the only target of loongarch64,",
        message="dropped from the matrix; a change cannot loosen its own gate",
    ),
    Rule.LOOSENED: Reason(
        rule=Rule.LOOSENED,
        commit_id=HEAD.commit_id,
        targets=("mips/stack",),
        whom="the part nor-half of mips/stack, the only target of mips,",
        message="the reserve of flash is lowered from 3277 B to 655 B; a change cannot loosen its own gate",
    ),
    Rule.MATRIX: Reason(
        rule=Rule.MATRIX,
        commit_id=HEAD.commit_id,
        targets=(),
        whom="the matrix",
        message="matrix.yml:34:17: a time needs a number above zero with its unit (ms, s, min, h), got '3600'; "
        "write 3600 s",
    ),
    Rule.CONFLICT: Reason(
        rule=Rule.CONFLICT,
        commit_id=None,
        targets=(),
        whom="the change",
        message="cannot be merged onto 1111111111, where the base is now: 1 file in conflict; rebase it, or merge the "
        "base into it",
        details=("drivers/uart.c",),
    ),
    Rule.WROTE_IN_TREE: Reason(
        rule=Rule.WROTE_IN_TREE,
        commit_id=WARN.commit_id,
        targets=("mips/stack",),
        whom="mips/stack",
        message="wrote into the source tree (boards/stack/made.h); "
        "say `builds_in_tree: true` in the recipe if it means to",
    ),
    Rule.UNDECIDED: Reason(
        rule=Rule.UNDECIDED,
        commit_id=HEAD.commit_id,
        targets=("mips/stack",),
        whom="mips/stack",
        message="toolchain bare-clang is missing",
        details=("install it: pip install ziglang",),
    ),
}


def make_judgement(
    *reasons: Reason,
    decision: Decision | None = None,
    notices: tuple[Reason, ...] = (),
    deltas: tuple[RegionDelta, ...] = (),
    evidence: tuple[Evidence, ...] | None = None,
    change: Change | None = None,
    matrix: Matrix | None = None,
    reused_count: int = 12,
    new_warning_count: int = 0,
) -> Judgement:
    """Give a judgement; by default it passes without reasons and blocks with them."""
    change = change if change is not None else make_change()
    matrix = matrix if matrix is not None else make_matrix()
    if evidence is None:
        evidence = tuple(
            make_evidence(target.name, commit) for commit in (change.base, *change.commits) for target in matrix.targets
        )
    if decision is None:
        decision = Decision.BLOCK if reasons else Decision.PASS
    return Judgement(
        change=change,
        matrix=matrix,
        evidence=evidence,
        verdict=Verdict(
            decision=decision,
            reasons=reasons,
            notices=notices,
            deltas=deltas,
            new_warning_count=new_warning_count,
        ),
        reused_count=reused_count,
        judged_on=JUDGED_ON,
    )


DELTAS = (
    RegionDelta(target="arm/alpha", region="flash", base_used_bytes=61648, head_used_bytes=66104, capacity_bytes=65536),
    RegionDelta(
        target="mips/stack", region="flash", base_used_bytes=58826, head_used_bytes=63282, capacity_bytes=65536
    ),
    RegionDelta(target="mips/stack", region="ram", base_used_bytes=2048, head_used_bytes=1984, capacity_bytes=8192),
    RegionDelta(
        target="riscv64/vale", region="main", base_used_bytes=120412, head_used_bytes=120416, capacity_bytes=7340032
    ),
)


PART = Waiver(
    name="alpha-part",
    rule=Rule.OUTGROWN,
    targets=("arm/alpha",),
    reason="the larger part comes in March",
    who=Maintainer(name="Isa Thorne", email="isa@skerry.example"),
    since=date(2024, 2, 1),
    until=date(2024, 3, 9),
    place=Place(path="waivers.yml", line=3, column=3),
)
ENDED = replace(PART, name="stack-reserve", rule=Rule.RESERVE, targets=("mips/stack",), until=date(2024, 3, 5))
SPARE = replace(PART, name="spare", rule=Rule.BROKEN, targets=WIDE, until=date(2024, 4, 20))


def waived() -> Judgement:
    """A change that passes by a waiver that ends soon, beside one that has ended and one of no use."""
    judgement = make_judgement()
    excused = make_reason(
        Rule.OUTGROWN,
        blocks=False,
        waiver=PART.name,
        details=("waived until 2024-03-09 by alpha-part: the larger part comes in March (Isa Thorne)",),
    )
    uses = (
        WaiverUse(waiver=PART, standing=WaiverStanding.USED, days_left=3),
        WaiverUse(waiver=ENDED, standing=WaiverStanding.ENDED, days_left=-1),
        WaiverUse(waiver=SPARE, standing=WaiverStanding.UNUSED, days_left=45),
    )
    return replace(judgement, verdict=replace(judgement.verdict, waived=(excused,), waivers=uses))


def approved() -> Judgement:
    """A change that loosens its matrix and passes by an approval; another was for another change."""
    judgement = make_judgement()
    reason = make_reason(Rule.LOOSENED, blocks=False, approved_by=("isa",), details=("approved by isa",))
    checks = (
        ApprovalCheck(source="refs/gatekeep/approvals/0f/1", approver=None, why="it is for another change"),
        ApprovalCheck(source="refs/gatekeep/approvals/0f/2", approver="isa", fingerprint="SHA256:0"),
    )
    return replace(judgement, verdict=replace(judgement.verdict, approved=(reason,), approvals=checks))


def passed() -> Judgement:
    """A change that passes: one notice, two regions moved."""
    return make_judgement(
        notices=(replace(REASONS[Rule.NEW_WARNING], blocks=False),),
        deltas=DELTAS[2:],
        new_warning_count=1,
    )


def undecided() -> Judgement:
    """A change of which one target could not be built."""
    missing = NotDecided(message="toolchain bare-clang is missing", hint="install it: pip install ziglang")
    return make_judgement(
        REASONS[Rule.UNDECIDED],
        decision=Decision.UNDECIDED,
        evidence=(make_evidence("arm/alpha", HEAD), make_evidence("mips/stack", HEAD, missing)),
        reused_count=0,
    )


FORK = make_commit(6, "Paint the buoys")
MERGED = make_commit(7, "5555555555 merged onto 1111111111")


def merged() -> Judgement:
    """A change that left the base's history before its tip, and breaks only together with what the base gained."""
    change = replace(make_change(HEAD), forks={HEAD.commit_id: FORK}, merge=MERGED)
    matrix = make_matrix(("riscv64/vale",))
    return make_judgement(
        make_reason(Rule.BROKEN, commit_id=MERGED.commit_id, targets=("riscv64/vale",), whom="riscv64/vale"),
        change=change,
        matrix=matrix,
        evidence=tuple(make_evidence("riscv64/vale", commit) for commit in change.iter_trees()),
        reused_count=0,
    )


def conflicting() -> Judgement:
    """A change that cannot be merged without a person."""
    change = replace(make_change(HEAD), forks={HEAD.commit_id: FORK}, merge=Conflict(paths=("drivers/uart.c",)))
    matrix = make_matrix(("riscv64/vale",))
    return make_judgement(
        REASONS[Rule.CONFLICT],
        change=change,
        matrix=matrix,
        evidence=tuple(make_evidence("riscv64/vale", commit) for commit in change.iter_trees()),
        reused_count=0,
    )


def blocked() -> Judgement:
    """A change that is blocked for a reason of every rule, with a build of every outcome."""
    broken = Broken(message="make ended with exit code 2", first_error=POINTER, excerpt=POINTER_LOG)
    outcomes: dict[tuple[str, str], Outcome] = {(RING.commit_id, name): broken for name in WIDE}
    outcomes[TABLE.commit_id, "arm/alpha"] = Outgrown(
        overflows=(Overflow(region="flash", over_bytes=568),),
        footprint=Footprint(regions=(RegionUse(name="flash", used_bytes=66104, capacity_bytes=65536),)),
        message="the image is larger than its region",
    )
    outcomes[HEAD.commit_id, "arm/alpha"] = Outgrown(
        overflows=(Overflow(region="FLASH", over_bytes=None),), footprint=None, message="the linker refused"
    )
    outcomes[HEAD.commit_id, "riscv64/vale"] = TimedOut(limit_s=120.0, stopped_by="SIGKILL")
    outcomes[HEAD.commit_id, "mips/stack"] = NotDecided(message="toolchain bare-clang is missing")
    warning = replace(POINTER, severity=Severity.WARNING, message="unused variable 'period'")
    change, matrix = make_change(commit_count=5), make_matrix()
    return make_judgement(
        *REASONS.values(),
        notices=(
            Reason(
                rule=Rule.BROKEN,
                commit_id=BASE.commit_id,
                targets=("mips/stack",),
                whom="mips/stack",
                message="make ended with exit code 2 (so at the base already)",
                log_paths=("logs/1111111111/mips.stack.txt",),
                blocks=False,
            ),
        ),
        deltas=DELTAS,
        change=change,
        matrix=matrix,
        evidence=tuple(
            make_evidence(
                target.name,
                commit,
                outcomes.get((commit.commit_id, target.name)),
                diagnostics=(warning,) if commit in (WARN, HEAD) else (),
                touched=("boards/stack/made.h",) if (commit, target.name) == (WARN, "mips/stack") else (),
            )
            for commit in (change.base, *change.commits)
            for target in matrix.targets
        ),
        new_warning_count=1,
    )


def hostile(text: str = HOSTILE) -> Judgement:
    """A change in which every text that comes from outside is this one."""
    commit = replace(RING, subject=text, author_name=text, author_email=text)
    matrix = replace(make_matrix(), tree=text, path=text)
    broken = Broken(
        message=text,
        first_error=replace(POINTER, message=text, path=text, option=text, excerpt=text),
        excerpt=(text,),
    )
    reason = Reason(
        rule=Rule.BROKEN,
        commit_id=commit.commit_id,
        targets=(text, text + "2"),
        whom=text,
        message=text,
        place=text,
        details=(text,),
        excerpt=(text, "````", "~~~~"),
        log_paths=(text,),
    )
    use = RegionUse(name=text, used_bytes=1, capacity_bytes=2)
    judgement = make_judgement(
        reason,
        notices=(replace(reason, blocks=False),),
        deltas=(RegionDelta(target=text, region=text, base_used_bytes=0, head_used_bytes=1, capacity_bytes=2),),
        change=make_change(commit, base=replace(BASE, subject=text)),
        matrix=matrix,
        evidence=(
            replace(make_evidence(text, commit, broken, touched=(text,)), log_path=text),
            replace(make_evidence("x", commit, make_built(1, use)), toolchain_version=text),
        ),
        reused_count=0,
    )
    waiver = replace(SPARE, name=text, reason=text, who=Maintainer(name=text), targets=(text,))
    verdict = replace(
        judgement.verdict,
        waived=(replace(reason, blocks=False, waiver=text),),
        waivers=(WaiverUse(waiver=waiver, standing=WaiverStanding.ENDED, days_left=-1),),
        approved=(replace(reason, blocks=False, approved_by=(text,)),),
        approvals=(ApprovalCheck(source=text, approver=None, fingerprint=text, why=text),),
    )
    return replace(judgement, verdict=verdict)


def shuffled(judgement: Judgement, seed: int = 7) -> Judgement:
    """Give the same judgement with everything that is a list in another order."""
    deal = random.Random(seed)
    verdict = judgement.verdict
    return replace(
        judgement,
        evidence=tuple(deal.sample(judgement.evidence, len(judgement.evidence))),
        verdict=replace(
            verdict,
            reasons=tuple(deal.sample(verdict.reasons, len(verdict.reasons))),
            notices=tuple(deal.sample(verdict.notices, len(verdict.notices))),
            waived=tuple(deal.sample(verdict.waived, len(verdict.waived))),
            approved=tuple(deal.sample(verdict.approved, len(verdict.approved))),
            deltas=tuple(deal.sample(verdict.deltas, len(verdict.deltas))),
        ),
    )
