"""Toolchains asked what they are: made-up ones for every fault, and the machine's compilers beside their own words."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from signal import Signals

import pytest

from gatekeep.build.command import CancelToken, CommandRunner, Exited, Hindrance, Lost, NotStarted, Signalled
from gatekeep.build.environment import make_base_environment
from gatekeep.build.subprocess_runner import SubprocessRunner
from gatekeep.build.toolchain import (
    DigestCache,
    ProgramFile,
    ToolchainFacts,
    find_version,
    is_allowed,
    probe_toolchain,
)
from gatekeep.errors import RunnerError, ToolchainError
from gatekeep.model.matrix import Toolchain
from tests.fakes_command import Act, FakeRunner

#: 2001-01-01: long before any test runs, so that files count as settled.
_SETTLED_NS = 978307200 * 10**9


@pytest.fixture(scope="module")
def real() -> Iterator[SubprocessRunner]:
    with SubprocessRunner() as runner:
        yield runner


@pytest.fixture
def scratch(tmp_path: Path) -> Path:
    folder = tmp_path / "scratch"
    folder.mkdir()
    return folder


@pytest.fixture
def tools(tmp_path: Path) -> Path:
    folder = tmp_path / "tools"
    folder.mkdir()
    return folder


def _install(tools: Path, name: str, script: str) -> Path:
    path = tools / name
    path.write_text(f"#!/bin/sh\n{script}\n")
    path.chmod(0o755)
    return path


def _probe(
    toolchain: Toolchain,
    runner: CommandRunner,
    scratch: Path,
    *,
    path: str = os.environ.get("PATH", "/usr/bin:/bin"),
    digests: DigestCache | None = None,
) -> ToolchainFacts:
    with CancelToken() as cancel:
        return probe_toolchain(
            toolchain,
            runner=runner,
            environment=make_base_environment({"PATH": path}, home=scratch, tmp=scratch),
            scratch=scratch,
            digests=digests if digests is not None else DigestCache(None),
            cancel=cancel,
        )


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _digest(content: bytes) -> str:
    """Of a small file."""
    part = hashlib.blake2b(content, digest_size=32).hexdigest()
    return hashlib.blake2b(f"{part}  -\n".encode(), digest_size=32).hexdigest()


@pytest.mark.parametrize(
    ("output", "version"),
    [
        ("arm-none-eabi-gcc (15:12.2.rel1-1) 12.2.1 20221205\nCopyright (C) 2022 Free Software…\n", "12.2.1"),
        ("riscv64-unknown-elf-gcc (12.2.0-14+deb12u1+11+b2) 12.2.0\n", "12.2.0"),
        ("powerpc-linux-gnu-gcc (Debian 12.2.0-13) 12.2.0\n", "12.2.0"),
        ("cross-gcc (Vendor Toolchain 13.3.Rel1 (Build arm-13.24)) 13.3.1 20240614\n", "13.3.1"),
        ("clang version 18.1.3\nTarget: x86_64-pc-linux-gnu\n", "18.1.3"),
        ("clang version 19.1.0 (https://example.invalid/llvm 0a1.2b)\nInstalledDir: /opt/llvm-19.1/bin\n", "19.1.0"),
        ("GNU ld (GNU Binutils for Debian) 2.40\n", "2.40"),
        ("GNU ld (2.40-2+18+b1) 2.40\n", "2.40"),
        ("LLD 18.1.3 (compatible with GNU linkers)\n", "18.1.3"),
        ("GNU Make 4.3\nBuilt for x86_64-pc-linux-gnu\n", "4.3"),
        ("0.17.1\n", "0.17.1"),
        ("0.14.0-dev.367+a57479afc\n", "0.14.0-dev.367+a57479afc"),
        ("clang version 18.0.0-rc2\n", "18.0.0-rc2"),
        ("clang version 18.0.0git\n", "18.0.0"),
        ("go version go1.22.1 linux/amd64\n", "1.22.1"),
        ("Compiler V9.40.1.364/W64 for ARM\n", "9.40.1.364"),
        ("C/C++ Compiler v20.2.7.LTS\n", "20.2.7"),
        ("\nwarning: no cache\n/opt/tool-1.0/bin/cc: 2.1.0\n", "2.1.0"),
        ("gcc (9.3.0)\n", "9.3.0"),
        ("build 20221205\n", None),
        ("", None),
        ("((((((\n", None),
    ],
)
def test_version_is_found_in_what_tools_print(output, version):
    """The first lines of the Debian and zig tools are copied from this machine's; the others are from memory."""
    assert find_version(output) == version


