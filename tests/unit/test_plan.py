"""Which builds a change needs, and in which order."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from gatekeep.errors import ToolchainError
from gatekeep.model.evidence import NotDecided, TimedOut
from gatekeep.model.matrix import CacheWish, Maintainer, Matrix, Place, Port, Target
from gatekeep.runner.key import evidence_key
from gatekeep.runner.plan import PlanInputs, ReadyToolchain, plan_change
from tests.cases import (
    BASE,
    TARGET_NAMES,
    TOOLCHAIN,
    broken,
    built,
    make_change,
    make_commit,
    make_evidence,
    make_matrix,
    make_port,
    make_target,
)

READY = {TOOLCHAIN: ReadyToolchain(version="0.17.1", digest="d")}
MATRIX = make_matrix()


def make_inputs(count: int = 1, matrix: Matrix = MATRIX) -> PlanInputs:
    change = make_change(count)
    return PlanInputs(
        change=change,
        matrices={commit.tree_id: matrix for commit in (change.base, *change.commits)},
        toolchains=READY,
    )


def key_of(name: str) -> str:
    port = next(port for port in MATRIX.ports if port.name == name.split("/")[0])
    return evidence_key(make_target(name), port, source_date=978307200, toolchain_digest="d", host_environment={})


def test_every_target_of_base_and_commits_is_a_job_once() -> None:
    plan = plan_change(make_inputs(2))
    pairs = [(job.commit.tree_id, job.target.name) for job in plan.jobs]
    assert len(pairs) == len(set(pairs)) == 3 * len(TARGET_NAMES)
    assert plan.known == ()


def test_newest_port_goes_first_and_touched_boards_before_it() -> None:
    plan = plan_change(make_inputs())
    assert {job.target.port for job in plan.jobs[:6]} == {"loongarch64"}
    touched = plan_change(replace(make_inputs(), changed_paths=["boards/holm/board.mk"]))
    assert [job.target.name for job in touched.jobs[:2]] == ["mips/holm", "mips/holm"]


def test_among_equals_the_longest_expected_goes_first_and_the_unknown_before_it() -> None:
    inputs = replace(
        make_inputs(0, make_matrix(["arm/mere", "arm/tarn", "mips/holm", "riscv64/vale"])),
        durations_s={"arm/mere": 1.0, "arm/tarn": 9.0, "mips/holm": 4.0},
    )
    assert [job.target.name for job in plan_change(inputs).jobs] == [
        "riscv64/vale",
        "arm/tarn",
        "mips/holm",
        "arm/mere",
    ]


def test_stored_evidence_of_the_same_tree_and_key_is_known() -> None:
    stored = replace(make_evidence(BASE, "arm/mere"), key=key_of("arm/mere"), commit_id="0" * 40)
    plan = plan_change(replace(make_inputs(), stored=[stored]))
    assert plan.known == (replace(stored, commit_id=BASE.commit_id),)
    assert len(plan.jobs) == 2 * len(TARGET_NAMES) - 1


def test_stored_evidence_under_another_key_or_without_a_decision_is_built_again() -> None:
    commit = make_commit(2)
    stored = [
        make_evidence(BASE, "arm/mere", built()),
        replace(make_evidence(commit, "arm/mere", TimedOut(limit_s=1, stopped_by="SIGTERM")), key=key_of("arm/mere")),
        replace(make_evidence(commit, "mips/holm", NotDecided(message="x")), key=key_of("mips/holm")),
    ]
    assert plan_change(replace(make_inputs(), stored=stored)).known == ()
    failed = replace(make_evidence(commit, "arm/mere", broken()), key=key_of("arm/mere"))
    assert len(plan_change(replace(make_inputs(), stored=[failed])).known) == 1


def test_a_missing_toolchain_leaves_its_targets_undecided_with_the_hint() -> None:
    missing = ToolchainError("bare-clang", "toolchain bare-clang: 'zig' is not on PATH")
    plan = plan_change(replace(make_inputs(), toolchains={TOOLCHAIN: missing}))
    assert plan.jobs == ()
    assert len(plan.known) == 2 * len(TARGET_NAMES)
    assert plan.known[0].outcome == NotDecided(message=str(missing), hint="pip install ziglang")


def test_a_tree_without_a_matrix_of_its_own_is_built_with_the_bases_targets() -> None:
    inputs = make_inputs()
    inputs = replace(inputs, matrices={BASE.tree_id: MATRIX})
    assert len(plan_change(inputs).jobs) == 2 * len(TARGET_NAMES)


def test_key_follows_everything_that_the_build_depends_on_and_nothing_else() -> None:
    port, target = make_port("arm"), make_target("arm/mere")

    def key(
        *, target: Target = target, port: Port = port, source_date: int = 1, toolchain: str = "d", path: str = "/bin"
    ) -> str:
        return evidence_key(
            target, port, source_date=source_date, toolchain_digest=toolchain, host_environment={"PATH": path}
        )

    recipe = target.recipe
    different = [
        key(source_date=2),
        key(toolchain="e"),
        key(path="/usr/bin"),
        key(target=replace(target, settings=(("opt", "-O0"),))),
        key(target=replace(target, part_address=4096)),
        key(target=replace(target, part=None)),
        key(target=replace(target, recipe=replace(recipe, build=(("make", "all"),)))),
        key(target=replace(target, recipe=replace(recipe, time_limit_s=1.0))),
        key(target=replace(target, recipe=replace(recipe, environment=(("A", "b"),)))),
        key(port=replace(port, bits=64)),
        key(port=replace(port, machine="ARM")),
        key(target=replace(target, toolchain=replace(target.toolchain, name="other"))),
        key(target=replace(target, toolchain=replace(target.toolchain, probe=("cc", "--version")))),
        key(target=replace(target, toolchain=replace(target.toolchain, programs=("cc",)))),
    ]
    assert len({key(), *different}) == len(different) + 1
    elsewhere = Place(path="other.yml", line=9, column=9)
    assert key() == key(target=replace(target, place=elsewhere))
    # What they decide is whether the toolchain counts at all, and what was found is in its digest.
    toolchain = target.toolchain
    for same in (
        replace(toolchain, allow=">=17"),
        replace(toolchain, install="pip install it"),
        replace(toolchain, compile_cache=CacheWish(in_front_of=("cc",))),
    ):
        assert key() == key(target=replace(target, toolchain=same))
    assert key() == key(
        port=replace(port, place=elsewhere, since=date(2026, 1, 1), maintainers=(Maintainer(name="A"),))
    )
