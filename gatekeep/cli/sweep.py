"""
`gatekeep sweep`: every target of a commit, built clean; what is new since the last sweep, and who did it.
"""

from __future__ import annotations

import shutil
import sys
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import click

from gatekeep.cli.culprit_search import find_culprits, load_range, load_search_matrices
from gatekeep.cli.day import settle_day
from gatekeep.cli.edges import Edges, open_edges, run_plan
from gatekeep.cli.log_places import show_evidence_logs, show_folder, show_logs
from gatekeep.cli.options import FILE, ReportFiles, RunOptions, json_option, junit_option, run_options, sarif_option
from gatekeep.cli.screen import write_reports
from gatekeep.cli.start import ready_toolchains
from gatekeep.cli.witness import SECOND_PLACE, KeptWitness
from gatekeep.errors import MatrixError, RepositoryError, StoreError, UsageError
from gatekeep.history.kept_logs import LogRule, tidy_logs
from gatekeep.history.sink import ResultSink
from gatekeep.history.sweep_claim import claim_sweep
from gatekeep.history.sweeps import (
    SweepSink,
    finish_sweep,
    get_last_ended,
    list_swept,
    load_last_begun_at,
    load_last_known,
)
from gatekeep.history.timeline import record_mainline
from gatekeep.judge.audit import conclude
from gatekeep.judge.sweep import SweepCase, judge_sweep, list_suspicious, share_answers
from gatekeep.model.audit import Audited
from gatekeep.model.change import Change, Commit, LineMap
from gatekeep.model.culprit import CulpritAnswer
from gatekeep.model.evidence import Evidence, NotDecided, TimedOut, name_outcome
from gatekeep.model.history import LastKnown, Sweep, SweepState
from gatekeep.model.matrix import Matrix
from gatekeep.model.plan import Job, Plan
from gatekeep.model.quantity import parse_bytes
from gatekeep.model.sweep import SweepFindings, SweepReport
from gatekeep.report.plain import plain
from gatekeep.report.sweep import render_mail, render_sweep, render_sweep_json, to_judgement
from gatekeep.report.write import write_text
from gatekeep.runner.audit import AuditEdges, audit_jobs, list_undecided, recall_mismatches
from gatekeep.runner.matrices import load_matrices
from gatekeep.runner.plan import PlanInputs, plan_change
from gatekeep.runner.reach_trees import TreeComparer
from gatekeep.runner.schedule import BuildEverything
from gatekeep.runner.waivers import load_waivers
from gatekeep.tree.mainline import contains_commit, list_first_parents


@dataclass(frozen=True, slots=True, kw_only=True)
class _Before:
    """
    What is compared with.

    `commit` is the one that reports name, None where nothing was known before or its commit is gone. `last` by target.
    """

    commit: Commit | None
    last: Mapping[str, LastKnown]


def _read_size(_context: click.Context, _option: click.Parameter, value: str | None) -> int:
    try:
        return parse_bytes(value) if value is not None else LogRule().most_bytes
    except ValueError as error:
        raise click.BadParameter(str(error)) from error


