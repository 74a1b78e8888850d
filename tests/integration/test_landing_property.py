"""
Whatever the shape of a change's history: what would land is held against the base, and each commit against its fork.

Random small histories in a real repository, with merges of all kinds and the same few trees over and over. What their
builds give is made up, by the tree alone. The measure is the plainest change there is: one commit on the base with the
tree that would land. No shape may block less than that does.

Source: git merge-base, asked for each commit of the change by itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from gatekeep.judge.case import Case
from gatekeep.judge.verdict import judge
from gatekeep.model.change import Change, Commit, Conflict
from gatekeep.model.evidence import Diagnostic, Evidence, NotDecided, Outcome
from gatekeep.model.matrix import Matrix, Rules, RuleStrength
from gatekeep.model.rule import Rule
from gatekeep.model.verdict import Decision, Verdict
from gatekeep.model.waiver import Waiver
from gatekeep.runner.matrices import load_matrices
from gatekeep.runner.waivers import load_waivers
from gatekeep.tree.merge import load_landing
from gatekeep.tree.repository import GitRepository, open_repository
from tests.cases import PART, TODAY, broken, built, make_evidence, make_matrix, make_waiver, warning
from tests.repos import GitFolder, make_repository

MERE, HOLM, VALE = "arm/mere", "mips/holm", "riscv64/vale"
#: Lines far enough apart that git merges two changes of them.
APART = "\n#\n#\n#\n#\n"
ORDER = (Decision.PASS, Decision.UNDECIDED, Decision.BLOCK)


@dataclass(frozen=True, slots=True)
class State:
    """What a tree holds: how each target's build ends, and what its matrix and waivers say."""

    mere: str = "ok"
    holm: str = "ok"
    targets: tuple[str, ...] = (MERE, HOLM)
    capacity: int = 1000
    warnings: str = "block"
    claim: str = ""
    waived: str = "no"
    has_matrix: bool = True
    note: int = 0

    def files(self) -> dict[str, str]:
        lines = (*(f"{name} {name in self.targets}" for name in (MERE, HOLM, VALE)), self.capacity, self.warnings)
        matrix = {"matrix.yml": APART.join(map(str, (*lines, self.claim)))} if self.has_matrix else {}
        waivers = {"waivers.yml": self.waived} if self.has_matrix else {}
        builds = {"build/mere": self.mere, "build/holm": self.holm, "build/vale": "ok"}
        return {**matrix, **waivers, **builds, "note": str(self.note)}


STATES = st.builds(
    State,
    mere=st.sampled_from(["ok", "ok", "broken", "worse", "fat", "warns", "lost"]),
    holm=st.sampled_from(["ok", "ok", "broken", "fat"]),
    targets=st.sampled_from([(MERE, HOLM), (MERE, HOLM), (MERE,), (MERE, HOLM, VALE)]),
    capacity=st.sampled_from([1000, 1000, 620, 800]),
    warnings=st.sampled_from(["block", "block", "report"]),
    claim=st.sampled_from(["", "boards/{board}/x"]),
    waived=st.sampled_from(["no", "no", "now", "ended"]),
    has_matrix=st.sampled_from([True, True, True, True, False]),
    note=st.integers(0, 1),
)


@dataclass(frozen=True, slots=True)
class Step:
    """A commit: its parents by number, and its state by number."""

    parents: tuple[int, ...]
    state: int


@dataclass(frozen=True, slots=True)
class History:
    """`states` are few, so that trees come back. `base` and `head` are numbers of steps."""

    states: tuple[State, ...]
    steps: tuple[Step, ...]
    base: int
    head: int


@st.composite
def histories(draw: st.DrawFn) -> History:
    """First what the base holds, most of it one after another; then a change, which mostly ends in a merge with it."""
    states = draw(st.lists(STATES, min_size=2, max_size=3, unique=True))
    held, count = draw(st.integers(2, 4)), draw(st.integers(1, 4))
    steps: list[Step] = []
    for number in range(held + count):
        if number == 0:
            parents = []
        elif number < held and draw(st.booleans()):
            parents = [number - 1]
        else:
            parents = draw(st.lists(st.integers(0, number - 1), min_size=1, max_size=3, unique=True))
        if number == held + count - 1 and draw(st.integers(0, 2)):
            # In either order: the first parent means nothing.
            parents = [*dict.fromkeys(draw(st.permutations([held - 1, *parents])))]
        steps.append(Step(tuple(parents), draw(st.integers(0, len(states) - 1))))
    return History(tuple(states), tuple(steps), held - 1, held + count - 1)


def write(folder: GitFolder, history: History) -> list[str]:
    """Write all commits by one process, and give their names."""
    lines: list[str] = ["reset refs/heads/x"]
    for number, step in enumerate(history.steps):
        lines += [
            "commit refs/heads/x",
            f"mark :{number + 1}",
            f"committer I <i@kelp.example> {978307200 + number} +0000",
        ]
        lines += [f"data {len(str(number))}", str(number)]
        lines += [f"{'merge' if at else 'from'} :{parent + 1}" for at, parent in enumerate(step.parents)]
        lines += ["deleteall"]
        for path, text in history.states[step.state].files().items():
            lines += [f"M 100644 inline {path}", f"data {len(text)}", text]
        lines += [""]
    lines += [f"get-mark :{number + 1}" for number in range(len(history.steps))] + ["done", ""]
    return folder.git("fast-import", "--quiet", "--done", "--force", feed="\n".join(lines).encode()).decode().split()


