"""
Gate the demonstration's proposals one by one, through the command line, and hold each verdict against what is expected.

Called by ci/demo with the folder in which the repository is made. Exit code 0 when every verdict is the expected one.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

from gatekeep.cli.demo import Proposal, load_scenario, locate_scenario

_EXIT_CODES = {"pass": 0, "block": 1}


def main() -> int:
    """Make the demonstration in the folder that the command line names, and gate it."""
    folder = Path(sys.argv[1])
    gatekeep = [sys.executable, "-m", "gatekeep"]
    subprocess.run([*gatekeep, "demo", str(folder)], check=True)
    proposals = load_scenario(locate_scenario()).proposals
    started = time.monotonic()
    surprises: list[str] = []
    table: list[tuple[str, str, str]] = []
    for number, proposal in enumerate(proposals, start=1):
        print(f"\n{'=' * 100}\n{number} of {len(proposals)}: {proposal.title}\n", flush=True)
        report_file = folder / ".git" / "report.json"
        command = [*gatekeep, "gate", "main", proposal.branch, "--repository", str(folder), "--json", str(report_file)]
        exit_code = subprocess.run(command, check=False).returncode
        if exit_code not in _EXIT_CODES.values():
            print(f"ci/demo: gatekeep ended with exit code {exit_code}", file=sys.stderr)
            return exit_code
        report = json.loads(report_file.read_text())
        found = compare(proposal, exit_code, report)
        surprises += found
        table.append((report["verdict"], proposal.title, "not as expected" if found else ""))
    print(f"\n{'=' * 100}\nall proposals, in {time.monotonic() - started:.0f} s:\n")
    for verdict, title, remark in table:
        print(f"  {verdict:<6} {title}{'   <- ' + remark if remark else ''}")
    for surprise in surprises:
        print(f"ci/demo: {surprise}", file=sys.stderr)
    if not surprises:
        print("\nEvery verdict is as expected. A pass says that images build and fit, not that they are safe to flash.")
        print(f"Look around: cd {folder} && git log --all --oneline --graph")
    return 1 if surprises else 0


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
        missed = [name for name in names if not any(fnmatchcase(name, pattern) for pattern in wanted.targets)]
        unmet = [pattern for pattern in wanted.targets if not any(fnmatchcase(name, pattern) for name in names)]
        if not fitting or missed or unmet:
            differences.append(
                f"{proposal.name}: {wanted.rule.value} for {', '.join(wanted.targets) or 'no target'} expected, "
                f"got {', '.join(names) or 'none'}"
            )
    if extra := rules - {wanted.rule.value for wanted in expect.reasons}:
        differences.append(f"{proposal.name}: unexpected reasons: {', '.join(sorted(extra))}")
    return differences


if __name__ == "__main__":
    sys.exit(main())
