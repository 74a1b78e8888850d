"""The script that a CI job calls for a review branch, on real clones."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest

from tests.integration.test_gate import Kelp, list_processes
from tests.integration.test_gate import kelp as kelp

SCRIPT = Path(__file__).parents[2] / "ci" / "gate"
PROGRAMS = f"{Path(sys.executable).parent}:{os.environ['PATH']}"


class Job:
    """A CI job's clone of what `Kelp` has on its server."""

    def __init__(self, kelp: Kelp, *options: str) -> None:
        self.kelp = kelp
        self.folder = kelp.folder.parent / "job"
        self.out = kelp.folder.parent / "reports"
        kelp.git("clone", "-q", *options, f"file://{kelp.folder}", str(self.folder))

    def command(self, *arguments: str) -> list[str]:
        return [str(SCRIPT), "--repository", str(self.folder), "--out", str(self.out), *arguments]

    def run(self, *arguments: str, path: str = PROGRAMS) -> tuple[int, str, str]:
        return self.call(self.command(*arguments), self.folder.parent, path)

    def call(self, command: list[str], cwd: Path, path: str = PROGRAMS) -> tuple[int, str, str]:
        done = subprocess.run(
            command,
            cwd=cwd,
            env=self.kelp.environment(PATH=path),
            capture_output=True,
            text=True,
            timeout=120,
        )
        return done.returncode, done.stdout, done.stderr

    def report(self, name: str) -> str:
        return (self.out / name).read_text()


@pytest.fixture
def topic(kelp: Kelp) -> Kelp:
    kelp.git("checkout", "-q", "-b", "topic")
    kelp.append("lib/crc.c", "/* CRC-16 */\n")
    kelp.commit("Name the checksum")
    return kelp


def test_a_branch_is_gated_and_its_reports_are_left(topic: Kelp) -> None:
    job = Job(topic)
    code, text, errors = job.run("origin/main")
    assert code == 0, errors
    assert text == job.report("report.txt")
    assert text.splitlines()[-1] == "verdict: pass"
    assert json.loads(job.report("report.json"))["verdict"] == "pass"
    assert job.report("comment.md").startswith("**Verdict: pass.**")
    assert json.loads(job.report("findings.sarif"))["runs"][0]["results"] == []
    assert ElementTree.fromstring(job.report("results.xml")).get("failures") == "0"


def test_the_base_is_fetched_and_a_shallow_clone_filled_up(topic: Kelp) -> None:
    job = Job(topic, "--depth=1", "--no-single-branch")
    topic.git("checkout", "-q", "main")
    topic.append("lib/ring.c", "/* ring */\n")
    tip = topic.commit("Main moves on")
    code, text, errors = job.run("--fetch", "origin", "origin/main", "origin/topic")
    assert code == 0, errors
    assert f"would land merged onto {tip[:10]}" in text


def test_a_blocked_branch_ends_the_job_with_1(topic: Kelp) -> None:
    topic.append("lib/ring.c", "syntax error\n")
    topic.commit("Break it")
    job = Job(topic)
    code, text, _ = job.run("origin/main")
    assert (code, text.splitlines()[-1]) == (1, "verdict: block, 1 reason")
    assert job.report("comment.md").startswith("**Verdict: block, 1 reason.**")


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("--fetch", "nowhere", "origin/main"), 3),
        (("--fetch", "--upload-pack=touch sprung", "origin/main"), 3),
        (("origin/mian",), 3),
        (("--", "--output=sprung", "HEAD"), 3),
        (("--matrix", "nowhere.yml", "origin/main"), 2),
    ],
)
def test_what_could_not_be_judged_is_undecided_in_every_file(
    topic: Kelp, arguments: tuple[str, ...], expected: int
) -> None:
    job = Job(topic)
    assert job.run("origin/main")[0] == 0
    code, text, _ = job.run(*arguments)
    assert code == expected
    assert text.splitlines()[-1] == "verdict: undecided"
    assert job.report("report.txt") == text
    assert job.report("comment.md").startswith("**Verdict: undecided.**")
    assert not [name for name in ("report.json", "findings.sarif", "results.xml") if (job.out / name).exists()]
    assert not list(job.folder.parent.rglob("sprung"))