@click.command()
@click.argument("commit", default="HEAD")
@click.option(
    "--since",
    metavar="COMMIT",
    help="Compare with what is known of COMMIT. [default: with the last sweep of a commit that it follows]",
)
@click.option(
    "--log-days",
    type=click.IntRange(1),
    default=LogRule().keep_days,
    help="Keep logs so long, red ones of the branch four times. gatekeep log --help says more. [default: 90]",
)
@click.option("--log-size", callback=_read_size, metavar="SIZE", help="Keep at most so much of them. [default: 2 GiB]")
@json_option()
@sarif_option
@junit_option
@click.option("--summary", "summary_file", type=FILE, help="Write the report as the plain text of a mail.")
@run_options("The matrix file. [default: matrix.yml at the root of the commit's tree]")
def sweep(
    commit: str,
    since: str | None,
    log_days: int,
    log_size: int,
    json_file: Path | None,
    sarif: Path | None,
    junit: Path | None,
    summary_file: Path | None,
    run: RunOptions,
) -> int:
    """
    Build every target of COMMIT from nothing, and say what is new since the last sweep of its branch.

    \b
    Examples:
      gatekeep sweep
      gatekeep sweep main --json night.json --summary mail.txt --junit night.xml
      gatekeep sweep v1.4 --since v1.3

    Nothing is carried and no compiler cache is used. What the gates had carried to this tree is held against the clean
    builds, as by `gatekeep audit`. For each target that is newly broken, outgrown or past its time limit, and for each
    new warning, the commit that did it is searched for. The commits of the branch are recorded, for `gatekeep history`
    and the health site.

    What the commit's waivers.yml excuses is shown apart, asks for nobody, and is not searched for.

    A sweep that was stopped goes on where it was when the same commit is swept again. Of two at once of one commit the
    second waits, and says the same without building it again.

    Exit codes: 0 all well, or as before; 1 a target is newly broken or outgrown; 2 usage or matrix error; 3 undecided;
    130 interrupted.
    """
    with open_edges(run.repository, store=run.store, verbose=run.verbose, sandbox=run.sandbox) as edges:
        tip = edges.repository.resolve(commit)
        # Nobody waits for a night's first second, and what a day has spoilt is told before anything is written.
        edges.check_store(contents=True)
        with claim_sweep(edges.store, edges.folder / "sweeps", tip, edges.now(), _say) as claimed:
            report = _Night(edges, claimed, tip, run.matrix, run.workers).run(since)
            shown = _show_log_places(report, edges.folder)
            # First told, then finished: stopped between the two, the same sweep goes on and tells it again. The other
            # way round nobody would ever hear what was new, for the next sweep finds it as before.
            _write(shown, ReportFiles(json=json_file, sarif=sarif, junit=junit), summary_file, run.colour)
            ended = report.sweep
            finish_sweep(edges.store, ended.sweep_id, ended.state, ended.turns, ended.finished_at or edges.now())
        folder = edges.folder
    _tidy_logs(folder, LogRule(keep_days=log_days, most_bytes=log_size))
    return report.decision.exit_code


def _tidy_logs(folder: Path, rule: LogRule) -> None:
    """Tidy last, when the report is out: what cannot be tidied changes no verdict."""
    try:
        tidy_logs(folder, rule, datetime.now(UTC))
    except StoreError as error:
        click.echo(plain(f"gatekeep: {error}"), err=True)


def _say(text: str) -> None:
    # A reader that has gone away is not the sweep's concern.
    with suppress(OSError):
        print(plain(text), file=sys.stderr, flush=True)