def parse_matrix(text: bytes, path: str) -> Matrix:
    *targets, capacity, warnings, claim = text.decode().split(APART)
    names = [name for name, is_there in (line.split(" ") for line in targets) if is_there == "True"]
    (region,) = PART.regions
    part = replace(PART, regions=(replace(region, capacity_bytes=int(capacity)),))
    rules = Rules(new_warnings=RuleStrength(warnings), growth_per_change=(("main", 250),))
    return make_matrix(names, part=part, rules=rules, claims=[claim] if claim else [])


def parse_waivers(text: bytes, path: str, matrix: Matrix) -> tuple[Waiver, ...]:
    until = {"no": None, "now": date(2026, 6, 30), "ended": date(2026, 5, 30)}[text.decode()]
    return (make_waiver(Rule.BROKEN, MERE, until=until),) if until is not None else ()


def build(commit: Commit, target: str, how: str) -> Evidence:
    outcome: Outcome = built()
    diagnostics: tuple[Diagnostic, ...] = ()
    match how:
        case "broken":
            outcome = broken()
        case "worse":
            outcome = broken("no such register", "drivers/lamp.c", 7)
        case "fat":
            outcome = built(800)
        case "warns":
            diagnostics = (warning(),)
        case "lost":
            outcome = NotDecided(message="the worker was lost")
    return make_evidence(commit, target, outcome, diagnostics)


def make_case(repository: GitRepository, change: Change) -> Case:
    """As the command makes it, but for the builds."""
    matrices = load_matrices(change, named=None, work_tree=None, files=repository, parse=parse_matrix)
    waivers = load_waivers(change, matrices, files=repository, parse=parse_waivers)
    evidence: dict[tuple[str, str], Evidence] = {}
    for commit in change.iter_trees():
        for target in matrices.by_tree.get(commit.tree_id, matrices.by_tree[change.base.tree_id]).targets:
            how = repository.read_file(commit.tree_id, f"build/{target.board}")
            assert how is not None
            evidence[commit.tree_id, target.name] = build(commit, target.name, how.decode())
    return Case(
        change=change,
        matrices=matrices.by_tree,
        evidence=evidence,
        judged_on=TODAY,
        matrix_errors=matrices.errors,
        waivers=waivers.by_tree,
        waiver_errors=waivers.errors,
    )


def faults_of(verdict: Verdict) -> set[tuple[Rule, str, str]]:
    """What blocks, target by target; what is loosened with its values, since an approval holds these."""
    return {
        (reason.rule, target, reason.message if reason.rule is Rule.LOOSENED else "")
        for reason in verdict.reasons
        for target in reason.targets or (reason.whom,)
    }


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> GitFolder:
    return make_repository(tmp_path_factory.mktemp("histories") / "r", bare=True)


def list_compared(folder: GitFolder, base: str, names: list[str]) -> Iterator[tuple[str, frozenset[str]]]:
    """For each commit of a change, its tree and the trees where git says that it left the base's history."""
    listed = folder.ask("rev-list", "--no-commit-header", "--format=%H %T", *names)
    trees = dict(line.split(" ") for line in listed.splitlines())
    for name in folder.ask("rev-list", names[-1], f"^{base}").split():
        forks = folder.git("merge-base", "--all", base, name).decode().split()
        yield trees[name], frozenset(trees[fork] for fork in forks)


@settings(max_examples=150, deadline=None)
@given(history=histories())
def test_no_shape_of_a_history_blocks_less_than_one_commit_with_the_tree_that_would_land(
    folder: GitFolder, history: History
) -> None:
    assume(history.states[history.steps[history.base].state].has_matrix)
    names = write(folder, history)
    base, head = names[history.base], names[history.head]
    with open_repository(folder.path) as repository:
        change = load_landing(repository, base, head)
        case = make_case(repository, change)
        verdict = judge(case)
        assert not case.is_landing_unjudged
        compared = {(commit.tree_id, change.base_of(commit).tree_id) for commit in change.judged}
        for tree_id, forks in list_compared(folder, base, names):
            assert tree_id in forks or any((tree_id, fork) in compared for fork in forks)
        if isinstance(change.merge, Conflict):
            assert verdict.decision is Decision.BLOCK
            return
        if change.landing.tree_id == change.base.tree_id:
            return
        plain = replace(change.landing, commit_id="0" * 40, parent_ids=(base,))
        alone = make_case(repository, Change(base=change.base, head=plain, commits=(plain,), commit_count=1))
        measure = judge(alone)
        assert ORDER.index(verdict.decision) >= ORDER.index(measure.decision)
        assert faults_of(measure) <= faults_of(verdict)
        assert {waiver.name for waiver in case.counted_waivers} == {waiver.name for waiver in alone.counted_waivers}
