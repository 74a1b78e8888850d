"""
Asking a toolchain what it is: its version, and the digests of the files that make it.

A version alone is not enough to reuse a result: a compiler rebuilt under the same version number makes other images. So
the program that is probed and every one that the matrix lists is hashed, and the digest of all goes into the evidence
key. A compiler may stand behind another program (cc1 behind the driver gcc, one in a Python package behind python3), so
the matrix may also give a command that prints where it lies. Hashing 186 MB takes 0.4 s of CPU (`file_digest`), against
0.8 s for a run with nothing to do; so digests are kept in a file, beside the facts of the file that a replacement
cannot keep the same.

A probe runs in an empty folder, never in the tree: `python3 -m NAME` would find a folder NAME of the change.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shlex
import tempfile
import time
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from packaging.specifiers import InvalidSpecifier, SpecifierSet
from packaging.version import InvalidVersion, Version

from gatekeep.build.command import (
    Cancelled,
    CancelToken,
    CommandResult,
    CommandRunner,
    CommandSpec,
    Exited,
    Heard,
    Hindrance,
    Lost,
    NotStarted,
    OverLimit,
    Signalled,
    TimedOutEnd,
)
from gatekeep.build.file_digest import digest_file
from gatekeep.build.launch import NotStartedError, find_program
from gatekeep.errors import RunnerError, ToolchainError
from gatekeep.model.matrix import Toolchain

#: A version is printed in milliseconds; a probe that waits for input or a licence server must not hold a gate up.
PROBE_LIMIT_S = 30.0
_PROBE_LOG_LIMIT_BYTES = 64 * 1024
#: Of one toolchain: its probe, and the commands that say where its programs lie.
_ASKED_AT_ONCE = 3
_FIRST_LINE_LENGTH = 200
#: A file that changed less than this before we looked may change again within the same time stamp: not remembered.
#: Coarsest stamps of the filesystems in use: 2 s (FAT); those of Linux' own take the kernel's tick, 1 to 10 ms.
_RACY_S = 2.0
_DIGESTS_FORMAT = 2
#: What a script in front of a compiler ends with when that cannot be run, or is not there (POSIX.1-2017, sh, "EXIT
#: STATUS"): in the sandbox it may be just not seen.
_NOT_RUN = (126, 127)
_PARENTHESIS = re.compile(r"[()]")
_VERSION = re.compile(
    r"(?<![0-9.:])([0-9]+(?:\.[0-9]+)+)((?:[-.]?(?:dev|alpha|beta|rc|pre)[-.]?[0-9]*)?(?:\+[0-9A-Za-z.]+)?)"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ProgramFile:
    """
    A file that makes a toolchain what it is.

    `name` is its name in the matrix, or the command that prints its path; `path` is where it really lies.
    """

    name: str
    path: str
    digest: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ToolchainFacts:
    """
    What a toolchain is on this machine.

    `version` as it was printed; `first_line` the first line of the probe's output that is not blank; `output_sha256`
    the digest of all of it, and `prober` the program that printed it. `programs` in the order of the matrix; may be
    empty.
    """

    name: str
    version: str
    first_line: str
    output_sha256: str
    prober: ProgramFile | None = None
    programs: tuple[ProgramFile, ...] = ()

    @property
    def digest(self) -> str:
        """One SHA-256 over everything that can change what the toolchain builds; part of every evidence key."""
        # What the matrix lists besides has its place there.
        is_listed = self.prober is None or self.prober in self.programs
        files = self.programs if is_listed else (self.prober, *self.programs)
        facts = [self.output_sha256, *((entry.name, entry.path, entry.digest) for entry in files if entry is not None)]
        return hashlib.sha256(json.dumps(facts).encode()).hexdigest()


class DigestCache:
    """
    Digests of files, remembered by what a replaced file cannot keep: device, inode, size, mtime and ctime.

    A cache and no evidence: a file that cannot be read or written costs time and nothing else.
    """

    def __init__(self, path: Path | None) -> None:
        """Remember in `path`; None remembers for this process alone."""
        self._path = path
        self._known: dict[str, list[object]] = {}
        self._is_new = False
        if path is not None:
            try:
                stored = json.loads(path.read_bytes())
                if stored["format"] == _DIGESTS_FORMAT:
                    self._known = {str(name): list(entry) for name, entry in stored["files"].items()}
            except (OSError, ValueError, TypeError, KeyError, AttributeError):
                self._known = {}

    def digest(self, path: Path) -> str:
        """
        Give the digest of a file's content; see `file_digest`.

        Raises:
            OSError: It cannot be read.
        """
        with path.open("rb") as stream:
            status = os.fstat(stream.fileno())
            stamp = [status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns, status.st_ctime_ns]
            known = self._known.get(str(path))
            if known is not None and known[:-1] == stamp and isinstance(known[-1], str):
                return known[-1]
            digest = digest_file(stream.fileno())
        if time.time_ns() - max(status.st_mtime_ns, status.st_ctime_ns) > _RACY_S * 1e9:
            self._known[str(path)] = [*stamp, digest]
            self._is_new = True
        return digest

    def save(self) -> None:
        """Write what is new, whole or not at all."""
        if self._path is None or not self._is_new:
            return
        text = json.dumps({"format": _DIGESTS_FORMAT, "files": self._known}, indent=1, sort_keys=True)
        try:
            with tempfile.NamedTemporaryFile(
                "w", dir=self._path.parent, prefix=f".{self._path.name}.", delete=False
            ) as stream:
                stream.write(text)
            Path(stream.name).replace(self._path)
        except OSError:
            return
        self._is_new = False


def probe_toolchain(
    toolchain: Toolchain,
    *,
    runner: CommandRunner,
    environment: Mapping[str, str],
    scratch: Path,
    digests: DigestCache,
    cancel: CancelToken,
) -> ToolchainFacts:
    """
    Find out what a toolchain is, and whether the matrix allows it.

    Args:
        toolchain: From the matrix.
        runner: Runs its probe.
        environment: All that the probe gets; its PATH is where programs are looked for.
        scratch: An empty folder, which exists; the probe runs there, and whatever runs leaves its log there.
        digests: Asked for the digest of every program; not saved here.
        cancel: Ends the probe, and the commands that print where programs lie.

    Raises:
        ToolchainError: It is missing, prints no version or one that is not allowed, or a program is not found or cannot
            be read.
        RunnerError: The probe was cancelled, or the machine could not run it.
    """

    def ask(argv: tuple[str, ...], directory: Path, what: str) -> bytes:
        handle, log_name = tempfile.mkstemp(dir=scratch, prefix="probe-", suffix=".log")
        os.close(handle)
        spec = CommandSpec(
            argv=argv,
            directory=directory,
            environment=environment,
            time_limit_s=PROBE_LIMIT_S,
            log_path=Path(log_name),
            log_limit_bytes=_PROBE_LOG_LIMIT_BYTES,
        )
        result = runner.run(spec, cancel)
        printed = spec.log_path.read_bytes()
        _check_end(toolchain, what, result, printed.decode("utf-8", "replace"))
        return printed

    def find(program: str | tuple[str, ...]) -> ProgramFile:
        if isinstance(program, str):
            return _identify(toolchain, program, program, environment.get("PATH", ""), digests)
        name = shlex.join(program)
        # A folder of its own: what the probe or the command before has left there is no part of the toolchain.
        printed = ask(program, Path(tempfile.mkdtemp(dir=scratch, prefix="program-")), f"the command '{name}'")
        return _identify(toolchain, name, _read_path(toolchain, name, printed), "", digests)

    def probe() -> tuple[bytes, str]:
        printed = ask(toolchain.probe, scratch, f"its probe '{shlex.join(toolchain.probe)}'")
        version = find_version(printed.decode("utf-8", "replace"))
        if version is None:
            first_line = _first_line(printed.decode("utf-8", "replace"))
            problem = f"its probe '{shlex.join(toolchain.probe)}' printed no version number, got '{first_line}'"
            raise ToolchainError(
                toolchain.name, f"toolchain {toolchain.name}: {problem}; name a probe that prints one like 12.2.1"
            )
        _check_allowed(toolchain, version)
        return printed, version

    # Side by side; of several faults the probe's is told first.
    with ThreadPoolExecutor(max_workers=_ASKED_AT_ONCE, thread_name_prefix="probe") as threads:
        probed = threads.submit(probe)
        programs = {program: threads.submit(find, program) for program in (toolchain.probe[0], *toolchain.programs)}
        printed, version = probed.result()
        return ToolchainFacts(
            name=toolchain.name,
            version=version,
            first_line=_first_line(printed.decode("utf-8", "replace")),
            output_sha256=hashlib.sha256(printed).hexdigest(),
            prober=programs[toolchain.probe[0]].result(),
            programs=tuple(programs[program].result() for program in toolchain.programs),
        )


def find_version(output: str) -> str | None:
    """
    Find the version in what a tool prints about itself.

    The first number with a dot in it, outside parentheses: there distributions write the version of their package.
    `arm-none-eabi-gcc (15:12.2.rel1-1) 12.2.1 20221205` gives 12.2.1. A suffix of a release that is not final belongs
    to it (`0.14.0-dev.367+a57479afc`). None when there is none, also not inside parentheses.

    Source: GNU coding standards, "--version" (the version is the last word of the first line, the package stands in
    parentheses before it); what other tools print was looked at.
    """
    for text in (_drop_parentheses(output), output):
        # A path or an address may have a number with dots in it, and is not what the tool calls itself.
        words = (word for word in text.split() if not word.startswith("/") and "://" not in word)
        match = next((found for word in words if (found := _VERSION.search(word))), None)
        if match is not None:
            return match[0] if _parse(match[0]) is not None else match[1]
    return None


def _drop_parentheses(text: str) -> str:
    """Put a blank in the place of each outermost pair and what it holds; one that is not closed stays."""
    opened: list[int] = []
    pairs: list[tuple[int, int]] = []
    for found in _PARENTHESIS.finditer(text):
        if found[0] == "(":
            opened.append(found.start())
        elif opened:
            start = opened.pop()
            while pairs and pairs[-1][0] > start:
                pairs.pop()
            pairs.append((start, found.end()))
    kept, at = [], 0
    for start, end in pairs:
        kept += [text[at:start], " "]
        at = end
    return "".join((*kept, text[at:]))


def _parse(text: str) -> Version | None:
    try:
        return Version(text)
    except InvalidVersion:
        return None


def is_allowed(version: str, allow: str) -> bool:
    """
    Tell whether a version is in a range; "" allows every version.

    A pre-release counts where its number lies: 0.14.0-dev.367 is in `>=0.13,<1` and not in `>=0.14`; 1.0.0-rc1 is not
    in `<1`.

    Source: PEP 440, "Version specifiers".

    Raises:
        ValueError: `allow` is no range.
    """
    try:
        return SpecifierSet(allow).contains(Version(version), prereleases=True)
    except InvalidSpecifier as error:
        raise ValueError(f"'{allow}' is no version range; write for instance >=12.2,<14") from error


def _check_allowed(toolchain: Toolchain, version: str) -> None:
    try:
        allowed = is_allowed(version, toolchain.allow)
    except ValueError as error:
        raise ToolchainError(toolchain.name, f"toolchain {toolchain.name}: allow: {error}") from error
    if not allowed:
        raise ToolchainError(
            toolchain.name,
            f"toolchain {toolchain.name}: version {version} found, {toolchain.allow} wanted; "
            f"{_way_out(toolchain, 'install one that is allowed')}",
        )


def _check_end(toolchain: Toolchain, what: str, result: CommandResult, output: str) -> None:
    """Raise unless a command that we asked, named `what` in messages, ended well."""
    way_out = _way_out(toolchain, "install it, or put its folder on PATH")
    printed = f" and printed '{_first_line(output)}'" if output.strip() else ""
    match result.end:
        case Exited(code=0):
            if result.log_fault is None:
                return
            raise RunnerError(f"toolchain {toolchain.name}: {what} left no output: {result.log_fault}")
        case NotStarted(kind=Hindrance.MACHINE, message=message) | Lost(message=message):
            raise RunnerError(f"toolchain {toolchain.name}: {what} could not be run: {message}")
        case Cancelled():
            raise RunnerError(f"toolchain {toolchain.name}: {what} was cancelled")
        case NotStarted(message=message):
            problem = message
        case Heard():  # nothing is listened for here
            return
        case TimedOutEnd():
            problem = f"{what} did not end within {PROBE_LIMIT_S:g} s{printed}"
            way_out = "run it by hand to see what it waits for"
        case OverLimit(resource=resource):
            problem = f"{what} used more {resource.value} than a probe may{printed}"
        case Exited(code=code):
            problem = f"{what} ended with exit code {code}{printed}"
            if code in _NOT_RUN and not toolchain.install:
                way_out += ", or show what it needs to the sandbox (--sandbox-show)"
        case Signalled(signal=signal):
            problem = f"{what} was ended by {signal.name}{printed}"
    raise ToolchainError(toolchain.name, f"toolchain {toolchain.name}: {problem}; {way_out}")


def _way_out(toolchain: Toolchain, otherwise: str) -> str:
    return f"install it with: {toolchain.install}" if toolchain.install else otherwise


def _first_line(output: str) -> str:
    line = next((line.strip() for line in output.splitlines() if line.strip()), "")
    return line if len(line) <= _FIRST_LINE_LENGTH else line[:_FIRST_LINE_LENGTH] + "…"


def _read_path(toolchain: Toolchain, command: str, printed: bytes) -> str:
    """Read the one path that a command has printed; a gcc that does not find cc1 prints `cc1`."""
    lines = [line for line in os.fsdecode(printed).splitlines() if line.strip()]
    if not lines:
        problem = "printed nothing"
    elif len(lines) > 1:
        problem = f"printed {len(lines)} lines, the first '{_first_line(lines[0])}'"
    elif not lines[0].startswith("/"):
        problem = f"printed '{_first_line(lines[0])}', which does not begin with /"
    else:
        return lines[0].rstrip()
    raise ToolchainError(
        toolchain.name,
        f"toolchain {toolchain.name}: the command '{command}' {problem}; it must print one whole path, nothing else",
    )


def _identify(toolchain: Toolchain, name: str, where: str, search_path: str, digests: DigestCache) -> ProgramFile:
    """Find one program of a toolchain, by its path or along PATH, and hash it; `name` is what the matrix says."""
    what = f"'{where}'" if name == where else f"the command '{name}' printed '{where}', which"
    try:
        if where.startswith("/"):
            # Any file that makes the toolchain what it is, a library or a specs file too: it need not be executable.
            path = Path(where)
        else:
            path = Path(os.fsdecode(find_program(os.fsencode(where), os.fsencode(search_path))))
        path = Path(os.path.realpath(path))  # Path.resolve would raise RuntimeError for links that go round in circles
        if not path.exists() or path.is_file():
            return ProgramFile(name=name, path=str(path), digest=digests.digest(path))
        problem = f"{what} is no file"
    except FileNotFoundError:
        problem = f"{what} does not exist"
    except NotStartedError as error:
        problem = str(error.args[1])
    except OSError as error:
        problem = f"{what} cannot be read: {error.strerror}"
    way_out = _way_out(toolchain, "install it, or put its folder on PATH")
    raise ToolchainError(toolchain.name, f"toolchain {toolchain.name}: {problem}; {way_out}")