class _Night:
    """One run of one sweep."""

    def __init__(self, edges: Edges, claimed: Sweep, tip: Commit, named: Path | None, workers: int | None) -> None:
        self._edges, self._sweep, self._tip = edges, claimed, tip
        self._named, self._workers = named, workers
        self._sink = SweepSink(edges.store, claimed.sweep_id)
        self._change = Change(base=tip, head=tip, commits=(), commit_count=0)
        matrices = load_matrices(
            self._change,
            named=named,
            work_tree=edges.repository.work_tree,
            files=edges.repository,
            parse=edges.matrices.read,
        )
        self._matrix: Matrix = matrices.by_tree[tip.tree_id]
        waivers = load_waivers(self._change, matrices, files=edges.repository, parse=edges.read_waivers)
        self._waivers = waivers.by_tree[tip.tree_id]
        self._remarks: list[str] = []

    def run(self, since: str | None) -> SweepReport:
        """Record the branch, build, compare, search, and keep what was found."""
        edges, tip = self._edges, self._tip
        before = self._load_before(since)
        self._check_clock()
        self._record_mainline()
        plan = self._plan(list_swept(edges.store, self._sweep.sweep_id))
        known_count = sum(1 for entry in plan.known if entry.key)
        recalled = self._recall_mismatches({entry.target for entry in plan.known if entry.key})
        built, audited = self._build(plan.jobs)
        audited = (*recalled, *audited)
        found = {entry.target: entry for entry in (*plan.known, *built)}
        case = SweepCase(
            commit=tip,
            matrix=self._matrix,
            found=found,
            last=before.last,
            judged_on=settle_day(edges.calendar, None, self._waivers, ()),
            line_map=self._map_lines(before.commit),
            waivers=self._waivers,
        )
        findings = judge_sweep(case)
        answers = self._find_culprits(findings, before, found)
        findings = judge_sweep(replace(case, culprits=share_answers(findings, answers, case.found)))
        ended = self._end(findings, found)
        return SweepReport(
            sweep=ended,
            change=self._compared_change(before.commit, answers),
            matrix=self._matrix,
            findings=findings,
            evidence=tuple(found[target.name] for target in self._matrix.targets if target.name in found),
            audit=conclude(
                self._change,
                self._matrix,
                audited,
                carried_count=sum(result.carried is not None for result in audited),
            ),
            built_count=len(built),
            known_count=known_count,
            judged_on=case.judged_on,
            culprits=answers,
            remarks=tuple(self._remarks),
        )

    def _load_before(self, since: str | None) -> _Before:
        repository, store = self._edges.repository, self._edges.store
        if since is not None:
            commit = repository.resolve(since)
            last = {
                entry.target: LastKnown(
                    sweep_id=0,
                    commit_id=commit.commit_id,
                    tree_id=commit.tree_id,
                    outcome=name_outcome(entry.outcome),
                    evidence=entry,
                )
                for entry in reversed(store.list_evidence([commit.tree_id]))
            }
            if not last:
                raise UsageError(
                    f"--since: nothing is known of commit {commit.short_id}; sweep it first, or name one that was"
                )
            return _Before(commit=commit, last=last)
        targets = [target.name for target in self._matrix.targets]
        last = load_last_known(
            store,
            self._sweep.sweep_id,
            targets,
            cache(lambda commit_id: contains_commit(repository, self._tip, commit_id)),
        )
        if not last:
            if (ended := get_last_ended(store, self._sweep.sweep_id)) is not None:
                self._remarks.append(
                    f"the last sweep, of commit {ended.commit_id[:10]}, and all before it were of commits that this "
                    "one does not follow, so nothing is compared with them"
                )
            return _Before(commit=None, last=last)
        newest = max(last.values(), key=lambda known: known.sweep_id)
        return _Before(commit=repository.resolve(newest.commit_id), last=last)

    def _check_clock(self) -> None:
        began_at = load_last_begun_at(self._edges.store, before=self._sweep.sweep_id)
        if began_at is not None and began_at > self._sweep.started_at:
            self._remarks.append(
                f"this sweep began at {self._sweep.started_at:%Y-%m-%d %H:%M} UTC by the machine's clock, and the one "
                f"before it at {began_at:%Y-%m-%d %H:%M}: the clock was set back; see that it is right now"
            )

    def _record_mainline(self) -> None:
        try:
            commits = list_first_parents(self._edges.repository, self._tip.commit_id)
        except RepositoryError as error:
            self._remarks.append(f"the commits of the branch are not recorded: {error}")
            return
        record_mainline(self._edges.store, commits)

    def _plan(self, stored: Iterable[Evidence]) -> Plan:
        return plan_change(
            PlanInputs(
                change=self._change,
                matrices={self._tip.tree_id: self._matrix},
                toolchains=ready_toolchains(self._edges, [self._matrix]),
                stored=stored,
                durations_s=self._edges.store.load_durations(),
                host_environment=self._edges.environment,
            )
        )

    def _build(self, jobs: Sequence[Job]) -> tuple[tuple[Evidence, ...], tuple[Audited, ...]]:
        """Build what this sweep has not built yet; give the results, and how what was carried stands to them."""
        found: list[Evidence] = []
        with _emptied(self._edges.folder / "sweeps" / f"{self._sweep.sweep_id}.kept") as keep:
            first, second = keep / "first", keep / "second"
            witness = KeptWitness(self._edges, TreeComparer(self._edges.repository), keep)

            def build(chosen: Sequence[Job], sink: ResultSink) -> Sequence[Evidence]:
                found.extend(self._run(chosen, sink, "trees", first))
                return found

            audited = audit_jobs(
                jobs,
                AuditEdges(
                    store=self._sink,
                    build=build,
                    build_again=lambda chosen, sink: self._run(chosen, sink, SECOND_PLACE, second),
                    witness=witness,
                    now=self._edges.now,
                ),
            )
        for entry in found:
            if isinstance(entry.outcome, TimedOut):
                self._sink.add(entry)
        commits = {self._tip.tree_id: self._tip}
        carried = tuple(result for result in audited if result.carried is not None)
        return tuple(found), (*carried, *list_undecided(found, commits))

    def _recall_mismatches(self, known: Collection[str]) -> tuple[Audited, ...]:
        """
        Give what an earlier run of this sweep has found carried wrongly: what it has said stays said.

        `known` are the targets that it has built. Which bars are its own is not asked of the clock, which may have been
        set since; an older one for the same result says of it what this sweep would have said.
        """
        store, tree_id = self._edges.store, self._tip.tree_id
        bars = [bar for bar in store.list_barred() if bar.tree_id == tree_id and bar.target in known]
        if not bars:
            return ()
        stored = store.list_evidence([tree_id], whole=True)
        built = [entry for entry in stored if entry.carried is None and entry.target in known]
        witness = KeptWitness(self._edges, TreeComparer(self._edges.repository), self._edges.folder / "sweeps")
        return recall_mismatches(built, bars, self._sink, witness, self._tip)

    def _run(self, jobs: Sequence[Job], sink: ResultSink, place: str, keep: Path) -> tuple[Evidence, ...]:
        return run_plan(
            self._edges,
            Plan(matrices={}, jobs=tuple(jobs), known=()),
            workers=self._workers,
            source_date=self._matrix.source_date,
            carrier=BuildEverything("a sweep builds everything"),
            sink=sink,
            place=place,
            keep=keep,
            stored=self._edges.store.list_evidence([self._tip.tree_id]),
        )

    def _map_lines(self, before: Commit | None) -> LineMap:
        if before is None or before.tree_id == self._tip.tree_id:
            return LineMap()
        return self._edges.repository.load_line_map(before.tree_id, self._tip.tree_id)

    def _find_culprits(
        self, findings: SweepFindings, before: _Before, found: Mapping[str, Evidence]
    ) -> tuple[CulpritAnswer, ...]:
        wanted = list_suspicious(findings, before.last, found, self._tip)
        answers: list[CulpritAnswer] = []
        for good_id in dict.fromkeys(before.last[name].commit_id for name in wanted):
            names = [name for name in wanted if before.last[name].commit_id == good_id]
            try:
                commits = load_range(self._edges, good_id, self._tip.commit_id)
                matrices = load_search_matrices(self._edges, commits, self._named)
            except (UsageError, MatrixError, RepositoryError) as error:
                self._remarks.append(f"no culprit is searched for from {good_id[:10]} on: {error}")
                continue
            listed = {target.name for target in matrices[commits.good.tree_id].targets}
            answers += find_culprits(
                self._edges,
                commits,
                [name for name in names if name in listed],
                matrices=matrices,
                workers=self._workers,
                known=[found[name] for name in names if isinstance(found[name].outcome, TimedOut)],
            )
        return tuple(sorted(answers, key=lambda answer: answer.target))

    def _compared_change(self, before: Commit | None, answers: Sequence[CulpritAnswer]) -> Change:
        culprits = {
            answer.conclusion.culprit.commit_id: answer.conclusion.culprit
            for answer in answers
            if answer.conclusion.culprit is not None
        }
        culprits[self._tip.commit_id] = self._tip
        count = 0
        if before is not None:
            try:
                count = self._edges.repository.load_change(before.commit_id, self._tip.commit_id).commit_count
            except RepositoryError as error:
                self._remarks.append(f"how many commits lie between is not known: {error}")
        return Change(base=before or self._tip, head=self._tip, commits=tuple(culprits.values()), commit_count=count)

    def _end(self, findings: SweepFindings, found: Mapping[str, Evidence]) -> Sweep:
        decided = [entry for entry in found.values() if not isinstance(entry.outcome, NotDecided)]
        state = SweepState.FINISHED if len(decided) == len(self._matrix.targets) else SweepState.UNDECIDED
        return replace(self._sweep, state=state, finished_at=self._edges.now(), turns=findings.turns)


