"""
A change judged, from its two names to the judgement: what every command does that decides whether commits may land.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path

from gatekeep.cli.day import settle_day
from gatekeep.cli.edges import WORKPLACES, Edges, run_plan
from gatekeep.cli.log_places import show_evidence_logs, show_folder, show_logs
from gatekeep.cli.options import ReportFiles
from gatekeep.cli.screen import write_reports
from gatekeep.cli.start import begin_toolchains, list_caches
from gatekeep.judge.case import Case
from gatekeep.judge.loosening_reasons import list_statements
from gatekeep.judge.verdict import judge, sort_evidence
from gatekeep.model.allowance import hold_to_base
from gatekeep.model.approval import ApprovalRequest, make_request
from gatekeep.model.change import Change
from gatekeep.model.evidence import Evidence
from gatekeep.model.matrix import Approver, Matrix
from gatekeep.model.plan import Plan
from gatekeep.model.verdict import Judgement
from gatekeep.runner.approvals import NO_SOURCES, ApprovalSources, gather_approvals
from gatekeep.runner.carry import ReadSetCarrier, list_trusted
from gatekeep.runner.matrices import Matrices, load_matrices
from gatekeep.runner.plan import PlanInputs, plan_change
from gatekeep.runner.prebuilt import find_prebuilt
from gatekeep.runner.reach_trees import TreeComparer
from gatekeep.runner.schedule import BuildEverything, Carrier
from gatekeep.runner.waivers import WaiverFiles, load_waivers
from gatekeep.tree.signature import SshKeygen


def judge_change(
    edges: Edges,
    change: Change,
    matrix: Path | None,
    workers: int | None,
    *,
    rebuild: bool = False,
    approvals: ApprovalSources = NO_SOURCES,
) -> Judgement:
    """
    Build what must be built of a change and judge it.

    Args:
        edges: What the run holds open.
        change: What to judge, as `load_landing` gives it.
        matrix: A matrix file by name; None means the one in the trees.
        workers: How many builds run at once; None means the cores that this process may use.
        rebuild: Take nothing over from earlier runs.
        approvals: Where approvals are looked for, besides the repository's refs.

    Raises:
        RepositoryError: Git cannot give a tree of the change, or cannot be run.
        MatrixError: The base's matrix, or its file of waivers, is wrong.
        UsageError: The base has none.
        StoreError: The store cannot be read or written.
        RunnerError: The machine cannot build.
    """
    repository = edges.repository
    matrices, waivers = _load_files(edges, change, matrix)
    edges = replace(edges, environment=_hide_asked_for(edges.environment, change, matrices))
    built = _hold_to_base(edges, change, matrices, waivers, approvals)
    get_toolchains = begin_toolchains(edges, built.values())
    barred = {bar.target for bar in edges.store.list_barred()}
    stored = edges.store.list_evidence(_trees(change))
    if rebuild or not stored:
        # Something will be built, whatever the toolchains say.
        edges.start.look_at_machine(edges, edges.folder / WORKPLACES)
    toolchains = get_toolchains()
    plan = plan_change(
        PlanInputs(
            change=change,
            matrices=built,
            toolchains=toolchains,
            stored=() if rebuild else list_trusted(stored, barred),
            durations_s=edges.store.load_durations(),
            changed_paths=[delta.path for delta in repository.diff_trees(change.base.tree_id, change.landing.tree_id)],
            host_environment=edges.environment,
        )
    )
    found = run_plan(
        edges,
        plan,
        workers=workers,
        source_date=matrices.by_tree[change.base.tree_id].source_date,
        carrier=_make_carrier(edges, barred, rebuild=rebuild),
        earlier=_newest(edges, plan, rebuild=rebuild),
        caches={} if rebuild else list_caches(toolchains),
        stored=stored,
    )
    case = _ask_approvers(
        edges, _make_case(edges, change, matrices, waivers, (*plan.known, *found)), matrices, approvals
    )
    return Judgement(
        change=change,
        matrix=case.base_matrix,
        evidence=sort_evidence(case),
        verdict=judge(case),
        reused_count=sum(1 for entry in plan.known if entry.key),
        judged_on=case.judged_on,
        carried_count=sum(1 for entry in found if entry.carried is not None),
    )


def load_request(edges: Edges, change: Change, matrix: Path | None) -> tuple[ApprovalRequest, tuple[Approver, ...]]:
    """
    Say what of a change has to be approved. Nothing is built for it.

    Args:
        edges: What the run holds open.
        change: As `load_landing` gives it.
        matrix: As for `judge_change`.

    Returns:
        The request, whose `statements` are empty when the change loosens nothing, and who may approve it.

    Raises:
        RepositoryError: Git cannot give a tree of the change.
        MatrixError: The base's matrix, or its file of waivers, is wrong.
        UsageError: The base has none.
    """
    matrices, waivers = _load_files(edges, change, matrix)
    case = _make_bare_case(edges, change, matrices, waivers)
    return _make_request(case, matrices), case.base_matrix.approvers


def _load_files(edges: Edges, change: Change, matrix: Path | None) -> tuple[Matrices, WaiverFiles]:
    repository = edges.repository
    matrices = load_matrices(
        change,
        named=matrix,
        work_tree=repository.work_tree,
        files=repository,
        parse=edges.matrices.read,
    )
    return matrices, load_waivers(change, matrices, files=repository, parse=edges.read_waivers)


def _settle_day(edges: Edges, change: Change, matrices: Matrices, waivers: WaiverFiles) -> date:
    approvers = matrices.by_tree[change.base.tree_id].approvers
    every_waiver = (waiver for found in waivers.by_tree.values() for waiver in found)
    return settle_day(edges.calendar, edges.store, every_waiver, approvers)


def _hide_asked_for(environment: Mapping[str, str], change: Change, matrices: Matrices) -> Mapping[str, str]:
    """
    Leave out what only recipes of other trees than the base ask for: a token of the machine is not the change's to see.

    Whoever makes a change chooses where it leaves the base's history, so what an older commit kept counts for nothing.
    """
    kept: dict[bool, set[str]] = {True: {"PATH"}, False: set()}
    for tree_id, matrix in matrices.by_tree.items():
        for target in matrix.targets:
            kept[tree_id == change.base.tree_id].update(target.recipe.keep_environment)
    return {name: value for name, value in environment.items() if name not in kept[False] - kept[True]}


def _hold_to_base(
    edges: Edges, change: Change, matrices: Matrices, waivers: WaiverFiles, approvals: ApprovalSources
) -> dict[str, Matrix]:
    """
    Give the matrices by which trees are built: with no limit above the base's, until somebody approves the change.

    A target with a lowered limit has another evidence key, so what was made under one stands for nothing else.
    """
    base = matrices.by_tree[change.base.tree_id]
    held: dict[int, Matrix] = {}
    for matrix in matrices.by_tree.values():
        # Most commits leave the matrix as it is, and share one value of it.
        if id(matrix) not in held:
            held[id(matrix)] = hold_to_base(matrix, base)
    by_tree = {tree_id: held[id(matrix)] for tree_id, matrix in matrices.by_tree.items()}
    if all(by_tree[tree_id] is matrix for tree_id, matrix in matrices.by_tree.items()):
        return matrices.by_tree
    case = _ask_approvers(edges, _make_bare_case(edges, change, matrices, waivers), matrices, approvals)
    return matrices.by_tree if case.approved_by else by_tree


def _make_bare_case(edges: Edges, change: Change, matrices: Matrices, waivers: WaiverFiles) -> Case:
    """Make a case of what is known before anything is built."""
    return Case(
        change=change,
        matrices=matrices.by_tree,
        evidence={},
        judged_on=_settle_day(edges, change, matrices, waivers),
        waivers=waivers.by_tree,
    )


def _make_request(case: Case, matrices: Matrices) -> ApprovalRequest:
    return make_request(case.change, case.base_matrix.tree, matrices.digest, list_statements(case))


def _ask_approvers(edges: Edges, case: Case, matrices: Matrices, sources: ApprovalSources) -> Case:
    """Look for approvals where there is something to approve."""
    request = _make_request(case, matrices)
    if not request.statements:
        return case
    checks = gather_approvals(
        edges.repository,
        request,
        sources,
        approvers=case.base_matrix.approvers,
        checker=SshKeygen(edges.environment),
        day=case.judged_on,
    )
    return replace(case, approvals=checks)


def _make_carrier(edges: Edges, barred: Collection[str], *, rebuild: bool) -> Carrier:
    if rebuild:
        return BuildEverything("--rebuild asks for it")
    return ReadSetCarrier(TreeComparer(edges.repository), barred, environment=edges.environment)


def _newest(edges: Edges, plan: Plan, *, rebuild: bool) -> tuple[Evidence, ...]:
    """Where the base itself is not known, builds of other trees may still tell."""
    if rebuild or all(job.position > 0 for job in plan.jobs):
        return ()
    # Trees of merges that never landed, of refused pushes and rewritten branches are in no repository any more.
    newest = edges.store.list_newest()
    here = {tree_id for tree_id in {entry.tree_id for entry in newest} if edges.repository.has_tree(tree_id)}
    return tuple(entry for entry in newest if entry.tree_id in here)


def _trees(change: Change) -> list[str]:
    return [commit.tree_id for commit in change.iter_trees()]


def _make_case(
    edges: Edges, change: Change, matrices: Matrices, waivers: WaiverFiles, evidence: tuple[Evidence, ...]
) -> Case:
    repository = edges.repository
    known = {(entry.tree_id, entry.target): entry for entry in evidence}
    return Case(
        change=change,
        matrices=matrices.by_tree,
        evidence=known,
        line_maps={
            commit.commit_id: repository.load_line_map(change.base_of(commit).tree_id, commit.tree_id)
            for commit in change.judged
        },
        paths={tree_id: repository.list_tree(tree_id).entries.keys() for tree_id in _trees(change)},
        matrix_errors=matrices.errors,
        waivers=waivers.by_tree,
        waiver_errors=waivers.errors,
        judged_on=_settle_day(edges, change, matrices, waivers),
        prebuilt=find_prebuilt(repository, change, known),
    )


def show_log_places(judgement: Judgement, folder: Path) -> Judgement:
    """Turn log paths, which the store keeps relative to itself, into paths that open from here."""
    prefix = show_folder(folder)
    verdict = judgement.verdict
    return replace(
        judgement,
        verdict=replace(
            verdict,
            reasons=show_logs(verdict.reasons, prefix),
            notices=show_logs(verdict.notices, prefix),
            waived=show_logs(verdict.waived, prefix),
            approved=show_logs(verdict.approved, prefix),
        ),
        evidence=show_evidence_logs(judgement.evidence, prefix),
    )


def write_judgement(judgement: Judgement, files: ReportFiles, colour: str) -> None:
    """Write the files that were asked for, and show the report unless one of them goes to standard output."""
    from gatekeep.report.terminal import render_terminal

    # Nobody asks for all of them, and most ask for none.
    def as_json() -> str:
        from gatekeep.report.json_report import render_json

        return render_json(judgement)

    def as_markdown() -> str:
        from gatekeep.report.markdown import render_markdown

        return render_markdown(judgement)

    def as_sarif() -> str:
        from gatekeep.report.sarif import render_sarif

        return render_sarif(judgement)

    def as_junit() -> str:
        from gatekeep.report.junit import render_junit

        return render_junit(judgement)

    write_reports(
        [(files.json, as_json), (files.markdown, as_markdown), (files.sarif, as_sarif), (files.junit, as_junit)],
        colour=colour,
        render=lambda screen: render_terminal(judgement, colour=screen.colour, width=screen.width),
    )
