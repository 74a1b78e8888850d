"""
The whole demonstration, through the command line: every gate, every sweep, the health site; each held against what is
expected.

    python ci/demonstrate.py DIR [--without-proposals]

Called by ci/demo. In DIR, new or empty, come skerry (the repository) and site (the pages). First the proposals are
gated one by one, then main's whole history. Then comes what a tree of this age has behind it: a sweep of every release,
oldest first, of main as it is now, and of each night of the branch on which proposals landed without a gate. Only the
newest release of main is not swept apart, for main ends with it. Exit code 0 when everything is as expected, 1 when
anything differs, and gatekeep's own when it could not judge.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import time
from collections.abc import Collection, Iterable
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

from gatekeep.cli.demo_scenario import (
    ExpectedNews,
    Proposal,
    Scenario,
    list_patches,
    load_scenario,
    locate_scenario,
)

_EXIT_CODES = {"pass": 0, "block": 1}
_GATEKEEP = [sys.executable, "-m", "gatekeep"]
_RULE = "=" * 100


class Demonstration:
    """What has been shown so far: `surprises` are what was not as expected, `table` a line for each step."""

    def __init__(self, folder: Path, scenario: Scenario, source: Path) -> None:
        self.repository, self.site = folder / "skerry", folder / "site"
        self.surprises: list[str] = []
        self.table: list[tuple[str, str, str]] = []
        self._scenario, self._source = scenario, source
        self._swept: str | None = None

    def make(self) -> None:
        """Make the repository."""
        self._run("demo", str(self.repository))

    def gate_proposals(self) -> None:
        """Gate what is proposed, one by one."""
        proposals = self._scenario.proposals
        for number, proposal in enumerate(proposals, start=1):
            _announce(f"{number} of {len(proposals)}: {proposal.title}")
            exit_code, report = self._judge("gate", "main", proposal.branch)
            self._note(report, proposal.title, compare(proposal, exit_code, report))

    def gate_main(self) -> None:
        """Gate every commit of main: all of them landed well, and few targets are reached by most."""
        commits = len(self._scenario.main.commits)
        title = f"The whole history of main, {commits} commits"
        _announce(title)
        exit_code, report = self._judge("gate", f"main~{commits - 1}", "main")
        self._note(report, title, compare_news(exit_code, report, None))

    def sweep_main(self) -> None:
        """Sweep every release and main itself, as their nights would have: each is compared with the one before."""
        for commit in self._scenario.main.commits[:-1]:
            if commit.tag is not None:
                self._sweep(f"A sweep of the release {commit.tag}", commit.tag, None)
        self._sweep("A sweep of main: every target clean, and what was carried held against it", "main", None)

    def sweep_nights(self) -> None:
        """Sweep what landed without a gate, night after night."""
        nightly = self._scenario.nightly
        left = sum(self._count_commits(night.lands) for night in nightly.nights)
        for number, night in enumerate(nightly.nights, start=1):
            left -= self._count_commits(night.lands)
            title = f"A sweep of {nightly.branch}, night {number} of {len(nightly.nights)}: {night.title}"
            self._sweep(title, f"{nightly.branch}~{left}", night.expect)

    def _count_commits(self, names: Iterable[str]) -> int:
        return sum(len(list_patches(self._source, name)) for name in names)

    def _sweep(self, title: str, revision: str, expected: ExpectedNews | None) -> None:
        _announce(title)
        exit_code, report = self._judge("sweep", revision)
        surprises = compare_news(exit_code, report, expected)
        compared = report["compared_with"]["id"] if report["compared_with"] else None
        if compared != self._swept:
            surprises.append(f"compared with {compared}; with {self._swept}, swept before it, expected")
        self._swept = report["commit"]["id"]
        self._note(report, title, [f"sweep of {revision}: {surprise}" for surprise in surprises])

    def render_site(self) -> None:
        """Write the health site of what landed without a gate."""
        _announce("The health site")
        branch = self._scenario.nightly.branch
        self._run("health", "--branch", branch, "--out", str(self.site), "--repository", str(self.repository))

    def _judge(self, *arguments: str) -> tuple[int, dict[str, Any]]:
        """Run a command that judges; give its exit code and report."""
        report_file = self.repository / ".git" / "report.json"
        named = ("--repository", str(self.repository), "--json", str(report_file))
        exit_code = self._run(*arguments, *named, allowed=_EXIT_CODES.values())
        return exit_code, json.loads(report_file.read_text())

    def _run(self, *arguments: str, allowed: Collection[int] = (0,)) -> int:
        """Run a command and give its exit code; one that is not allowed is ours, and ends everything."""
        exit_code = subprocess.run([*_GATEKEEP, *arguments], check=False).returncode
        if exit_code not in allowed:
            print(f"ci/demo: gatekeep {arguments[0]} ended with exit code {exit_code}", file=sys.stderr)
            raise SystemExit(exit_code)
        return exit_code

    def _note(self, report: dict[str, Any], title: str, surprises: list[str]) -> None:
        self.surprises += surprises
        self.table.append((report["verdict"], title, "not as expected" if surprises else ""))


def _announce(title: str) -> None:
    print(f"\n{_RULE}\n{title}\n", flush=True)


def compare(proposal: Proposal, exit_code: int, report: dict[str, Any]) -> list[str]:
    """Give what differs from the expectation, one sentence each; empty when nothing does."""
    expect = proposal.expect
    if report["verdict"] != expect.decision.value or exit_code != _EXIT_CODES[expect.decision.value]:
        return [
            f"{proposal.name}: verdict {report['verdict']}, exit code {exit_code}; {expect.decision.value} expected"
        ]
    rules = {reason["rule"] for reason in report["reasons"]}
    differences = []
    for wanted in expect.reasons:
        fitting = [reason for reason in report["reasons"] if reason["rule"] == wanted.rule.value]
        names = [name for reason in fitting for name in reason["targets"]]
        if not fitting or not _fits(names, wanted.targets):
            differences.append(
                f"{proposal.name}: {wanted.rule.value} for {', '.join(wanted.targets) or 'no target'} expected, "
                f"got {', '.join(names) or 'none'}"
            )
    if extra := rules - {wanted.rule.value for wanted in expect.reasons}:
        differences.append(f"{proposal.name}: unexpected reasons: {', '.join(sorted(extra))}")
    built = sorted(
        {
            result["target"]
            for result in report["results"]
            if result["carried_from"] is None and result["commit"] != report["change"]["base"]["id"]
        }
    )
    if expect.builds is not None and not _fits(built, expect.builds):
        wanted_builds = ", ".join(expect.builds) or "nothing"
        differences.append(f"{proposal.name}: {wanted_builds} to be built, built {', '.join(built) or 'nothing'}")
    return differences


def compare_news(exit_code: int, report: dict[str, Any], expected: ExpectedNews | None) -> list[str]:
    """Give what differs in the report of a gate or sweep that should pass, or of a sweep that should find something."""
    verdict = "block" if expected else "pass"
    if report["verdict"] != verdict or exit_code != _EXIT_CODES[verdict]:
        return [f"verdict {report['verdict']}, exit code {exit_code}; {verdict} expected"]
    if expected is None:
        return []
    found = report["new"]
    targets = [target for reason in found for target in reason["targets"]]
    culprits = {found["target"]: found["culprit"] for found in report["culprits"]}
    differences = []
    if {reason["rule"] for reason in found} != {"broken"} or not _fits(targets, expected.targets):
        differences.append(f"{', '.join(targets)} newly unwell; {', '.join(expected.targets)} expected")
    if not _fits(report["mended"], expected.mended):
        wanted = ", ".join(expected.mended) or "none"
        differences.append(f"{', '.join(report['mended']) or 'none'} mended; {wanted} expected")
    for target in targets:
        culprit = culprits.get(target)
        subject = culprit["subject"] if culprit else None
        if subject != expected.subject:
            differences.append(f"{target}: culprit {subject!r}, {expected.subject!r} expected")
    return differences


def _fits(names: list[str], patterns: tuple[str, ...]) -> bool:
    """Whether each name fits a pattern, and each pattern a name."""
    return all(any(fnmatchcase(name, pattern) for pattern in patterns) for name in names) and all(
        any(fnmatchcase(name, pattern) for name in names) for pattern in patterns
    )


def main() -> int:
    """Show everything in the folder that the command line names."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--without-proposals", action="store_true", help="only main's history, the nights and the site")
    options = parser.parse_args()
    started = time.monotonic()
    source = locate_scenario()
    shown = Demonstration(options.folder, load_scenario(source), source)
    shown.make()
    if not options.without_proposals:
        shown.gate_proposals()
    shown.gate_main()
    shown.sweep_main()
    shown.sweep_nights()
    shown.render_site()
    print(f"\n{_RULE}\nall of it, in {time.monotonic() - started:.0f} s:\n")
    for verdict, title, remark in shown.table:
        print(f"  {verdict:<6} {title}{'   <- ' + remark if remark else ''}")
    for surprise in shown.surprises:
        print(f"ci/demo: {surprise}", file=sys.stderr)
    if not shown.surprises:
        print("\nEvery verdict is as expected. A pass says that images build, fit and boot in an emulator, which is no")
        print("board; it does not say that they are safe to flash.")
    print(f"The site:    {shown.site / 'index.html'}    (open it in a browser)")
    print(f"Look around: cd {shown.repository} && git log --all --oneline --graph")
    return 1 if shown.surprises else 0


if __name__ == "__main__":
    sys.exit(main())
