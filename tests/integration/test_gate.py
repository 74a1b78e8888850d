"""
The gate from the command line, on a tree that is not ours.

Recursive make, outputs beside the sources, a static library, no image.

Real git, real GNU make, Debian's cross GCC.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import jsonschema
import pytest

KELP = Path(__file__).parents[1] / "data" / "kelp"
SCHEMA = Path(__file__).parents[2] / "gatekeep" / "report" / "report.schema.json"


class Kelp:
    """A repository with the tree of tests/data/kelp, and the gate run on it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "kelp"
        self.home = folder / "home"
        self.home.mkdir()
        shutil.copytree(KELP, self.folder)
        self.git("init", "-q", "-b", "main")
        self.base = self.commit("Import")

    def git(self, *arguments: str) -> str:
        environment = {
            "PATH": os.environ["PATH"],
            "HOME": str(self.home),
            "GIT_AUTHOR_DATE": "2026-01-02T03:04:05Z",
            "GIT_COMMITTER_DATE": "2026-01-02T03:04:05Z",
        }
        identity = ("-c", "user.name=Oda Brekke", "-c", "user.email=oda@kelp.example")
        done = subprocess.run(
            ["git", *identity, *arguments], cwd=self.folder, env=environment, check=True, capture_output=True, text=True
        )
        return done.stdout.strip()

    def commit(self, subject: str) -> str:
        self.git("add", "-A")
        self.git("commit", "-q", "-m", subject)
        return self.git("rev-parse", "HEAD")

    def edit(self, path: str, change: Callable[[str], str]) -> None:
        file = self.folder / path
        file.write_text(change(file.read_text()))

    def append(self, path: str, text: str) -> None:
        self.edit(path, lambda old: old + text)

    def command(self, *arguments: str) -> list[str]:
        return [sys.executable, "-m", "gatekeep", "gate", self.base, "HEAD", *arguments]

    def environment(self, **more: str) -> dict[str, str]:
        return {"PATH": os.environ["PATH"], "HOME": str(self.home), **more}

    def gate(self, *arguments: str, **environment: str) -> tuple[int, dict[str, Any], str]:
        """Give exit code, JSON report and terminal report."""
        out = self.folder.parent / "out.json"
        out.unlink(missing_ok=True)
        done = subprocess.run(
            self.command("--json", str(out), *arguments),
            cwd=self.folder,
            env=self.environment(**environment),
            capture_output=True,
            text=True,
            timeout=120,
        )
        if not out.exists():
            return done.returncode, {}, done.stderr
        report = json.loads(out.read_text())
        jsonschema.validate(report, json.loads(SCHEMA.read_text()))
        return done.returncode, report, done.stdout


@pytest.fixture
def kelp(tmp_path: Path) -> Kelp:
    return Kelp(tmp_path)


def outcomes(report: dict[str, Any], commit: str) -> dict[str, str]:
    return {result["target"]: result["outcome"] for result in report["results"] if result["commit"] == commit}


def test_matrix_of_a_foreign_tree_is_short() -> None:
    assert len((KELP / "matrix.yml").read_text().splitlines()) < 30


@pytest.mark.parametrize("sign", [" ", "$", ":", "'"])
def test_where_make_would_take_the_path_apart_nothing_is_built_or_passed(tmp_path: Path, sign: str) -> None:
    """A makefile that is right anywhere else would be broken there, at the base too, and so would not block."""
    folder = tmp_path / f"my{sign}trees"
    folder.mkdir()
    kelp = Kelp(folder)
    kelp.append("lib/crc.c", "int no_type(;\n")
    kelp.commit("Break it")
    code, _, said = kelp.gate()
    assert code == 3
    shown = "a space" if sign == " " else repr(sign)
    assert f"/kelp/.git/gatekeep: builds cannot be in a folder with {shown} in its path" in said
    assert "name another with --store" in said
    code, report, _ = kelp.gate("--store", str(tmp_path / "store"))
    assert (code, report["verdict"]) == (1, "block")