@contextmanager
def _emptied(folder: Path) -> Iterator[Path]:
    """Give a folder that nobody else uses, without what a killed run of the same sweep has left in it."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True, exist_ok=True)
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _show_log_places(report: SweepReport, folder: Path) -> SweepReport:
    """Turn log paths, which the store keeps relative to itself, into paths that open from here."""
    prefix = show_folder(folder)
    findings = report.findings
    return replace(
        report,
        findings=replace(
            findings,
            reasons=show_logs(findings.reasons, prefix),
            standing=show_logs(findings.standing, prefix),
            undecided=show_logs(findings.undecided, prefix),
            waived=show_logs(findings.waived, prefix),
        ),
        evidence=show_evidence_logs(report.evidence, prefix),
    )


def _write(report: SweepReport, files: ReportFiles, summary_file: Path | None, colour: str) -> None:
    from gatekeep.report.junit import render_junit
    from gatekeep.report.sarif import render_sarif

    if summary_file is not None:
        write_text(summary_file, render_mail(report))
    write_reports(
        [
            (files.json, lambda: render_sweep_json(report)),
            (files.sarif, lambda: render_sarif(to_judgement(report))),
            (files.junit, lambda: render_junit(to_judgement(report))),
        ],
        colour=colour,
        render=lambda screen: render_sweep(report, colour=screen.colour, width=screen.width),
    )