@pytest.mark.parametrize(
    ("output", "version"),
    [
        ("cc ((1.1) (1.2 (1.3)) 1.4) 2.1 (3.1)", "2.1"),
        ("cc (1.1 2.1", "1.1"),
        ("cc (1.1) ) 2.1 ( 3.1", "2.1"),
        ("cc (1.1 (1.2) 2.1", "1.1"),
        ("(" * 32768 + "1.1" + ")" * 32768, "1.1"),
        ("(" * 65536, None),
        ("()" * 32768 + "2.1", "2.1"),
    ],
)
def test_parentheses_of_any_depth_are_left_out(output, version):
    """What a toolchain prints is as hostile as whoever names its probe, and 64 KiB of it are read."""
    assert find_version(output) == version


@pytest.mark.parametrize(
    ("version", "allow", "allowed"),
    [
        ("12.2.1", "", True),
        ("12.2.1", ">=12,<13", True),
        ("12.2.1", "==12.*", True),
        ("12.2.1", "~=12.2", True),
        ("12.2.1", "!=12.2.1", False),
        ("0.12.1", ">=0.13,<1", False),
        ("9.4", ">=12", False),
        ("0.14.0-dev.367+a57479afc", ">=0.13,<1", True),
        ("0.14.0-dev.367+a57479afc", ">=0.14", False),
        ("1.0.0-rc1", "<1", False),
        ("2.40", "==2.40.0", True),
    ],
)
def test_version_range_is_that_of_pep_440(version, allow, allowed):
    assert is_allowed(version, allow) is allowed