def test_a_harmless_change_passes_with_sizes_of_elf_and_library(kelp: Kelp) -> None:
    kelp.append("lib/crc.c", "/* CRC-16, polynomial 0x1021 */\n")
    head = kelp.commit("Name the polynomial")
    code, report, text = kelp.gate()
    assert code == 0
    assert report["verdict"] == "pass"
    assert outcomes(report, head) == {"cortex-m/buoy": "built", "riscv/float": "built"}
    buoy = next(result for result in report["results"] if result["target"] == "cortex-m/buoy")
    regions = {region["name"]: region for region in buoy["regions"]}
    assert regions["flash"]["capacity_bytes"] == 1024
    assert 100 < regions["flash"]["used_bytes"] < 1024
    assert regions["ram"]["capacity_bytes"] == 512
    assert text.splitlines()[-1] == "verdict: pass"


def test_nothing_is_built_twice(kelp: Kelp) -> None:
    kelp.append("lib/crc.c", "/* 1 */\n")
    kelp.commit("One")
    first = kelp.gate()
    again = kelp.gate()
    assert first[0] == again[0] == 0
    assert [result["elapsed_s"] for result in first[1]["results"]] == [r["elapsed_s"] for r in again[1]["results"]]


def test_where_access_times_stand_still_the_gate_says_so_once_and_carries_nothing(kelp: Kelp, tmp_path: Path) -> None:
    """chattr(1), A: new files of the folder have it too. Any user may set it. The buoy lists the root, and is built."""
    for number in range(3):
        (kelp.folder / f"soundings-{number}.txt").write_text("4 m\n")
        kelp.commit("Sound the pier")
    for name, option, carried_count, said_count in (("tells", "-A", 3, 0), ("still", "+A", 0, 1)):
        store, out = tmp_path / name, tmp_path / f"{name}.json"
        store.mkdir()
        subprocess.run(["chattr", option, store], check=True)
        done = subprocess.run(
            kelp.command("--json", str(out), "--store", str(store), "--workers", "2"),
            cwd=kelp.folder,
            env=kelp.environment(),
            capture_output=True,
            text=True,
            timeout=120,
        )
        assert done.returncode == 0, done.stderr
        report = json.loads(out.read_text())
        assert len([one for one in report["results"] if one["carried_from"] is not None]) == carried_count
        assert report["carried"] == carried_count
        assert done.stderr.count("what a build reads cannot be told here, so no result is carried: ") == said_count


def test_an_overflow_by_gnu_ld_is_outgrown_with_the_linkers_number(kelp: Kelp) -> None:
    kelp.append("app/main.c", "__attribute__((used)) const unsigned char tide_table[2048] = {1};\n")
    head = kelp.commit("Add the tide table")
    findings, results = kelp.folder.parent / "findings.sarif", kelp.folder.parent / "results.xml"
    code, report, text = kelp.gate("--sarif", str(findings), "--junit", str(results))
    assert code == 1
    (run,) = json.loads(findings.read_text())["runs"]
    assert [(result["ruleId"], result["level"]) for result in run["results"]] == [("outgrown", "error")]
    assert [suite.get("failures") for suite in ElementTree.parse(results).getroot()] == ["0", "1"]
    assert outcomes(report, head) == {"cortex-m/buoy": "outgrown", "riscv/float": "built"}
    reason = report["reasons"][0]
    assert reason["rule"] == "outgrown"
    assert reason["commit"] == head
    assert reason["targets"] == ["cortex-m/buoy"]
    assert "FLASH" in reason["message"]
    assert text.splitlines()[-1] == "verdict: block, 1 reason"
    log = kelp.folder / reason["logs"][0]
    over = int(log.read_text().split("overflowed by ")[1].split()[0])
    assert f"{over} bytes" in " ".join(reason["details"])


