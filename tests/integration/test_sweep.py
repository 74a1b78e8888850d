"""
Sweeps from the command line, on the tree of tests/data/kelp: real git, real GNU make, Debian's cross GCC.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import jsonschema
import pytest

from gatekeep.history.store import SqliteStore
from gatekeep.history.sweeps import begin_sweep, finish_sweep, list_sweeps, list_swept
from gatekeep.history.timeline import load_mainline, load_timeline
from gatekeep.model.history import SweepState, Turn
from tests.repos import Content, GitFolder, make_repository
from tests.set_clock import SetClock
from tests.site_cases import make_line

KELP = Path(__file__).parents[1] / "data" / "kelp"
REPORT = Path(__file__).parents[2] / "gatekeep" / "report"
BREAK = b"int depth(void) { return sounded; }\n"
#: For builds that wait for a file of the test's: a sandbox would not show it.
SHARED_FILES = ("--sandbox", "off")
WARN = b"int tide(void) { int unused; return 2; }\n"


def contents(files: dict[str, bytes]) -> dict[str | bytes, Content]:
    return {path: content for path, content in files.items()}  # noqa: C416 - another type of dictionary


class Kelp:
    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.repository: GitFolder = make_repository(folder / "kelp")
        self.files = {str(path.relative_to(KELP)): path.read_bytes() for path in KELP.rglob("*") if path.is_file()}
        self.base = self.repository.commit(contents(self.files), message="Import")
        self.store = folder / "store"

    def append(self, path: str, text: bytes, message: str) -> str:
        self.files[path] = self.files[path] + text
        return self.repository.commit({path: self.files[path]}, message=message)

    def command(self, name: str, *arguments: str) -> list[str]:
        return [sys.executable, "-m", "gatekeep", name, *arguments, "--store", str(self.store)]

    def start(
        self, name: str, *arguments: str, path: str = "", environment: Mapping[str, str] | None = None
    ) -> subprocess.Popen[str]:
        return subprocess.Popen(
            self.command(name, *arguments),
            cwd=self.repository.path,
            env={"PATH": path or os.environ["PATH"], "HOME": str(self.folder), **(environment or {})},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def run(self, name: str, *arguments: str, path: str = "") -> tuple[int, str, str]:
        process = self.start(name, *arguments, path=path)
        output, errors = process.communicate(timeout=120)
        return process.returncode, output, errors

    def sweep(self, *arguments: str, path: str = "") -> tuple[int, dict[str, Any], str]:
        """Give exit code, JSON and what stood on the terminal."""
        file = self.folder / "sweep.json"
        file.unlink(missing_ok=True)
        code, output, errors = self.run("sweep", "main", "--json", str(file), *arguments, path=path)
        if not file.exists():
            return code, {}, errors
        report = json.loads(file.read_text())
        jsonschema.validate(report, json.loads((REPORT / "sweep.schema.json").read_text()))
        return code, report, output


@pytest.fixture
def kelp(tmp_path: Path) -> Kelp:
    return Kelp(tmp_path)


def test_what_broke_between_two_sweeps_is_named_with_its_commit(kelp: Kelp) -> None:
    code, report, text = kelp.sweep()
    assert (code, report["sum"], report["compared_with"], report["new"]) == (0, "both targets are well", None, [])
    kelp.append("lib/ring.c", b"/* a ring holds one less */\n", "ring: Say how many it holds")
    warned = kelp.append("app/main.c", WARN, "main: Count the tide")
    culprit = kelp.append("lib/crc.c", BREAK, "crc: Sound the depth")
    line_count = kelp.files["lib/crc.c"].count(b"\n")
    head = kelp.append("lib/ring.c", b"/* and never two less */\n", "ring: Be exact")
    summary = kelp.folder / "mail.txt"
    findings, results = kelp.folder / "findings.sarif", kelp.folder / "results.xml"
    code, report, text = kelp.sweep("--summary", str(summary), "--sarif", str(findings), "--junit", str(results))
    assert (code, report["verdict"], report["sum"]) == (1, "block", "2 targets newly broken")
    (found,) = json.loads(findings.read_text())["runs"][0]["results"]
    assert (found["ruleId"], found["level"], found["properties"]["commit"]) == ("broken", "error", culprit)
    assert [case.find("failure") is not None for case in ElementTree.parse(results).iter("testcase")] == [True, True]
    assert [(one["rule"], one["culprit"], one["targets"], one["place"]) for one in report["new"]] == [
        ("broken", culprit, ["cortex-m/buoy", "riscv/float"], f"lib/crc.c:{line_count}")
    ]
    assert report["compared_with"]["id"] == kelp.base
    assert report["commits_between"] == 4
    assert f"since commit {culprit[:10]} (crc: Sound the depth)" in " ".join(text.split())
    lines = summary.read_text().splitlines()
    assert lines[0] == f"kelp {head[:10]}: 2 targets newly broken"
    assert lines[-1] == "sweep: 2 targets newly broken"
    # Whom the mail is for: who did it, and who cares for what it hit.
    said = " ".join(" ".join(lines).split())
    assert "by Isa Thorne <isa@skerry.example> cared for by Oda Brekke <oda@kelp.example> (cortex-m, riscv)" in said, (
        said
    )
    assert [(one["port"], one["email"]) for one in report["new"][0]["maintainers"]] == [
        ("cortex-m", "oda@kelp.example"),
        ("riscv", "oda@kelp.example"),
    ]
    # A path is left whole: one that is cut cannot be opened.
    assert max(len(line) for line in lines if str(kelp.store) not in line) <= 78

    code, report, text = kelp.sweep()
    assert (code, report["sum"], report["new"]) == (0, "nothing new; 2 as bad as before", [])
    assert [reason["targets"] for reason in report["as_before"]] == [["cortex-m/buoy", "riscv/float"]]

    kelp.files["lib/crc.c"] = kelp.files["lib/crc.c"].removesuffix(BREAK)
    kelp.repository.commit({"lib/crc.c": kelp.files["lib/crc.c"]}, message="crc: Leave the depth alone")
    code, report, text = kelp.sweep()
    assert (code, report["sum"]) == (0, "2 targets mended")
    kelp.append("app/main.c", WARN.replace(b"tide", b"ebb"), "main: Count the ebb")
    code, report, text = kelp.sweep()
    assert (code, report["sum"]) == (0, "1 target with new warnings")
    assert [(one["rule"], one["targets"]) for one in report["new"]] == [("new-warning", ["cortex-m/buoy"])]
    assert "(main: Count the ebb)" in " ".join(text.split())
    with SqliteStore(kelp.store / "evidence.db") as store:
        sweeps = list_sweeps(store)
        assert [[(turn.target, turn.turn, turn.culprit_commit_id) for turn in sweep.turns] for sweep in sweeps] == [
            [],
            [("cortex-m/buoy", Turn.BROKE, culprit), ("riscv/float", Turn.BROKE, culprit)],
            [],
            [(name, Turn.MENDED, None) for name in ("cortex-m/buoy", "riscv/float")],
            [("cortex-m/buoy", Turn.WARNED, kelp.repository.ask("rev-parse", "main"))],
        ]
        assert [commit.commit_id for commit in load_mainline(store)][:3:2] == [kelp.base, warned]
        outcomes = [point.outcome for point in load_timeline(store, "riscv/float", load_mainline(store))]
        assert (outcomes[0], outcomes[-1]) == ("built", "built")
        assert "broken" in outcomes


def test_each_new_warning_is_named_with_its_own_commit(kelp: Kelp) -> None:
    kelp.sweep()
    tide = kelp.append("app/main.c", WARN, "main: Count the tide")
    kelp.append("lib/ring.c", b"/* a ring holds one less */\n", "ring: Say how many it holds")
    depth = kelp.append("lib/crc.c", WARN.replace(b"tide", b"sounding"), "crc: Sound the depth")
    code, report, text = kelp.sweep()
    assert (code, report["sum"]) == (0, "2 targets with new warnings"), text
    found = {reason["place"].partition(":")[0]: (reason["culprit"], reason["targets"]) for reason in report["new"]}
    # One target stands for all that read the line.
    assert found == {
        "app/main.c": (tide, ["cortex-m/buoy"]),
        "lib/crc.c": (depth, ["cortex-m/buoy", "riscv/float"]),
    }
    site = kelp.folder / "site"
    assert kelp.run("health", "--out", str(site), "--branch", "main")[0] == 0
    facts = json.loads((site / "facts.json").read_text())
    jsonschema.validate(facts, json.loads((REPORT / "facts.schema.json").read_text()))
    told = {one["targets"][0]: (one["commit"], one["proved"], one["message"]) for one in facts["new_warnings"]}
    assert set(told) == {"cortex-m/buoy", "riscv/float"}
    assert told["riscv/float"][:2] == (depth, True)
    assert told["riscv/float"][2].startswith("unused variable 'unused' [-Wunused-variable] at lib/crc.c:")
    # A target is told once a night, with the first of its new warnings.
    assert told["cortex-m/buoy"][0] in (tide, depth)
    assert told["cortex-m/buoy"][2].endswith(", and 1 more")
    assert "New warnings" in (site / "index.html").read_text()
    page = site / facts["ports"][0]["targets"][0]["feed"]
    assert "cortex-m/buoy: warned" in page.read_text()


def hide_programs(prefix: str, path: str, folder: Path) -> str:
    """Give a PATH that has all of another but the programs of a prefix."""
    folder.mkdir()
    for place in map(Path, path.split(os.pathsep)):
        for program in place.glob("*") if place.is_dir() else []:
            if not program.name.startswith(prefix) and not (folder / program.name).exists():
                (folder / program.name).symlink_to(program)
    return str(folder)


def test_a_sweep_that_lacks_a_compiler_is_undecided_and_goes_on_when_it_is_there(kelp: Kelp) -> None:
    tools = hide_programs("riscv64-", os.environ["PATH"], kelp.folder / "bin")
    code, report, _ = kelp.sweep(path=tools)
    assert (code, report["verdict"], report["sum"], report["complete"]) == (
        3,
        "undecided",
        "1 of 2 targets undecided, nothing new in the others",
        False,
    )
    # PATH is part of what a build depends on, so the other target is built again too; the sweep is the same.
    code, report, _ = kelp.sweep()
    assert (code, report["sum"], report["sweep"], report["complete"]) == (0, "both targets are well", 1, True)


def test_the_site_claims_no_clean_build_that_a_sweep_has_not_made(kelp: Kelp, tmp_path: Path) -> None:
    def show() -> tuple[dict[str, Any], dict[str, Any], str]:
        site = tmp_path / "site"
        assert kelp.run("health", "--out", str(site), "--branch", "main")[0] == 0
        facts = json.loads((site / "facts.json").read_text())
        jsonschema.validate(facts, json.loads((REPORT / "facts.schema.json").read_text()))
        clean = {one["name"]: one["clean_build"] for port in facts["ports"] for one in port["targets"]}
        return facts["last_sweep"], clean, " ".join((site / "index.html").read_text().split())

    kelp.sweep()
    last, clean, _ = show()
    assert (last["state"], last["undecided"]) == ("finished", [])
    assert [(one["commit"], one["outcome"]) for one in clean.values()] == [(kelp.base, "built")] * 2
    first = clean["riscv/float"]["built_at"]
    head = kelp.append("lib/crc.c", BREAK, "crc: Sound the depth")
    tools = hide_programs("riscv64-", os.environ["PATH"], kelp.folder / "bin")
    assert kelp.sweep(path=tools)[0] == 1
    last, clean, front = show()
    assert (last["commit"], last["state"], last["undecided"]) == (head, "undecided", ["riscv/float"])
    assert (clean["cortex-m/buoy"]["commit"], clean["cortex-m/buoy"]["outcome"]) == (head, "broken")
    assert clean["riscv/float"] == {"commit": kelp.base, "built_at": first, "outcome": "built"}
    assert "The last sweep built 1 of 2 targets clean at" in front
    assert "has no clean build of 1 of 2 targets: because of the machine it is undecided" in front
    kelp.sweep()
    last, clean, front = show()
    assert (last["state"], last["undecided"]) == ("finished", [])
    assert [(one["commit"], one["outcome"]) for one in clean.values()] == [(head, "broken")] * 2
    assert "The last sweep built every target clean at" in front


def wait_for_first_build(process: subprocess.Popen[str]) -> None:
    wait_for_line(process, "1 of ")


def wait_for_line(process: subprocess.Popen[str], beginning: str) -> None:
    assert process.stderr is not None
    for line in process.stderr:
        if line.startswith(beginning):
            return
    pytest.fail(f"the sweep ended and said nothing that begins with '{beginning}'")


def hold_the_second_build(kelp: Kelp) -> Path:
    """Commit that the second build waits until a file is there, which is given, for longer than any test needs."""
    gate = kelp.folder / "go"
    # Both targets read lib/Makefile once.
    look = f"for look in $$(seq 1200); do test -e {gate} && break; sleep 0.05; done"
    wait = f"$(shell test ! -e {gate}.first || {{ {look}; }}; touch {gate}.first)\n"
    kelp.repository.commit({"lib/Makefile": wait.encode() + kelp.files["lib/Makefile"]}, message="Wait")
    return gate


@pytest.mark.parametrize("by", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_a_stopped_sweep_goes_on_and_builds_nothing_twice(kelp: Kelp, by: signal.Signals) -> None:
    gate = hold_the_second_build(kelp)
    process = kelp.start("sweep", "main", "--workers", "1", *SHARED_FILES)
    wait_for_first_build(process)
    process.send_signal(by)
    _, errors = process.communicate(timeout=60)
    assert process.returncode == (-signal.SIGKILL if by is signal.SIGKILL else 130), errors
    with SqliteStore(kelp.store / "evidence.db") as store:
        (stopped,) = list_sweeps(store)
        assert stopped.state is SweepState.RUNNING
        first = list_swept(store, stopped.sweep_id)
        assert len(first) == 1
    gate.touch()
    code, report, text = kelp.sweep(*SHARED_FILES)
    assert code == 0, text
    assert (report["sweep"], report["built"], report["built_before"]) == (stopped.sweep_id, 1, 1)
    assert "1 built now, 1 in an earlier run of this sweep" in text
    with SqliteStore(kelp.store / "evidence.db") as store:
        assert [sweep.state for sweep in list_sweeps(store)] == [SweepState.FINISHED]
        assert first[0] in list_swept(store, stopped.sweep_id)


def test_of_two_sweeps_at_once_of_one_commit_the_second_waits_and_says_the_same(kelp: Kelp) -> None:
    kelp.sweep()
    kelp.append("lib/crc.c", BREAK, "crc: Sound the depth")
    gate = hold_the_second_build(kelp)
    files = [kelp.folder / name for name in ("first.json", "second.json")]
    first = kelp.start("sweep", "main", "--workers", "1", "--json", str(files[0]), *SHARED_FILES)
    # What fails is built twice before it is told, and so waits at its second build.
    wait_for_line(first, "2 to build")
    second = kelp.start("sweep", "main", "--workers", "1", "--json", str(files[1]), *SHARED_FILES)
    assert second.stderr is not None
    head = kelp.repository.ask("rev-parse", "main")
    assert second.stderr.readline() == f"another process sweeps commit {head[:10]}: waiting for its builds\n"
    gate.touch()
    outputs = [process.communicate(timeout=120) for process in (first, second)]
    assert [process.returncode for process in (first, second)] == [1, 1], outputs
    one, other = (json.loads(file.read_text()) for file in files)
    assert (other["built"], other["built_before"]) == (0, 2)
    same = ("sweep", "commit", "compared_with", "verdict", "sum", "new", "as_before", "mended")
    assert {name: one[name] for name in same} == {name: other[name] for name in same}
    assert one["sum"] == "2 targets newly broken"
    with SqliteStore(kelp.store / "evidence.db") as store:
        assert [sweep.state for sweep in list_sweeps(store)] == [SweepState.FINISHED] * 2


def test_a_sweep_that_waits_goes_on_with_what_the_first_has_left_when_that_is_killed(kelp: Kelp) -> None:
    gate = hold_the_second_build(kelp)
    first = kelp.start("sweep", "main", "--workers", "1", *SHARED_FILES)
    wait_for_first_build(first)
    file = kelp.folder / "second.json"
    second = kelp.start("sweep", "main", "--workers", "1", "--json", str(file), *SHARED_FILES)
    assert second.stderr is not None
    assert "waiting" in second.stderr.readline()
    gate.touch()
    first.kill()
    first.communicate(timeout=60)
    _, errors = second.communicate(timeout=120)
    assert second.returncode == 0, errors
    report = json.loads(file.read_text())
    assert (report["sweep"], report["sum"]) == (1, "both targets are well")
    # The second build had begun when the first process was killed; it may have ended before.
    assert (report["built"], report["built_before"]) in [(1, 1), (0, 2)]


def test_sweeps_of_several_commits_at_once_on_one_store_are_all_right(kelp: Kelp) -> None:
    kelp.append("lib/crc.c", BREAK, "crc: Sound the depth")
    revisions = ["main", "main", "main~1"]
    processes = [kelp.start("sweep", revision, "--workers", "1") for revision in revisions]
    outputs = [process.communicate(timeout=120) for process in processes]
    assert [process.returncode for process in processes] == [1, 1, 0], outputs
    with SqliteStore(kelp.store / "evidence.db") as store:
        sweeps = list_sweeps(store)
        assert len(sweeps) == 2
        assert {sweep.state for sweep in sweeps} == {SweepState.FINISHED}
        assert all(len(list_swept(store, sweep.sweep_id)) == 2 for sweep in sweeps)
        assert len(load_mainline(store)) == 2
    assert sqlite3.connect(kelp.store / "evidence.db").execute("PRAGMA integrity_check").fetchone() == ("ok",)


def carry_wrongly(kelp: Kelp) -> None:
    """Gate a change that reaches one of the targets unseen."""
    # The size of a file, asked for by a name no word of which stands anywhere (../wreck.txt), is read unseen.
    hidden = (
        b"size := $(shell python3 -c 'import os;print(os.stat(bytes.fromhex(\"2e2e2f777265636b2e747874\")).st_size)')\n"
    )
    kelp.files["app/Makefile"] = hidden + kelp.files["app/Makefile"].replace(b"-Wall", b"-DPLACE=$(size) -Wall")
    kelp.files["app/main.c"] += b"__attribute__((used)) const int place = PLACE;\n"
    changed = {name: kelp.files[name] for name in ("app/Makefile", "app/main.c")}
    base = kelp.repository.commit(contents({**changed, "wreck.txt": b"one\n"}), message="Know the size of a note")
    kelp.repository.commit({"wreck.txt": b"three\n"}, message="Write a longer note")
    code, text, errors = kelp.run("gate", base, "main", *SHARED_FILES)
    assert (code, "2 carried" in text) == (0, True), (text, errors)


def test_what_was_carried_wrongly_stays_said_when_a_sweep_goes_on(kelp: Kelp) -> None:
    gate = hold_the_second_build(kelp)
    gate.touch()
    carry_wrongly(kelp)
    gate.unlink()
    Path(f"{gate}.first").unlink()
    files = [kelp.folder / name for name in ("first.json", "second.json")]
    options = ("main", "--workers", "1", *SHARED_FILES, "--json")
    first = kelp.start("sweep", *options, str(files[0]))
    wait_for_first_build(first)
    second = kelp.start("sweep", *options, str(files[1]))
    assert second.stderr is not None
    assert "waiting" in second.stderr.readline()
    gate.touch()
    outputs = [process.communicate(timeout=120) for process in (first, second)]
    assert [process.returncode for process in (first, second)] == [3, 3], outputs
    one, other = (json.loads(file.read_text()) for file in files)
    assert (other["built"], other["built_before"]) == (0, 2)
    wrong = [[entry for entry in report["audit"] if entry["standing"] == "mismatch"] for report in (one, other)]
    assert wrong[0] == wrong[1] != []
    assert one["sum"] == other["sum"] == "nothing new; 1 result carried wrongly before"


def test_what_was_carried_wrongly_stays_said_when_the_clock_was_set_back_meanwhile(kelp: Kelp) -> None:
    gate = hold_the_second_build(kelp)
    gate.touch()
    carry_wrongly(kelp)
    gate.unlink()
    Path(f"{gate}.first").unlink()
    clock = SetClock(kelp.folder)
    clock.set_ahead(86400)
    # Its report has no place, so that the sweep has not ended; and the bar is older than its beginning.
    nowhere = ("--json", str(kelp.folder / "nowhere" / "sweep.json"))
    options = ("main", "--workers", "1", *SHARED_FILES)
    first = kelp.start("sweep", *options, *nowhere, environment=clock.environment)
    wait_for_first_build(first)
    clock.set_ahead(0)
    gate.touch()
    _, errors = first.communicate(timeout=120)
    assert first.returncode == 2, errors
    code, report, text = kelp.sweep(*SHARED_FILES)
    assert (code, report["sweep"], report["built_before"]) == (3, 1, 2), text
    assert report["sum"] == "nothing new; 1 result carried wrongly before"


def test_what_a_gate_carried_wrongly_is_found_and_barred(kelp: Kelp) -> None:
    carry_wrongly(kelp)
    code, report, text = kelp.sweep(*SHARED_FILES)
    assert {result["target"]: result["standing"] for result in report["audit"]} == {
        "cortex-m/buoy": "mismatch",
        "riscv/float": "equal",
    }
    assert (code, report["verdict"], report["sum"]) == (3, "undecided", "nothing new; 1 result carried wrongly before")
    assert "what was carried differs from a clean build" in " ".join(text.split())
    assert "cortex-m/buoy: barred" in kelp.run("audit", "--barred")[1]
    site = kelp.folder / "site"
    show = ("health", "--out", str(site), "--branch", "main")
    assert kelp.run(*show)[0] == 0
    assert "carried wrongly" in (site / "index.html").read_text()
    told = {
        one["name"]: [bar["what"] for bar in one["carried_wrongly"]]
        for port in json.loads((site / "facts.json").read_text())["ports"]
        for one in port["targets"]
    }
    assert told["riscv/float"] == []
    (what,) = told["cortex-m/buoy"]
    assert what in kelp.run("audit", "--barred")[1]
    assert kelp.run("audit", "--clear", "cortex-m/buoy")[0] == 0
    assert kelp.run(*show)[0] == 0
    assert "carried wrongly" not in (site / "index.html").read_text()


def test_what_could_not_be_told_is_told_by_the_next_sweep_as_new(kelp: Kelp) -> None:
    """A sweep has ended when it is told: else what it found new would be as before, and never heard of."""
    kelp.sweep()
    culprit = kelp.append("lib/crc.c", BREAK, "crc: Sound the depth")
    code, _, errors = kelp.run("sweep", "main", "--json", str(kelp.folder / "nowhere" / "sweep.json"))
    assert (code, "sweep.json" in errors) == (2, True), errors
    code, report, text = kelp.sweep()
    assert (code, report["sum"], report["sweep"]) == (1, "2 targets newly broken", 2), text
    assert [one["culprit"] for one in report["new"]] == [culprit]
    assert (report["built"], report["built_before"]) == (0, 2)
    code, report, _ = kelp.sweep()
    assert (code, report["sum"], report["sweep"]) == (0, "nothing new; 2 as bad as before", 3)


def test_another_beginning_is_compared_with_nothing(kelp: Kelp) -> None:
    kelp.sweep()
    files = {**kelp.files, "lib/crc.c": kelp.files["lib/crc.c"] + BREAK}
    kelp.repository.commit(contents(files), message="Another beginning", parents=[])
    code, report, text = kelp.sweep()
    assert (code, report["compared_with"]) == (1, None)
    assert {one["culprit"] for one in report["new"]} == {None}
    said = " ".join(text.split())
    assert (
        f"the last sweep, of commit {kelp.base[:10]}, and all before it were of commits that this one does not" in said
    )
    # The branch is recorded as it is now.
    code, report, _ = kelp.sweep()
    assert (code, report["remarks"], report["sum"]) == (0, [], "nothing new; 2 as bad as before")


def test_what_was_swept_on_another_branch_says_nothing_of_this_one(kelp: Kelp) -> None:
    kelp.sweep()
    files = {"lib/crc.c": kelp.files["lib/crc.c"] + BREAK}
    kelp.repository.commit(contents(files), message="crc: Try something", branch="topic", parents=[kelp.base])
    assert kelp.run("sweep", "topic")[0] == 1
    kelp.append("lib/ring.c", b"/* a ring holds one less */\n", "ring: Say how many it holds")
    code, report, _ = kelp.sweep()
    assert (code, report["sum"], report["mended"], report["compared_with"]["id"]) == (
        0,
        "both targets are well",
        [],
        kelp.base,
    )
    # The same break on main is as new as it would be without the other branch.
    culprit = kelp.append("lib/crc.c", BREAK, "crc: Sound the depth")
    code, report, text = kelp.sweep()
    assert (code, [one["culprit"] for one in report["new"]]) == (1, [culprit]), text
    assert kelp.run("sweep", "topic")[0] == 0
    for branch, last in (("main", f"by commit {culprit[:10]}"), ("topic", "(crc: Try something)")):
        code, text, errors = kelp.run("history", "riscv/float", "--branch", branch)
        assert (code, text.splitlines()[-1]) == (0, "now: broken since 2001-01-01"), errors
        assert last in " ".join(text.split())
    site = kelp.folder / "site"
    code, _, errors = kelp.run("health", "--out", str(site))
    facts = json.loads((site / "facts.json").read_text())
    assert (code, facts["branch"], facts["last_sweep"]["commit"]) == (0, "main", culprit), errors


def test_a_sweep_whose_git_was_killed_searches_when_it_is_run_again(kelp: Kelp) -> None:
    kelp.sweep()
    culprit = kelp.append("lib/crc.c", BREAK, "crc: Sound the depth")
    front, killing = kelp.folder / "front", kelp.folder / "killing"
    front.mkdir()
    killing.touch()
    when = f'[ -e {killing} ] && case " $* " in *" --topo-order "*) kill -9 $$; esac'
    (front / "git").write_text(f'#!/bin/sh\n{when}\nexec {shutil.which("git")} "$@"\n')
    (front / "git").chmod(0o755)
    path = f"{front}:{os.environ['PATH']}"
    code, report, errors = kelp.sweep(path=path)
    assert (code, report) == (3, {})
    assert "git was ended from outside, by signal 9" in errors
    killing.unlink()
    code, report, _text = kelp.sweep(path=path)
    assert (code, [one["culprit"] for one in report["new"]]) == (1, [culprit])
    assert report["built"] == 0


def test_a_sweep_compresses_old_logs_and_removes_older_ones(kelp: Kelp) -> None:
    kelp.append("lib/crc.c", BREAK, "crc: Sound the depth")
    place = kelp.store / "logs" / "0123456789ab"
    place.mkdir(parents=True)
    with SqliteStore(kelp.store / "evidence.db") as store:
        for days in range(42, 0, -7):
            earlier = begin_sweep(store, make_line(1)[0], datetime.now(UTC) - timedelta(days=days))
            finish_sweep(store, earlier.sweep_id, SweepState.FINISHED, [], earlier.started_at)
    for days in (10, 20, 40):
        log = place / f"arm.kelp-{days}.log"
        log.write_bytes(b"cc\n" * 100)
        moment = time.time() - days * 86400
        os.utime(log, (moment, moment))
    code, report, _ = kelp.sweep("--log-days", "30")
    assert code == 1
    assert sorted(path.name for path in place.iterdir()) == ["arm.kelp-10.log", "arm.kelp-20.log.gz"]
    # What the report names is plain.
    (named,) = {path for reason in report["new"] for path in reason["logs"][:1]}
    assert (kelp.repository.path / named).is_file()
    code, printed, _ = kelp.run("log", str(place / "arm.kelp-20.log"))
    assert (code, printed) == (0, "cc\n" * 100)
    assert kelp.sweep("--log-size", "2G")[0] == 2


def test_since_asks_for_something_known(kelp: Kelp) -> None:
    kelp.append("lib/crc.c", BREAK, "crc: Sound the depth")
    code, _, errors = kelp.sweep("--since", kelp.base)
    assert code == 2
    assert errors.splitlines()[-1] == (
        f"gatekeep: --since: nothing is known of commit {kelp.base[:10]}; sweep it first, or name one that was"
    )
    kelp.run("sweep", kelp.base)
    code, report, _ = kelp.sweep("--since", kelp.base)
    assert (code, report["sum"]) == (1, "2 targets newly broken")


def test_a_build_past_its_limit_is_shown_as_that_and_tried_again(kelp: Kelp, tmp_path: Path) -> None:
    limited = kelp.files["matrix.yml"].replace(b"time_limit: 60 s", b"time_limit: 3 s")
    assert limited != kelp.files["matrix.yml"]
    good = kelp.repository.commit({"matrix.yml": limited}, message="matrix: Be quick")
    assert kelp.sweep()[0] == 0
    waits = kelp.files["app/Makefile"] + b"$(info waiting for the tide)$(shell sleep 300)\n"
    late = kelp.repository.commit({"app/Makefile": waits}, message="app: Wait for the tide")
    code, report, _ = kelp.sweep()
    assert (code, report["sum"]) == (1, "1 target newly past the time limit")
    assert [(one["rule"], one["culprit"], one["targets"]) for one in report["new"]] == [
        ("timed-out", late, ["cortex-m/buoy"])
    ]

    site = tmp_path / "site"
    code, text, errors = kelp.run("health", "--out", str(site), "--branch", "main")
    assert (code, errors) == (0, "")
    assert "2 targets on main, 1 not well" in text
    facts = json.loads((site / "facts.json").read_text())
    assert [(one["state"], one["targets"], one["since"]["commit"]["id"]) for one in facts["troubles"]] == [
        ("timed out", ["cortex-m/buoy"], late)
    ]
    buoy = facts["ports"][0]["targets"][0]
    assert (buoy["state"], buoy["message"]) == ("timed out", "its build ran past 3 s")
    assert [(event["kind"], event["commit"]) for event in buoy["events"]] == [("ran out of time", late)]
    front, port = ((site / name).read_text() for name in ("index.html", facts["ports"][0]["page"]))
    target, feed, badge = ((site / buoy[name]).read_text() for name in ("page", "feed", "badge"))
    assert "takes too long to build" in front
    assert "Timed out since" in port
    assert "its build ran past 3 s" in port
    assert "waiting for the tide" in target[target.index("The last failure") :]
    assert "ran out of time" in feed
    assert "timed out" in badge
    code, text, _ = kelp.run("history", "cortex-m/buoy", "--json", str(tmp_path / "history.json"))
    assert (code, text.splitlines()[-1]) == (0, "now: timed out since 2001-01-01")
    history = json.loads((tmp_path / "history.json").read_text())
    jsonschema.validate(history, json.loads((REPORT / "history.schema.json").read_text()))
    assert [(one["outcome"], one["first"], one["culprit"]) for one in history["episodes"]] == [
        ("timed out", late, late)
    ]

    # Neither a gate nor a sweep takes it for known, and nothing is carried from it.
    code, _, _ = kelp.run("gate", good, late, "--json", str(tmp_path / "gate.json"))
    gated = json.loads((tmp_path / "gate.json").read_text())
    tried = [one for one in gated["results"] if one["target"] == "cortex-m/buoy" and one["commit"] == late]
    assert (code, [one["outcome"] for one in tried]) == (1, ["timed out"])
    assert kelp.sweep()[1]["sum"] == "nothing new; 1 as bad as before"
    kelp.repository.commit({"app/Makefile": kelp.files["app/Makefile"]}, message="app: Wait for nothing")
    assert kelp.sweep()[1]["sum"] == "1 target mended"
    assert "all are well" in kelp.run("health", "--out", str(site), "--branch", "main")[1]
    feed = (site / buoy["feed"]).read_text()
    assert [kind for kind in ("mended", "ran out of time") if kind in feed] == ["mended", "ran out of time"]


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Kelp:
    """Four commits: well, broken, mended with a warning, grown; each swept."""
    kelp = Kelp(tmp_path_factory.mktemp("told"))
    kelp.run("sweep", "main")
    kelp.append("lib/crc.c", BREAK, "crc: Sound the depth \x1b[31m")
    kelp.run("sweep", "main")
    kelp.files["lib/crc.c"] = kelp.files["lib/crc.c"].removesuffix(BREAK)
    kelp.files["app/main.c"] += WARN
    changed = {path: kelp.files[path] for path in ("lib/crc.c", "app/main.c")}
    kelp.repository.commit(contents(changed), message="crc: Leave the depth alone")
    kelp.run("sweep", "main")
    kelp.append("app/main.c", b"__attribute__((used)) const char name[40] = {1};\n", "main: Give it a name")
    kelp.run("sweep", "main")
    return kelp


def test_a_history_tells_sizes_warnings_and_who_broke_what(told: Kelp) -> None:
    ids = told.repository.ask("rev-list", "--reverse", "main").split()
    short = [commit[:10] for commit in ids]
    code, text, _ = told.run("history", "cortex-m/buoy", "--plot", "always")
    assert code == 0
    lines = text.splitlines()
    assert lines[0] == f"cortex-m/buoy: known at 4 commits of 4, 2001-01-01 {short[0]} to 2001-01-01 {short[3]}"
    assert lines[-1] == "now: built, 1 warning"
    assert "    × without an image: broken" in lines
    floors = [line.strip() for line in lines if "└" in line]
    assert floors == ["└─×──"] * 2
    at = lines.index("warnings: 0 -> 1 (+1), 1 at most")
    assert lines[at + 1 : at + 9] == ["    1 │  ••", *["      │"] * 5, "    0 │•", "      └─×──"]
    said = " ".join(text.split())
    assert f"{short[3]} (main: Give it a name) of Isa Thorne: flash +40 to" in said
    assert f"by commit {short[1]} (crc: Sound the depth \\x1b[31m) of Isa Thorne" in said
    assert f"(well at {short[2]} (crc: Leave the depth alone))" in said
    assert "\x1b" not in text


def test_a_pattern_shows_several_targets_in_short(told: Kelp) -> None:
    code, text, errors = told.run("history", "*/buoy,riscv/*")
    assert code == 0, errors
    lines = text.splitlines()
    assert [line for line in lines if line and not line.startswith(" ")] == [
        "cortex-m/buoy: built, 1 warning; known at 4 of 4 commits",
        "riscv/float: built, 0 warnings; known at 4 of 4 commits",
        "now: 2 of 2 targets built",
    ]
    assert lines.count("    warnings: 0 -> 1 (+1), 1 at most") == 1
    assert sum(line.startswith("    broken from 2001-01-01 until 2001-01-01") for line in lines) == 2
    assert "\x1b" not in text
    assert told.run("history", "riscv/*")[1] == told.run("history", "riscv/float")[1]
    assert told.run("history", "loongarch64/*") == (
        2,
        "",
        "gatekeep: history: nothing is known of loongarch64/*; known are cortex-m/buoy, riscv/float\n",
    )
    assert told.run("history", "*", "--json", "-") == (
        2,
        "",
        "gatekeep: history: * means 2 targets, and --json takes one; name one\n",
    )


def test_a_history_as_json_has_every_commit(told: Kelp) -> None:
    ids = told.repository.ask("rev-list", "--reverse", "main").split()
    code, text, _ = told.run("history", "riscv/float", "--json", "-")
    assert code == 0
    report = json.loads(text)
    jsonschema.validate(report, json.loads((REPORT / "history.schema.json").read_text()))
    assert [point["commit"] for point in report["points"]] == ids
    assert [point["outcome"] for point in report["points"]] == ["built", "broken", "built", "built"]
    assert [(one["before"], one["first"], one["mended"], one["culprit"]) for one in report["episodes"]] == [
        (ids[0], ids[1], ids[2], ids[1])
    ]


def test_a_history_of_nothing_says_what_to_do(told: Kelp, kelp: Kelp) -> None:
    assert told.run("history", "cortex-m/bouy") == (
        2,
        "",
        "gatekeep: history: nothing is known of cortex-m/bouy; did you mean cortex-m/buoy?\n",
    )
    assert kelp.run("history", "cortex-m/buoy") == (
        2,
        "",
        "gatekeep: history: nothing is known of cortex-m/buoy; gatekeep targets lists what there is\n",
    )
    files = contents({"matrix.yml": told.files["matrix.yml"]})
    told.repository.commit(files, message="Another beginning", branch="other", parents=[])
    assert told.run("history", "cortex-m/buoy", "--branch", "other") == (
        2,
        "",
        "gatekeep: history: cortex-m/buoy was built, but at no commit of other; name another --branch, or sweep this "
        "one\n",
    )