class TestFacts:
    """What a probe that goes well gives."""

    def test_version_first_line_and_digests_of_output_and_programs(self, real, scratch, tools):
        cc = _install(tools, "x-cc", "echo; echo 'x-cc (Pack 9.9-1) 12.2.1 2022  '; echo more >&2")
        (tools / "specs").write_bytes(b"specs")
        (tools / "cc").symlink_to("x-cc")
        toolchain = Toolchain(
            name="x", probe=("x-cc", "-v"), allow=">=12", programs=("x-cc", "cc", str(tools / "specs"))
        )
        facts = _probe(toolchain, real, scratch, path=f"{tools}:/usr/bin:/bin")
        resolved = str(cc.resolve())
        assert facts == ToolchainFacts(
            name="x",
            version="12.2.1",
            first_line="x-cc (Pack 9.9-1) 12.2.1 2022",
            output_sha256=_sha256(b"\nx-cc (Pack 9.9-1) 12.2.1 2022  \nmore\n"),
            prober=ProgramFile(name="x-cc", path=resolved, digest=_digest(cc.read_bytes())),
            programs=(
                ProgramFile(name="x-cc", path=resolved, digest=_digest(cc.read_bytes())),
                ProgramFile(name="cc", path=resolved, digest=_digest(cc.read_bytes())),
                ProgramFile(name=str(tools / "specs"), path=str((tools / "specs").resolve()), digest=_digest(b"specs")),
            ),
        )

    @pytest.mark.parametrize("programs", [("x-cc",), (), ("sh",)])
    def test_digest_changes_when_a_program_is_replaced_under_the_same_version(self, real, scratch, tools, programs):
        """Also one that is only probed."""
        toolchain = Toolchain(name="x", probe=("x-cc",), programs=programs)
        _install(tools, "x-cc", "echo 12.2.1 # a")
        before = _probe(toolchain, real, scratch, path=f"{tools}:/bin")
        _install(tools, "x-cc", "echo 12.2.1 # b")
        after = _probe(toolchain, real, scratch, path=f"{tools}:/bin")
        assert before.version == after.version
        assert before.output_sha256 == after.output_sha256
        assert before.digest != after.digest

    def test_program_may_be_named_by_a_command_that_prints_its_path(self, real, scratch, tools):
        """A driver under a version of its own says where the compiler behind it lies."""
        behind = _install(tools, "cc 1", "exit 0")
        (tools / "cc1").symlink_to(behind.name)
        _install(tools, "x-cc", f"test \"$1\" = -v && echo 12.2.1 || echo '{tools}/cc1'")
        toolchain = Toolchain(name="x", probe=("x-cc", "-v"), programs=("x-cc", ("x-cc", "-print-prog-name=cc1")))
        before = _probe(toolchain, real, scratch, path=f"{tools}:/bin")
        assert before.programs[1] == ProgramFile(
            name="x-cc -print-prog-name=cc1", path=str(behind.resolve()), digest=_digest(behind.read_bytes())
        )
        _install(tools, "cc 1", "exit 1")
        after = _probe(toolchain, real, scratch, path=f"{tools}:/bin")
        assert before.programs[0] == after.programs[0]
        assert (before.version, before.output_sha256) == (after.version, after.output_sha256)
        assert before.digest != after.digest

    def test_command_runs_in_a_folder_that_the_probe_and_other_commands_have_not_touched(self, real, scratch, tools):
        _install(tools, "x-cc", f"ls -A; touch left-behind; echo {tools}/x-cc")
        toolchain = Toolchain(
            name="x", probe=("sh", "-c", "echo 1.0; touch left-behind"), programs=(("x-cc", "a"), ("x-cc", "b"))
        )
        facts = _probe(toolchain, real, scratch, path=f"{tools}:/usr/bin:/bin")
        assert [program.name for program in facts.programs] == ["x-cc a", "x-cc b"]

    def test_command_that_prints_a_path_has_only_the_environment_of_the_probe(self, real, scratch, tools):
        _install(tools, "x-cc", f"env > {tools}/env; echo {tools}/x-cc")
        toolchain = Toolchain(name="x", probe=("sh", "-c", "echo 1.0"), programs=(("x-cc",),))
        _probe(toolchain, real, scratch, path=f"{tools}:/usr/bin:/bin")
        # The shell that runs the script adds PWD and its like.
        names = {line.partition("=")[0] for line in (tools / "env").read_text().splitlines()} - {"PWD", "SHLVL", "_"}
        assert names == {"GIT_CEILING_DIRECTORIES", "HOME", "LANG", "LC_ALL", "PATH", "TMPDIR", "TZ"}

    def test_program_that_is_probed_counts_once(self, real, scratch, tools):
        _install(tools, "x-cc", "echo 12.2.1")
        twice = [
            _probe(Toolchain(name="x", probe=("x-cc",), programs=programs), real, scratch, path=f"{tools}:/bin")
            for programs in (("x-cc",), ())
        ]
        assert twice[0].digest == twice[1].digest

    def test_digest_is_the_same_in_another_run(self, real, scratch, tools):
        _install(tools, "x-cc", "echo 12.2.1")
        toolchain = Toolchain(name="x", probe=("x-cc",), programs=("x-cc",))
        digests = {_probe(toolchain, real, scratch, path=f"{tools}:/bin").digest for _ in range(3)}
        assert len(digests) == 1

    def test_probe_runs_in_the_empty_folder_and_not_in_the_tree(self, real, scratch, tools):
        """`python3 -m NAME` would find a folder NAME of the change."""
        _install(tools, "x-cc", "pwd; echo 1.0")
        assert _probe(Toolchain(name="x", probe=("x-cc",)), real, scratch, path=f"{tools}:/bin").first_line == str(
            scratch
        )