def test_a_target_that_needs_what_its_neighbour_left_is_broken(kelp: Kelp) -> None:
    """The header becomes a product of the other board's build, which one worker builds first in the same tree."""
    header = (kelp.folder / "lib/kelp.h").read_text()
    (kelp.folder / "lib/kelp.h").unlink()
    (kelp.folder / "app/kelp.h.in").write_text(header)
    kelp.edit(
        "Makefile",
        lambda old: old.replace("\t$(MAKE) -C lib\n", "\tcp app/kelp.h.in lib/kelp.h\n\t$(MAKE) -C lib\n", 1),
    )
    head = kelp.commit("Generate the header")
    code, report, _ = kelp.gate("--workers", "1")
    assert code == 1
    assert outcomes(report, head) == {"cortex-m/buoy": "built", "riscv/float": "broken"}
    assert report["reasons"][0]["message"] == "kelp.h: No such file or directory"


def test_a_recipe_that_succeeds_and_leaves_nothing_is_broken(kelp: Kelp) -> None:
    kelp.edit("app/Makefile", lambda old: old.replace("-o $@", "-o kelp.out", 1))
    head = kelp.commit("Rename the result")
    code, report, _ = kelp.gate()
    assert code == 1
    assert outcomes(report, head)["cortex-m/buoy"] == "broken"
    assert report["reasons"][0]["message"] == "the recipe succeeded and left no {tree}/app/kelp.elf"


def test_an_image_for_another_machine_is_broken(kelp: Kelp) -> None:
    kelp.edit("lib/Makefile", lambda old: old.replace("CC = $(CROSS)gcc", "CC = arm-none-eabi-gcc"))
    head = kelp.commit("Use one compiler")
    code, report, _ = kelp.gate()
    assert code == 1
    assert outcomes(report, head) == {"cortex-m/buoy": "built", "riscv/float": "broken"}
    assert "ARM" in report["reasons"][0]["message"]
    assert "RISCV" in report["reasons"][0]["message"]


def test_a_new_warning_blocks_and_a_moved_one_does_not(kelp: Kelp) -> None:
    kelp.append("lib/crc.c", "unsigned crc_unused(int i)\n{\n    return 1;\n}\n")
    first = kelp.commit("Add a function with a spare argument")
    code, report, _ = kelp.gate()
    assert code == 1
    assert report["reasons"][0]["rule"] == "new-warning"
    assert report["reasons"][0]["targets"] == ["cortex-m/buoy", "riscv/float"]
    assert report["reasons"][0]["place"].startswith("lib/crc.c:")
    kelp.base = first
    kelp.edit("lib/crc.c", lambda old: "/* CRC-16 */\n\n\n" + old)
    kelp.commit("Say what it is")
    assert kelp.gate()[0] == 0


def test_a_middle_commit_blocks_although_the_head_is_sound(kelp: Kelp) -> None:
    kelp.append("lib/ring.c", "syntax error\n")
    middle = kelp.commit("Half a feature")
    kelp.edit("lib/ring.c", lambda old: old.replace("syntax error\n", ""))
    kelp.append("lib/ring.c", "/* done */\n")
    kelp.commit("The other half")
    code, report, _ = kelp.gate()
    assert code == 1
    assert report["reasons"][0]["commit"] == middle
    assert report["reasons"][0]["whom"] == "both targets"


def test_what_was_broken_at_the_base_does_not_block(kelp: Kelp) -> None:
    kelp.append("lib/ring.c", "syntax error\n")
    kelp.base = kelp.commit("Break it")
    kelp.append("app/kelp.ld", "/* */\n")
    kelp.commit("Touch something else")
    code, report, _ = kelp.gate()
    assert code == 0
    assert report["reasons"] == []
    assert [notice["rule"] for notice in report["notices"]] == ["broken"]


