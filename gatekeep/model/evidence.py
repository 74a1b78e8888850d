"""
What one build of one target at one tree has shown.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from enum import Enum
from typing import NamedTuple

from gatekeep.model.readset import Carried, ReadSet


class Severity(Enum):
    """How grave a compiler, assembler or linker says that its message is."""

    WARNING = "warning"
    ERROR = "error"


class Speaker(Enum):
    """Which tool wrote a diagnostic."""

    COMPILER = "compiler"
    ASSEMBLER = "assembler"
    LINKER = "linker"
    MAKE = "make"


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnostic:
    """
    A compiler warning or error.

    `path` is relative to the tree with `/` (`<out>/…` for a generated file in the output folder, absolute for anything
    else); None when the tool named no place. `line` and `column` are 1-based. `option` is the warning option without
    `-W` (`unused-variable`), None when the tool named none. `excerpt` is the source line that the tool quoted,
    stripped.
    """

    severity: Severity
    speaker: Speaker
    message: str
    path: str | None = None
    line: int | None = None
    column: int | None = None
    option: str | None = None
    excerpt: str | None = None

    @property
    def place(self) -> str:
        """`path:line`, `path`, or "" when the tool named no place."""
        if self.path is None:
            return ""
        return f"{self.path}:{self.line}" if self.line is not None else self.path


class RegionUse(NamedTuple):
    """
    How full one region is.

    `used_bytes` counts as the linker counts: from the region's start to the end of what is furthest in it, gaps and
    alignment included. `flash` tells regions of the flash part from memories. A tuple, unlike its neighbours here: a
    site is made from some hundred thousand, and each as a dataclass took four times as long to make.
    """

    name: str
    used_bytes: int
    capacity_bytes: int
    reserve_bytes: int = 0
    flash: bool = True

    @property
    def over_bytes(self) -> int:
        """How far past its capacity; 0 when it fits."""
        return max(0, self.used_bytes - self.capacity_bytes)

    @property
    def into_reserve_bytes(self) -> int:
        """How far into its reserve (or beyond); 0 when the reserve is whole."""
        return max(0, self.used_bytes - (self.capacity_bytes - self.reserve_bytes))


@dataclass(frozen=True, slots=True, kw_only=True)
class Footprint:
    """
    Bytes used, by region, by section and by symbol.

    `regions` in the order of the matrix, flash first; `sections` (name, bytes) of every allocated section in file
    order, names may repeat; `symbols` (name, bytes) of sized functions and objects, largest first, then by name. Each
    may be empty.
    """

    regions: tuple[RegionUse, ...] = ()
    sections: tuple[tuple[str, int], ...] = ()
    symbols: tuple[tuple[str, int], ...] = ()

    def get_region(self, name: str) -> RegionUse | None:
        """Give the use of a region, None when it has none of that name."""
        return next((use for use in self.regions if use.name == name), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Artifact:
    """A file that a build left: `kind` is elf, image or archive; `name` relative to the output folder or tree."""

    kind: str
    name: str
    size_bytes: int
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Built:
    """
    Every command succeeded, every artifact is there, sound and of the port's machine, and every region fits.

    Where the target is booted, its console said all that is expected, after `booted_s` seconds of the emulator; None
    where it is not. Two builds of the same bytes are the same, however long they took to boot.
    """

    footprint: Footprint
    artifacts: tuple[Artifact, ...]
    booted_s: float | None = field(default=None, compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Broken:
    """
    The code's fault: a command failed, or left no artifact, or a wrong one.

    `message` is one sentence for people ("make ended with exit code 2", "the recipe succeeded and left no
    {out}/x.elf"). `first_error` is None when the log holds no diagnostic that looks like an error. `excerpt` is the log
    around it, raw and hostile, one line an entry.
    """

    message: str
    first_error: Diagnostic | None
    excerpt: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Overflow:
    """
    One region that did not fit; `over_bytes` is above 0, or None when the linker did not say by how much.

    `region` is the linker script's name where the linker refused, the matrix' name where the measured image is too
    large.
    """

    region: str
    over_bytes: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Outgrown:
    """
    A region past its capacity: measured on the image, or refused by the linker.

    `overflows` is never empty. `footprint` is None when the linker left no image; `message` says who found it.
    """

    overflows: tuple[Overflow, ...]
    footprint: Footprint | None
    message: str
    excerpt: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class TimedOut:
    """The recipe ran past its time limit; `stopped_by` is the signal that ended it, SIGTERM or SIGKILL."""

    limit_s: float
    stopped_by: str
    excerpt: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Try:
    """
    One of several builds of the same inputs that came out differently.

    `outcome` is its name, `message` one sentence and `excerpt` lines of its log, both hostile. `log_path` is relative
    to the store; None where the build kept no log.
    """

    outcome: str
    message: str = ""
    log_path: str | None = None
    excerpt: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class NotDecided:
    """
    The machine's fault, not the code's: says nothing about the target.

    `hint` is the way out, or None. `passing` tells that the machine may do better in a moment (it was out of memory),
    and is not kept. `tries` are builds of the same inputs of which one failed and one did not, in their order; empty
    where nothing contradicts. Which of them is right nobody can say, so such a result is kept and stands until somebody
    clears it: a lucky build does not wash it away.
    """

    message: str
    hint: str | None = None
    passing: bool = field(default=False, compare=False)
    tries: tuple[Try, ...] = ()


Outcome = Built | Broken | Outgrown | TimedOut | NotDecided


def name_outcome(outcome: Outcome) -> str:
    """Give the glossary's word: built, broken, outgrown, timed out, not decided."""
    return _NAMES[type(outcome)]


_NAMES: dict[type, str] = {
    Built: "built",
    Broken: "broken",
    Outgrown: "outgrown",
    TimedOut: "timed out",
    NotDecided: "not decided",
}


def log_file_name(tree_id: str, target: str, key: str, attempt: int = 1) -> str:
    """Give where a build's log lies among the logs: `b3d572894395/aarch64.ness.debug-9cb690ea.log`."""
    again = f"-{attempt}" if attempt > 1 else ""
    return f"{tree_id[:12]}/{target.replace('/', '.')}-{key[:8]}{again}.log"


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """
    All that one build of one target at one tree has shown.

    `key` is the digest of everything but the tree that the build depends on (recipe, matrix facts, toolchain, limits,
    evidence format). `commit_id` is the commit for which it was first built. `diagnostics` holds each distinct one
    once, in log order; `log_cut` tells that some may be missing, since the build printed more than is read or kept.
    `log_path` is relative to the store; None when nothing ran. `log_sha256` is the digest of that file, None where it
    was not taken. `touched` are paths of the tree that the build wrote,
    removed or re-dated although its recipe does not build in the tree; sorted. `started_at` is aware, in UTC.
    `read_set` is None where it is void (the build wrote into its tree, or the filesystem does not tell): such a result
    is never carried from. `carried` says where a result was taken over from, None for one that was built at this very
    tree. `reason` says why it was built in this run and not carried; hostile, and empty for what was not.
    """

    target: str
    tree_id: str
    commit_id: str
    key: str
    toolchain_version: str | None
    outcome: Outcome
    diagnostics: tuple[Diagnostic, ...] = ()
    elapsed_s: float = 0.0
    started_at: datetime | None = None
    log_path: str | None = None
    log_cut: bool = False
    log_sha256: str | None = None
    touched: tuple[str, ...] = ()
    read_set: ReadSet | None = None
    carried: Carried | None = None
    reason: str = ""

    @property
    def footprint(self) -> Footprint | None:
        """The footprint, where the build left one."""
        return self.outcome.footprint if isinstance(self.outcome, Built | Outgrown) else None

    @property
    def warnings(self) -> tuple[Diagnostic, ...]:
        """The diagnostics that are warnings, in log order."""
        return tuple(entry for entry in self.diagnostics if entry.severity is Severity.WARNING)