class TestFaults:
    """Every way to fail, worded whole."""

    def _fail(self, toolchain: Toolchain, runner: CommandRunner, scratch: Path, path: str = "/usr/bin:/bin") -> str:
        with pytest.raises(ToolchainError) as caught:
            _probe(toolchain, runner, scratch, path=path)
        assert caught.value.toolchain == toolchain.name
        return str(caught.value)

    def test_missing_probe_with_and_without_a_hint(self, real, scratch):
        with_hint = Toolchain(name="bare-clang", probe=("no-cc", "-v"), install="pip install a-compiler")
        assert self._fail(with_hint, real, scratch) == (
            "toolchain bare-clang: 'no-cc' is not on PATH; install it with: pip install a-compiler"
        )
        without = Toolchain(name="bare-clang", probe=("no-cc", "-v"))
        assert self._fail(without, real, scratch) == (
            "toolchain bare-clang: 'no-cc' is not on PATH; install it, or put its folder on PATH"
        )

    def test_version_that_is_not_allowed(self, scratch):
        runner = FakeRunner({"cc": Act(output=b"0.12.1\n")})
        toolchain = Toolchain(name="bare-clang", probe=("cc",), allow=">=0.13,<1", install="pip install c==0.17")
        assert self._fail(toolchain, runner, scratch) == (
            "toolchain bare-clang: version 0.12.1 found, >=0.13,<1 wanted; install it with: pip install c==0.17"
        )

    def test_probe_that_fails(self, real, scratch):
        toolchain = Toolchain(name="x", probe=("sh", "-c", "echo 'No module named cc'; exit 1"))
        assert self._fail(toolchain, real, scratch) == (
            "toolchain x: its probe 'sh -c 'echo '\"'\"'No module named cc'\"'\"'; exit 1'' ended with exit code 1 "
            "and printed 'No module named cc'; install it, or put its folder on PATH"
        )

    @pytest.mark.parametrize(
        ("act", "problem"),
        [
            (
                Act(output=b"waiting for licence\n", takes_s=31.0),
                "its probe 'cc -v' did not end within 30 s and printed 'waiting for licence'; "
                "run it by hand to see what it waits for",
            ),
            (
                Act(end=Signalled(signal=Signals.SIGILL)),
                "its probe 'cc -v' was ended by SIGILL; install it, or put its folder on PATH",
            ),
            (
                Act(output=b"hello\n"),
                "its probe 'cc -v' printed no version number, got 'hello'; name a probe that prints one like 12.2.1",
            ),
            (
                Act(output=b"x" * 300, end=Exited(code=2)),
                f"its probe 'cc -v' ended with exit code 2 and printed '{'x' * 200}…'; "
                "install it, or put its folder on PATH",
            ),
        ],
    )
    def test_probe_that_hangs_crashes_or_says_nothing_of_use(self, scratch, act, problem):
        toolchain = Toolchain(name="x", probe=("cc", "-v"))
        assert self._fail(toolchain, FakeRunner({"cc": act}), scratch) == f"toolchain x: {problem}"

    def test_missing_program_beside_a_good_probe(self, scratch):
        runner = FakeRunner({"cc": Act(output=b"1.0\n")})
        for name, problem in (("no-ld", "'no-ld' is not on PATH"), ("/no/ld", "'/no/ld' does not exist")):
            toolchain = Toolchain(name="x", probe=("cc",), programs=(name,))
            assert self._fail(toolchain, runner, scratch) == (
                f"toolchain x: {problem}; install it, or put its folder on PATH"
            )

    @pytest.mark.parametrize(
        ("printed", "problem"),
        [
            ("", "printed nothing; it must print one whole path, nothing else"),
            (" \n\n", "printed nothing; it must print one whole path, nothing else"),
            ("cc1\n", "printed 'cc1', which does not begin with /; it must print one whole path, nothing else"),
            (
                "warning: no cache\n/bin/sh\n",
                "printed 2 lines, the first 'warning: no cache'; it must print one whole path, nothing else",
            ),
            ("/no/cc1\n", "printed '/no/cc1', which does not exist; install it, or put its folder on PATH"),
            ("/dev/null\n", "printed '/dev/null', which is no file; install it, or put its folder on PATH"),
            ("/\n", "printed '/', which is no file; install it, or put its folder on PATH"),
        ],
    )
    def test_command_that_prints_no_path_of_a_file(self, scratch, printed, problem):
        acts = {"cc": Act(output=b"1.0\n"), "where": Act(output=printed.encode())}
        toolchain = Toolchain(name="x", probe=("cc",), programs=(("where", "is it"),))
        assert self._fail(toolchain, FakeRunner(acts), scratch) == (
            f"toolchain x: the command 'where 'is it'' {problem}"
        )

    def test_command_for_a_path_that_fails_is_missing_or_hangs(self, scratch):
        toolchain = Toolchain(name="x", probe=("cc",), programs=(("where",),))
        for acts, problem in (
            ({}, "'where' is not on PATH; install it, or put its folder on PATH"),
            (
                {"where": Act(output=b"No module named zig\n", end=Exited(code=1))},
                "the command 'where' ended with exit code 1 and printed 'No module named zig'; "
                "install it, or put its folder on PATH",
            ),
            (
                {"where": Act(takes_s=31.0)},
                "the command 'where' did not end within 30 s; run it by hand to see what it waits for",
            ),
        ):
            runner = FakeRunner({"cc": Act(output=b"1.0\n"), **acts})
            assert self._fail(toolchain, runner, scratch) == f"toolchain x: {problem}"

    def test_program_whose_links_go_round_in_circles(self, real, scratch, tools):
        (tools / "cc1").symlink_to("cc2")
        (tools / "cc2").symlink_to("cc1")
        toolchain = Toolchain(name="x", probe=("sh", "-c", "echo 1.0"), programs=(str(tools / "cc1"),))
        assert self._fail(toolchain, real, scratch) == (
            f"toolchain x: '{tools}/cc1' cannot be read: Too many levels of symbolic links; "
            "install it, or put its folder on PATH"
        )

    def test_range_that_is_none(self, scratch):
        runner = FakeRunner({"cc": Act(output=b"1.0\n")})
        toolchain = Toolchain(name="x", probe=("cc",), allow="at least 12")
        assert self._fail(toolchain, runner, scratch) == (
            "toolchain x: allow: 'at least 12' is no version range; write for instance >=12.2,<14"
        )

    @pytest.mark.parametrize(
        ("act", "problem"),
        [
            (
                Act(end=NotStarted(message="'cc' cannot be started: Cannot allocate memory", kind=Hindrance.MACHINE)),
                "could not be run: 'cc' cannot be started: Cannot allocate memory",
            ),
            (Act(end=Lost(message="gone")), "could not be run: gone"),
            (
                Act(log_fault="the log cannot be written: No space left on device"),
                "left no output: the log cannot be written: No space left on device",
            ),
        ],
    )
    def test_fault_of_the_machine_is_no_fault_of_the_toolchain(self, scratch, act, problem):
        with pytest.raises(RunnerError) as caught:
            _probe(Toolchain(name="x", probe=("cc",)), FakeRunner({"cc": act}), scratch)
        assert str(caught.value) == f"toolchain x: its probe 'cc' {problem}"

    def test_cancelled_probe_says_nothing_about_the_toolchain(self, scratch):
        with CancelToken() as cancel:
            cancel.cancel()
            with pytest.raises(RunnerError) as caught:
                probe_toolchain(
                    Toolchain(name="x", probe=("cc",)),
                    runner=FakeRunner({}),
                    environment={},
                    scratch=scratch,
                    digests=DigestCache(None),
                    cancel=cancel,
                )
        assert str(caught.value) == "toolchain x: its probe 'cc' was cancelled"