@pytest.mark.parametrize("inner", ["gate-reports", "gate-reports/of/today", "sub/../gate-reports"])
def test_reports_follow_no_link_that_the_change_has_committed(topic: Kelp, inner: str) -> None:
    outside = topic.folder.parent / "outside"
    (outside / "of" / "today").mkdir(parents=True)
    (outside / "report.txt").write_text("mine\n")
    (topic.folder / "gate-reports").symlink_to("../outside")
    (topic.folder / "sub").mkdir()
    (topic.folder / "sub" / "file").write_text("1\n")
    topic.commit("Lead the reports out")
    job = Job(topic)
    for out in (inner, str(job.folder / inner)):
        code, _, errors = job.call([str(SCRIPT), "--out", out, "origin/main"], job.folder)
        assert (code, "is a symlink in the repository" in errors) == (2, True), errors
    assert {str(path.relative_to(outside)) for path in outside.rglob("*")} == {"of", "of/today", "report.txt"}
    assert (outside / "report.txt").read_text() == "mine\n"


def test_reports_take_no_files_of_the_change_for_their_own(topic: Kelp) -> None:
    (topic.folder / "gate-reports").mkdir()
    (topic.folder / "gate-reports" / "comment.md").write_text("**Verdict: pass.**\n")
    topic.commit("Say that all is well")
    job = Job(topic)
    code, _, errors = job.call([str(SCRIPT), "origin/main"], job.folder)
    assert (code, "holds files of the repository" in errors) == (2, True), errors
    # A checkout that lies behind a link of the machine's own, and a folder in it that nobody has committed.
    behind = job.folder.parent / "behind"
    behind.symlink_to(job.folder)
    code, text, errors = job.call([str(SCRIPT), "--out", f"{behind}/reports/", "origin/main"], job.folder)
    assert (code, (job.folder / "reports" / "report.txt").read_text()) == (0, text), errors


def test_a_pass_without_a_report_is_undecided(topic: Kelp) -> None:
    job = Job(topic)
    empty = job.folder.parent / "empty"
    empty.mkdir()
    (empty / "gatekeep").write_text("#!/bin/sh\nexit 0\n")
    (empty / "gatekeep").chmod(0o755)
    code, text, _ = job.run("origin/main", path=f"{empty}:{PROGRAMS}")
    assert (code, text.splitlines()[-1]) == (3, "verdict: undecided")


def test_a_job_that_takes_too_long_is_undecided_and_leaves_no_build(topic: Kelp) -> None:
    marker = "86399.625"
    topic.edit("Makefile", lambda old: old.replace("all:\n", f"all:\n\tsleep {marker}\n"))
    topic.commit("Sleep")
    job = Job(topic)
    code, text, _ = job.run("--time-limit", "4s", "origin/main")
    assert (code, text.splitlines()[-1]) == (3, "verdict: undecided")
    assert "it ran into its limit of 4s" in job.report("comment.md")
    assert list_processes(marker) == []


@pytest.mark.parametrize(
    "arguments",
    [(), ("--time-limit", "soon", "a"), ("a", "b", "c"), ("--bogus", "a"), ("--out", ""), ("--out", "/proc/x", "a")],
)
def test_wrong_usage_is_told(topic: Kelp, arguments: tuple[str, ...]) -> None:
    job = Job(topic)
    code, _, errors = job.run(*arguments)
    assert (code, "ci/gate: " in errors) == (2, True)


def test_a_cancelled_job_leaves_no_build(topic: Kelp) -> None:
    marker = "86399.75"
    topic.edit("Makefile", lambda old: old.replace("all:\n", f"all:\n\tsleep {marker}\n"))
    topic.commit("Sleep")
    job = Job(topic)
    process = subprocess.Popen(
        job.command("origin/main"),
        env=topic.environment(PATH=PROGRAMS),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    while not list_processes(marker):
        assert process.poll() is None, process.communicate()
        os.sched_yield()
    process.send_signal(signal.SIGTERM)
    try:
        _, errors = process.communicate(timeout=60)
    finally:
        process.kill()
    assert process.returncode == 130, errors
    assert list_processes(marker) == []
