"""
The results as JUnit XML, which is how machines that know nothing of firmware are told what passed.

A suite is a commit, a case is a target at that commit. What blocks is a failure, what could not be decided an error,
and neither is ever a pass. What is broken and does not block (it was so at the base, or is waived) is skipped, with the
reason. What concerns no build (a board that nobody builds, a loosened rule) is a case of a last suite, so that the file
is red exactly when the verdict is not pass.

Source: common practice; there is no standard. The shape is the one of the schema that pytest holds its own reports
against (testing/example_scripts/junit-10.xsd of its source package): that schema knows properties of suites only, so a
case's own facts stand in its suite's properties, and in its output. XML 1.0 (5th edition), section 2.2, on characters.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from xml.etree import ElementTree
from xml.etree.ElementTree import Element, SubElement

from gatekeep.model.change import Commit
from gatekeep.model.evidence import Broken, Built, Evidence, NotDecided, Outgrown, TimedOut, name_outcome
from gatekeep.model.rule import Rule
from gatekeep.model.verdict import Decision, Judgement, Reason
from gatekeep.report.layout import shorten
from gatekeep.report.plain import plain
from gatekeep.report.wording import (
    choose_excerpt,
    commits_by_id,
    commits_by_tree,
    put_in_order,
    say_outcome,
    say_reason,
    say_verdict,
)

_LINE_CELLS = 2000
_EXCERPT_LINES = 20
#: What an outcome shows at every commit until it is mended, though the verdict names the first one only.
_LASTING = {Rule.BROKEN: Broken, Rule.OUTGROWN: Outgrown, Rule.TIMED_OUT: TimedOut}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Case:
    """One target at one commit, or, without evidence, one reason of the change as a whole."""

    name: str
    group: str
    evidence: Evidence | None = None
    reasons: list[Reason] = field(default_factory=list)

    @property
    def blocking(self) -> list[Reason]:
        """What stands in the way, certain reasons first, as in the verdict."""
        return [reason for reason in self.reasons if reason.blocks]

    @property
    def kind(self) -> str | None:
        """The element that says how it ended; None for a pass. What blocks for certain outweighs what is undecided."""
        if any(reason.rule is not Rule.UNDECIDED for reason in self.blocking):
            return "failure"
        if self.blocking or self.evidence is None or isinstance(self.evidence.outcome, NotDecided):
            return "error"
        return None if isinstance(self.evidence.outcome, Built) else "skipped"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Suite:
    """The cases of one commit; without one, of the change as a whole."""

    commit: Commit | None
    cases: list[_Case]

    def count(self, kind: str) -> int:
        return sum(case.kind == kind for case in self.cases)


def render_junit(judgement: Judgement) -> str:
    """
    Render the results as JUnit XML.

    Returns:
        An XML 1.0 document, ended by a line feed. Times in seconds are those that builds took, whenever they ran. Holds
        no character that XML forbids, and none that moves a cursor or hides.
    """
    return _Document(put_in_order(judgement)).render()


class _Document:
    """One report on its way to XML."""

    def __init__(self, judgement: Judgement) -> None:
        self._judgement = judgement
        self._commits = commits_by_id(judgement.change)

    def render(self) -> str:
        """Give the text."""
        suites = self._make_suites()
        cases = [case for suite in suites for case in suite.cases]
        root = Element("testsuites", {"name": _shown(f"gatekeep {self._judgement.matrix.tree}")} | _sums(cases))
        for suite in suites:
            self._add_suite(root, suite)
        ElementTree.indent(root)
        return f'<?xml version="1.0" encoding="UTF-8"?>\n{ElementTree.tostring(root, encoding="unicode")}\n'

    def _make_suites(self) -> list[_Suite]:
        """Make a case of every build, and hand each reason to the cases that it is about."""
        verdict = self._judgement.verdict
        builds = self._sort_builds()
        order = {commit_id: index for index, commit_id in enumerate(builds)}
        rest: list[_Case] = []
        for reason in (*verdict.reasons, *verdict.waived, *verdict.approved, *verdict.notices):
            about = [
                case
                for commit_id, cases in builds.items()
                for case in cases
                if case.name in reason.targets and _is_about(reason, case, commit_id, order)
            ]
            if not about and reason.blocks:
                whom = reason.whom.rstrip().removesuffix(",")
                about = [_Case(name=whom or reason.rule.value, group=reason.rule.value)]
                rest += about
            for case in about:
                case.reasons.append(reason)
        suites = [_Suite(commit=self._commits.get(commit_id), cases=cases) for commit_id, cases in builds.items()]
        if (
            verdict.decision is not Decision.PASS
            and not rest
            and not any(suite.count("failure") + suite.count("error") for suite in suites)
        ):
            # Whatever else there is to be seen: what is not a pass is not shown as one.
            rest.append(_Case(name="verdict", group=verdict.decision.value))
        return [*suites, _Suite(commit=None, cases=rest)] if rest else suites

    def _sort_builds(self) -> Mapping[str, list[_Case]]:
        by_tree = commits_by_tree(self._judgement.change)
        builds: dict[str, list[_Case]] = {}
        for evidence in self._judgement.evidence:
            commit = by_tree.get(evidence.tree_id)
            case = _Case(name=evidence.target, group=evidence.target.split("/", 1)[0], evidence=evidence)
            builds.setdefault(commit.commit_id if commit is not None else evidence.commit_id, []).append(case)
        return builds

    def _add_suite(self, root: Element, suite: _Suite) -> None:
        commit = suite.commit
        name = "the change as a whole" if commit is None else f"{commit.short_id} {commit.subject}".strip()
        skipped = {"skipped": str(suite.count("skipped"))}
        element = SubElement(root, "testsuite", {"name": _shown(name)} | _sums(suite.cases) | skipped)
        properties = SubElement(element, "properties")
        for key, value in self._iter_properties(suite):
            SubElement(properties, "property", name=_shown(key), value=_shown(value))
        for case in suite.cases:
            self._add_case(element, case)

    def _iter_properties(self, suite: _Suite) -> Iterator[tuple[str, str]]:
        commit = suite.commit
        if commit is None:
            yield "verdict", say_verdict(self._judgement.verdict)
            return
        yield "commit", commit.commit_id
        yield "tree", commit.tree_id
        yield "author", commit.author_name
        if commit.commit_id == self._judgement.change.base.commit_id:
            yield "base", "what the change is compared with"
        for case in suite.cases:
            if case.evidence is not None and case.evidence.carried is not None:
                yield f"carried: {case.name}", f"from commit {case.evidence.carried.commit_id}"

    def _add_case(self, suite: Element, case: _Case) -> None:
        evidence = case.evidence
        element = SubElement(
            suite, "testcase", name=_shown(case.name), classname=_shown(case.group), time=_seconds([case])
        )
        if case.kind is not None:
            told = case.blocking or case.reasons
            kind = told[0].rule.value if told else _name_kind(evidence)
            message = self._say(told[0]) if told else _shown(_say_evidence(evidence))
            ending = SubElement(element, case.kind, type=kind, message=message)
            ending.text = "\n".join([line for reason in told for line in self._iter_lines(reason)] or [message])
        if evidence is not None:
            SubElement(element, "system-out").text = "\n".join(map(_shown, _iter_facts(evidence)))

    def _say(self, reason: Reason) -> str:
        spans = say_reason(reason, self._commits, self._judgement.change)
        return _shown("".join(span.text for span in spans))

    def _iter_lines(self, reason: Reason) -> Iterator[str]:
        yield self._say(reason)
        yield from map(_shown, reason.details)
        lines, left_out = choose_excerpt(reason, _EXCERPT_LINES)
        for line in lines:
            yield f"| {_shown(line.expandtabs(8))}"
        if left_out:
            yield f"| ({left_out} more)"


def _is_about(reason: Reason, case: _Case, commit_id: str, order: Mapping[str, int]) -> bool:
    """
    Whether a reason of the case's target speaks of its commit, or began before it and still holds.

    Where nothing was built at the commit that began it, as for a sweep, it began before all that was.
    """
    if reason.commit_id == commit_id:
        return True
    shows = _LASTING.get(reason.rule)
    if shows is None or case.evidence is None or not isinstance(case.evidence.outcome, shows):
        return False
    return order.get(reason.commit_id or "", -1) < order[commit_id]


def _name_kind(evidence: Evidence | None) -> str:
    return "verdict" if evidence is None else name_outcome(evidence.outcome).replace(" ", "-")


def _say_evidence(evidence: Evidence | None) -> str:
    if evidence is None:
        return "the verdict is not pass"
    return say_outcome(evidence.outcome) or name_outcome(evidence.outcome)


def _iter_facts(evidence: Evidence) -> Iterator[str]:
    yield name_outcome(evidence.outcome)
    if evidence.carried is not None:
        yield f"carried from commit {evidence.carried.commit_id}"
    elif evidence.reason:
        yield f"built because: {evidence.reason}"
    if evidence.footprint is not None:
        for use in evidence.footprint.regions:
            yield f"{use.name}: {use.used_bytes} of {use.capacity_bytes} bytes"
    yield f"warnings: {len(evidence.warnings)}"
    if evidence.log_path is not None:
        yield f"log: {evidence.log_path}"


def _sums(cases: list[_Case]) -> dict[str, str]:
    return {
        "tests": str(len(cases)),
        "failures": str(sum(case.kind == "failure" for case in cases)),
        "errors": str(sum(case.kind == "error" for case in cases)),
        "time": _seconds(cases),
    }


def _seconds(cases: list[_Case]) -> str:
    # Summed in whole milliseconds, so that a suite's time is exactly that of its cases.
    milliseconds = sum(round(case.evidence.elapsed_s * 1000) for case in cases if case.evidence is not None)
    return f"{milliseconds // 1000}.{milliseconds % 1000:03}"


def _shown(text: str) -> str:
    # Nothing that XML 1.0 forbids is left in plain text; the writer escapes markup.
    return shorten(plain(text), _LINE_CELLS)