class TestDigestCache:
    """Remembered digests: right above all, and cheap."""

    def _settled(self, path: Path) -> None:
        """Set the times of a file back, as those of an installed compiler are; its ctime stays that of the test."""
        os.utime(path, ns=(_SETTLED_NS, _SETTLED_NS))

    def test_settled_file_is_remembered_in_the_file(self, tmp_path):
        path = tmp_path / "digests.json"
        program = Path(sys.executable).resolve()
        first = DigestCache(path)
        found = first.digest(program)
        first.save()
        # A remembered digest that is not the file's own shows that the file was not read again.
        stored = json.loads(path.read_text())
        assert list(stored["files"]) == [str(program)]
        stored["files"][str(program)][-1] = "remembered"
        path.write_text(json.dumps(stored))
        assert found == DigestCache(None).digest(program)
        assert DigestCache(path).digest(program) == "remembered"

    def test_file_that_has_just_changed_is_not_remembered(self, tmp_path):
        """A second change within the time stamp's grain would not be seen; ctime cannot be set back."""
        program = tmp_path / "cc"
        program.write_bytes(b"a")
        self._settled(program)
        cache = DigestCache(tmp_path / "digests.json")
        assert cache.digest(program) == _digest(b"a")
        program.write_bytes(b"b")
        self._settled(program)
        assert cache.digest(program) == _digest(b"b")
        cache.save()
        assert not (tmp_path / "digests.json").exists()

    @pytest.mark.parametrize("field", range(5))
    def test_any_difference_of_the_file_makes_it_read_again(self, tmp_path, field):
        program = Path(sys.executable).resolve()
        path = tmp_path / "digests.json"
        first = DigestCache(path)
        found = first.digest(program)
        first.save()
        stored = json.loads(path.read_text())
        stored["files"][str(program)][field] += 1
        stored["files"][str(program)][-1] = "stale"
        path.write_text(json.dumps(stored))
        assert DigestCache(path).digest(program) == found

    def test_damaged_file_cut_at_any_length_costs_time_only(self, tmp_path):
        program = Path(sys.executable).resolve()
        path = tmp_path / "digests.json"
        first = DigestCache(path)
        found = first.digest(program)
        first.save()
        whole = path.read_bytes()
        known = tmp_path / "cc"
        known.write_bytes(b"a")
        for length in range(len(whole)):
            path.write_bytes(whole[:length])
            assert DigestCache(path).digest(known) == _digest(b"a")
        for content in (b"[]", b'{"format": 2}', b'{"format": 2, "files": [1]}', b'{"format": 2, "files": {"x": 1}}'):
            path.write_bytes(content)
            assert DigestCache(path).digest(known) == _digest(b"a")
        path.write_bytes(json.dumps({"format": 1, "files": {str(program): []}}).encode())
        assert DigestCache(path).digest(program) == found

    def test_folder_that_is_missing_is_no_error(self, tmp_path):
        cache = DigestCache(tmp_path / "none" / "digests.json")
        cache.digest(Path(sys.executable))
        cache.save()
        assert not (tmp_path / "none").exists()