def test_a_missing_toolchain_is_undecided_and_says_how_to_get_it(kelp: Kelp) -> None:
    kelp.edit(
        "matrix.yml",
        lambda old: old.replace(
            "probe: [riscv64-unknown-elf-gcc, --version]",
            'probe: [no-such-compiler, --version], install: "apt-get install no-such-compiler"',
        ),
    )
    kelp.base = kelp.commit("Ask for another compiler")
    kelp.append("lib/crc.c", "/* */\n")
    head = kelp.commit("Touch it")
    code, report, text = kelp.gate()
    assert code == 3
    assert report["verdict"] == "undecided"
    assert outcomes(report, head) == {"cortex-m/buoy": "built", "riscv/float": "not decided"}
    assert "apt-get install no-such-compiler" in text


def test_wrong_usage_and_wrong_matrices_exit_with_2(kelp: Kelp) -> None:
    assert kelp.gate("--matrix", "nowhere.yml")[0] == 2
    assert kelp.gate("--no-such-option")[0] == 2
    wrong = kelp.folder.parent / "wrong.yml"
    wrong.write_text("matrix: 1\ntree: kelp\ntree: kelp\n")
    code, _, text = kelp.gate("--matrix", str(wrong))
    assert code == 2
    assert f"{wrong}:3:1: " in text


def test_a_missing_commit_is_undecided_with_the_nearest_name(kelp: Kelp) -> None:
    kelp.base = "mian"
    code, _, text = kelp.gate()
    assert code == 3
    assert "main" in text


def test_a_matrix_beside_the_tree_judges_all_commits(kelp: Kelp) -> None:
    beside = kelp.folder.parent / "beside.yml"
    beside.write_text((kelp.folder / "matrix.yml").read_text())
    kelp.git("rm", "-q", "matrix.yml")
    kelp.base = kelp.commit("No matrix in the tree")
    kelp.append("lib/crc.c", "/* */\n")
    kelp.commit("Touch it")
    assert kelp.gate("--matrix", str(beside))[0] == 0


def test_a_change_that_drops_a_target_is_blocked(kelp: Kelp) -> None:
    kelp.edit("matrix.yml", lambda old: old[: old.index("  riscv:\n")] + "rules: {new_warnings: block}\n")
    kelp.commit("Stop caring")
    code, report, _ = kelp.gate()
    assert code == 1
    assert [(reason["rule"], reason["targets"]) for reason in report["reasons"]] == [
        ("dropped-target", ["riscv/float"])
    ]


def test_sources_have_the_date_that_their_own_commit_says(kelp: Kelp) -> None:
    """What is kept of a build counts for its commit's date, whatever base it was first built for."""
    kelp.edit(
        "lib/Makefile",
        lambda old: old.replace(
            "libkelp.a:",
            "libkelp.a: say\nsay:\n\t@echo x.c:1:1: warning: $$(stat -c %Y crc.c) $$SOURCE_DATE_EPOCH\nlibkelp.a:",
            1,
        ),
    )
    kelp.base = kelp.commit("Say the date")
    kelp.edit("matrix.yml", lambda old: old.replace("2024-05-01", "2025-05-01"))
    head = kelp.commit("Take a later date")
    _, report, _ = kelp.gate("--workers", "1")
    said = {
        (result["commit"], *re.findall("warning: ([0-9]+) ([0-9]+)", (kelp.folder / result["log"]).read_text())[0])
        for result in report["results"]
    }
    # Source: date -u -d 2024-05-01 +%s, and of 2025.
    assert said == {(kelp.base, "1714521600", "1714521600"), (head, "1746057600", "1746057600")}


def test_an_endless_printer_is_timed_out_and_fills_no_disk(kelp: Kelp) -> None:
    kelp.edit("matrix.yml", lambda old: old.replace("time_limit: 60 s", "time_limit: 2 s, log_limit: 64 KiB"))
    kelp.base = kelp.commit("Be impatient")
    kelp.edit("Makefile", lambda old: old.replace("all:\n", 'all:\n\tyes "in $(CURDIR)/forever"\n'))
    head = kelp.commit("Print without end")
    code, report, _ = kelp.gate()
    assert code == 1
    assert outcomes(report, head)["cortex-m/buoy"] == "timed out"
    # Where a worker's copy of the tree lies is nobody's concern, and differs from build to build.
    excerpt = report["reasons"][0]["excerpt"]
    assert "in forever" in excerpt
    assert str(kelp.folder) not in "\n".join(excerpt)
    log = kelp.folder / report["reasons"][0]["logs"][0]
    assert log.stat().st_size <= 64 * 1024