@pytest.mark.parametrize("name", ["arm-none-eabi-gcc", "riscv64-unknown-elf-gcc"])
def test_compiler_behind_the_driver_is_the_one_that_compiles(real, scratch, name):
    """Source: what `-###` says that the driver would run (GCC manual, "Overall Options")."""
    if shutil.which(name) is None:
        name = "gcc"  # where a machine has only its own
    dry = subprocess.run([name, "-###", "-c", "-x", "c", "/dev/null"], capture_output=True, text=True, check=True)
    compiler = re.search(r"^ \"?(/\S+/cc1)\b", dry.stderr, re.MULTILINE)
    assert compiler
    programs = (name, (name, "-print-prog-name=cc1"))
    facts = _probe(Toolchain(name="gcc", probe=(name, "--version"), programs=programs), real, scratch)
    wanted = Path(compiler[1]).resolve()
    assert facts.programs[1].path == str(wanted)
    assert facts.programs[1].digest == DigestCache(None).digest(wanted)


@pytest.mark.parametrize("name", ["arm-none-eabi-gcc", "riscv64-unknown-elf-gcc", "powerpc-linux-gnu-gcc", "gcc"])
def test_version_is_what_the_compiler_itself_calls_it(real, scratch, name):
    """Source: GCC manual, "-dumpfullversion"."""
    if shutil.which(name) is None:
        name = "cc"  # every machine that runs the tests has this one
    wanted = subprocess.run([name, "-dumpfullversion"], capture_output=True, text=True, check=True).stdout.strip()
    facts = _probe(Toolchain(name="gcc", probe=(name, "--version"), programs=(name,)), real, scratch)
    assert facts.version == wanted
    assert facts.programs[0].path == str(Path(shutil.which(name) or "").resolve())


def test_compiler_of_the_demonstration_is_probed_as_the_matrix_says(real, scratch):
    locate = "import os, ziglang; print(os.path.join(os.path.dirname(ziglang.__file__), 'zig'))"
    toolchain = Toolchain(
        name="bare-clang",
        probe=(sys.executable, "-m", "ziglang", "version"),
        allow=">=0.13,<1",
        programs=((sys.executable, "-c", locate),),
    )
    facts = _probe(toolchain, real, scratch)
    # The compiler itself, not the interpreter that starts it.
    ran = subprocess.run([facts.programs[0].path, "version"], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == facts.version
    assert re.fullmatch(r"0\.[0-9]+\.[0-9]+", facts.version)
    assert facts.first_line == facts.version