def test_interrupt_exits_with_130_and_leaves_no_child(kelp: Kelp) -> None:
    marker = f"86399.{os.getpid()}"  # nobody else's: other runs of this test are of no concern
    kelp.edit("Makefile", lambda old: old.replace("all:\n", f"all:\n\t(setsid sleep {marker} &) ; sleep {marker}\n"))
    kelp.commit("Sleep")
    process = subprocess.Popen(
        kelp.command(),
        cwd=kelp.folder,
        env=kelp.environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    deadline = time.monotonic() + 60
    while len(list_processes(marker)) < 2:
        assert time.monotonic() < deadline, "the build never started"
        assert process.poll() is None, process.communicate()
        os.sched_yield()
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate(timeout=30)
    assert process.returncode == 130
    assert "what had ended is kept" in errors
    assert list_processes(marker) == []


def list_processes(argument: str) -> list[int]:
    found = []
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            try:
                words = (folder / "cmdline").read_bytes().split(b"\0")
            except OSError:
                continue
            if argument.encode() in words and b"sleep" in words:
                found.append(int(folder.name))
    return found


def test_two_gates_at_once_on_one_store_agree(kelp: Kelp) -> None:
    kelp.append("lib/ring.c", "syntax error\n")
    kelp.commit("Break it")
    outs = [kelp.folder.parent / f"{number}.json" for number in range(2)]
    running = [
        subprocess.Popen(
            kelp.command("--json", str(out)), cwd=kelp.folder, env=kelp.environment(), stdout=subprocess.DEVNULL
        )
        for out in outs
    ]
    assert [process.wait(timeout=120) for process in running] == [1, 1]
    first, second = (json.loads(out.read_text())["reasons"] for out in outs)
    assert first == second


def test_the_checkout_is_left_alone(kelp: Kelp) -> None:
    kelp.append("lib/crc.c", "/* */\n")
    kelp.commit("Touch it")
    (kelp.folder / "untracked.txt").write_text("mine\n")
    before = kelp.git("status", "--porcelain=v2", "--branch"), kelp.git("for-each-ref")
    kelp.gate()
    assert (kelp.git("status", "--porcelain=v2", "--branch"), kelp.git("for-each-ref")) == before


def test_a_build_that_asks_git_finds_no_repository(kelp: Kelp) -> None:
    """Worker trees lie in the repository's git folder; a result must not depend on its branches and tags."""
    kelp.edit("Makefile", lambda old: old.replace("all:\n", "all:\n\t! git rev-parse --git-dir\n"))
    head = kelp.commit("Ask git")
    code, report, _ = kelp.gate()
    assert code == 0
    assert outcomes(report, head)["cortex-m/buoy"] == "built"


def test_a_gate_that_was_killed_goes_on_where_it_was(kelp: Kelp) -> None:
    # A folder that builds see: the flag itself is not there yet.
    flag = kelp.folder.parent / "flags" / "flag"
    flag.parent.mkdir()
    shown = ("--sandbox-show", str(flag.parent))
    kelp.edit("Makefile", lambda old: old.replace("all:\n", f"all:\n\twhile [ ! -e {flag} ]; do sleep 0.05; done\n"))
    kelp.commit("Wait for a flag")
    process = subprocess.Popen(
        kelp.command("--workers", "2", *shown),
        cwd=kelp.folder,
        env=kelp.environment(),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stderr is not None
    # The base has no flag to wait for: its builds end, and are told of.
    ended = []
    for line in process.stderr:
        ended += [line] if ": built in " in line else []
        if len(ended) == 2:
            break
    process.kill()
    process.communicate(timeout=30)
    deadline = time.monotonic() + 30
    while list_processes("0.05"):
        assert time.monotonic() < deadline, "a build outlived the gate"
        os.sched_yield()
    flag.touch()
    code, report, _ = kelp.gate(*shown)
    assert code == 0
    assert report["reused"] >= len(ended) == 2


class TestSandboxChoice:
    """What the command line says about the sandbox."""

    def _path_without_bubblewrap(self, kelp: Kelp) -> str:
        """A PATH with everything but bubblewrap, which may lie in a folder with all the rest."""
        folder = kelp.folder.parent / "programs"
        folder.mkdir()
        for entry in dict.fromkeys((str(Path(sys.executable).parent), *os.environ["PATH"].split(":"))):
            for program in Path(entry).iterdir() if Path(entry).is_dir() else ():
                if program.name != "bwrap" and not (folder / program.name).is_symlink():
                    (folder / program.name).symlink_to(program)
        return str(folder)

    def test_where_there_is_none_auto_says_so_once_and_builds_and_require_ends_undecided(self, kelp: Kelp) -> None:
        kelp.append("lib/crc.c", "/* */\n")
        kelp.commit("Touch it")
        path = self._path_without_bubblewrap(kelp)
        done = subprocess.run(
            kelp.command(), cwd=kelp.folder, env=kelp.environment(PATH=path), capture_output=True, text=True
        )
        assert done.returncode == 0, done.stderr
        assert done.stderr.count("no sandbox: bwrap is not on PATH") == 1
        done = subprocess.run(
            kelp.command("--sandbox", "require"),
            cwd=kelp.folder,
            env=kelp.environment(PATH=path),
            capture_output=True,
            text=True,
        )
        assert (done.returncode, done.stdout) == (3, "")
        assert "install bubblewrap 0.8 or later" in done.stderr
        assert "--sandbox off builds without one" in done.stderr

    def test_a_python_that_no_build_sees_can_still_try_what_builds_read(self, kelp: Kelp) -> None:
        """Called by its path, in an environment of its own; nothing of it is on PATH."""
        environment = kelp.folder.parent / "environment"
        subprocess.run([sys.executable, "-m", "venv", "--without-pip", environment], check=True)
        (packages,) = environment.glob("lib/python3*/site-packages")
        checkout = str(Path(__file__).parents[2])
        (packages / "ours.pth").write_text("\n".join([checkout, *filter(os.path.isdir, sys.path)]))
        (kelp.folder / "docs").mkdir()
        (kelp.folder / "docs" / "tide").write_text("ebb\n")
        kelp.base = kelp.commit("Write of the tide")
        kelp.append("docs/tide", "flow\n")
        kelp.commit("Write more of it")
        _program, *arguments = kelp.command("--sandbox", "require")
        done = subprocess.run(
            [environment / "bin" / "python", *arguments],
            cwd=kelp.folder,
            env=kelp.environment(PATH="/usr/bin:/bin"),
            capture_output=True,
            text=True,
        )
        assert done.returncode == 0, done.stderr
        assert "cannot be told" not in done.stderr
        assert "2 carried" in done.stdout

    def test_what_was_built_outside_does_not_stand_for_what_is_built_inside(self, kelp: Kelp) -> None:
        """A build that reaches out passes outside; a sandboxed run must not take its evidence over."""
        secret = kelp.folder.parent / "secret"
        secret.write_text("tide\n")
        kelp.edit("Makefile", lambda old: old.replace("all:\n", f"all:\n\tcat {secret}\n"))
        head = kelp.commit("Read what is outside")
        assert kelp.gate("--sandbox", "off")[0] == 0
        code, report, _ = kelp.gate("--sandbox", "require")
        assert code == 1
        assert "broken" in outcomes(report, head).values()
        assert kelp.gate("--sandbox", "off")[0] == 0
