"""
What a matrix file says, resolved: every target whole, with nothing left to inherit.
"""

from __future__ import annotations

import base64
import hashlib
from dataclasses import dataclass, field
from datetime import date
from enum import Enum
from fractions import Fraction
from typing import Literal

from gatekeep.model.limits import Limits
from gatekeep.model.quantity import render_bytes

ByteOrder = Literal["little", "big"]
Bits = Literal[32, 64]

#: How many days a waiver may last where a matrix says nothing of it.
WAIVER_DAYS = 90


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Place:
    """Where in a matrix file something is said; 1-based line and column."""

    path: str
    line: int
    column: int

    def __str__(self) -> str:
        return f"{self.path}:{self.line}:{self.column}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Maintainer:
    """A person who cares for a port; `email` is None when the matrix gives only a name."""

    name: str
    email: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """
    A named range of the flash part with a capacity of its own.

    `at_bytes` counts from the start of the part; `reserve_bytes` must stay free.
    """

    name: str
    at_bytes: int
    capacity_bytes: int
    reserve_bytes: int = 0
    write_protected: bool = False

    def __post_init__(self) -> None:
        if self.at_bytes < 0 or self.capacity_bytes <= 0:
            raise ValueError(f"region {self.name}: at_bytes must be 0 or more and capacity_bytes above 0")
        if not 0 <= self.reserve_bytes < self.capacity_bytes:
            raise ValueError(f"region {self.name}: reserve_bytes must be below capacity_bytes")

    @property
    def end_bytes(self) -> int:
        """First byte past the region, from the start of the part."""
        return self.at_bytes + self.capacity_bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """
    A flash part.

    `regions` is never empty and sorted by `at_bytes`: a part without regions of its own has one, named `flash`, of the
    whole capacity.
    """

    name: str
    capacity_bytes: int
    regions: tuple[Region, ...]

    def __post_init__(self) -> None:
        if not self.regions:
            raise ValueError(f"part {self.name}: regions must not be empty")
        for region in self.regions:
            if region.end_bytes > self.capacity_bytes:
                raise ValueError(
                    f"part {self.name}: region {region.name} ends past {render_bytes(self.capacity_bytes)}"
                )


@dataclass(frozen=True, slots=True, kw_only=True)
class Memory:
    """Memory that is not the flash part (RAM): the address where the processor sees it, and its capacity."""

    name: str
    address: int
    capacity_bytes: int
    reserve_bytes: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class CacheWish:
    """
    A compiler cache that a toolchain asks for.

    `program` is ccache, by name or path; `in_front_of` the names of the compilers whose work it keeps, never empty;
    `limit_bytes` how much it may hold.
    """

    in_front_of: tuple[str, ...]
    program: str = "ccache"
    limit_bytes: int = 2 * 1024**3


@dataclass(frozen=True, slots=True, kw_only=True)
class Toolchain:
    """
    A compiler set.

    `probe` is a command whose output holds the version; `allow` a comma-separated version range by PEP 440 ("" allows
    every version); `install` the hint shown where it is missing; `programs` say which files besides the probe's own
    program make the toolchain what it is: the name (looked up on PATH) or path of one, or a command that prints its
    path, for a compiler that stands behind a driver or an interpreter. `compile_cache` is None where every file is
    compiled.
    """

    name: str
    probe: tuple[str, ...]
    allow: str = ""
    install: str | None = None
    programs: tuple[str | tuple[str, ...], ...] = ()
    compile_cache: CacheWish | None = None


class ImageFormat(Enum):
    """How the file that goes into the part is written."""

    RAW = "raw"
    INTEL_HEX = "intel-hex"
    S_RECORD = "s-record"


#: How many processes and threads one build may have at once: common practice, no source; `make -j` on 256 cores with
#: four processes a compiler stays below.
MAX_PROCESSES = 4096


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """
    The commands that build a target and the files that they leave.

    Commands, paths and environment values may hold `{out}` (the job's own empty output folder), `{tree}` (the worker's
    copy of the tree) and `{jobs}` (how many processes the build may use); every other placeholder was filled when
    the matrix was loaded. Commands run in `{tree}`/`directory`.
    """

    name: str
    build: tuple[tuple[str, ...], ...]
    directory: str = "."
    elf: str | None = None
    image: str | None = None
    image_format: ImageFormat = ImageFormat.RAW
    archives: tuple[str, ...] = ()
    environment: tuple[tuple[str, str], ...] = ()
    keep_environment: tuple[str, ...] = ()
    time_limit_s: float = 600.0
    log_limit_bytes: int = 4 * 1024**2
    memory_limit_bytes: int = 8 * 1024**3
    disk_limit_bytes: int = 12 * 1024**3
    builds_in_tree: bool = False

    def __post_init__(self) -> None:
        if not self.build:
            raise ValueError(f"recipe {self.name}: build must not be empty")
        if not (self.elf or self.image or self.archives):
            raise ValueError(f"recipe {self.name}: needs elf, image or archives")

    @property
    def limits(self) -> Limits:
        """What one build may use of a machine."""
        return Limits(
            memory_bytes=self.memory_limit_bytes, process_count=MAX_PROCESSES, disk_bytes=self.disk_limit_bytes
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Boot:
    """
    How an image is booted, and what its console has to say.

    `command` is the emulator, run where the recipe's commands are, and holds the same run-time placeholders; `expect`
    are texts of one line each, which have to come in this order. Neither is ever empty.
    """

    command: tuple[str, ...]
    expect: tuple[str, ...]
    time_limit_s: float = 10.0

    def __post_init__(self) -> None:
        if not self.command or not self.expect or not all(self.expect):
            raise ValueError("a boot needs a command and texts to expect")
        if not self.time_limit_s > 0:
            raise ValueError(f"time_limit_s must be above 0, got {self.time_limit_s}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Port:
    """
    All targets of one CPU architecture.

    `since` is the day the port joined the tree, None for the founding ports: the newest goes first. `machine` is the
    e_machine name without its EM_ prefix, as the System V gABI writes it (`RISCV`, `AARCH64`), or None.
    """

    name: str
    maintainers: tuple[Maintainer, ...]
    machine: str | None
    bits: Bits | None
    byte_order: ByteOrder | None
    since: date | None = None
    place: Place = field(compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """
    A board in one configuration, with everything that builds and judges it.

    `part` is None for what has no flash part (a library). `part_address` is where the processor sees the part's first
    byte: load addresses of the ELF count from there; None when they are offsets into the part already. `settings` are
    the free values that filled the recipe's placeholders. `boot` is None for what is not booted.
    """

    port: str
    board: str
    configuration: str | None
    toolchain: Toolchain
    recipe: Recipe
    part: Part | None
    part_address: int | None
    memories: tuple[Memory, ...] = ()
    settings: tuple[tuple[str, str], ...] = ()
    boot: Boot | None = None
    place: Place = field(compare=False, repr=False)

    @property
    def name(self) -> str:
        """`port/board` or `port/board/configuration`."""
        tail = f"/{self.configuration}" if self.configuration is not None else ""
        return f"{self.port}/{self.board}{tail}"


class RuleStrength(Enum):
    """What a rule does when it is broken: stop the change, or only be shown."""

    BLOCK = "block"
    REPORT = "report"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """
    What blocks beyond broken, outgrown and undecided, which always do.

    `growth_per_change` holds (region name, bytes) pairs: how much a region may grow over the whole change.
    `waiver_days` is how many days a waiver may last, its first and its last included.
    """

    new_warnings: RuleStrength = RuleStrength.REPORT
    growth_per_change: tuple[tuple[str, int], ...] = ()
    waiver_days: int = WAIVER_DAYS


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """
    A pattern of paths that say "here is a board".

    `pattern` is a path with `{board}` once, `{port}` at most once, and `*` for any other text within one path segment
    (`boards/{board}/board.mk`). A path in the tree that fits and names no board of the matrix blocks the change.
    """

    pattern: str
    place: Place = field(compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Approver:
    """
    Somebody who may approve what a change loosens.

    `key` is an OpenSSH public key, type and base64 with one blank between. `until` is the last day, in UTC, on which it
    counts; None means always.
    """

    name: str
    key: str
    until: date | None = None
    place: Place = field(compare=False, repr=False)

    @property
    def fingerprint(self) -> str:
        """
        What people compare keys by.

        Source:
            ssh-keygen(1), -l and -E: SHA256 of the decoded key, in base64 without padding.
        """
        digest = hashlib.sha256(base64.b64decode(self.key.partition(" ")[2])).digest()
        return f"SHA256:{base64.b64encode(digest).decode('ascii').rstrip('=')}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Matrix:
    """
    A whole matrix.

    `source_date` becomes SOURCE_DATE_EPOCH (seconds since 1970-01-01 UTC) of every build. `ports` and `targets` are in
    file order; names are unique in both, and so are the names and keys of `approvers`.
    """

    path: str
    tree: str
    source_date: int
    ports: tuple[Port, ...]
    targets: tuple[Target, ...]
    claims: tuple[Claim, ...] = ()
    rules: Rules = field(default_factory=Rules)
    approvers: tuple[Approver, ...] = ()
    #: Judging asks for every target by its name: looking through all of them each time, 3,000 would take seconds.
    _targets_by_name: dict[str, Target] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_targets_by_name", {target.name: target for target in self.targets})

    def get_port(self, name: str) -> Port | None:
        """Give the port of that name, None when there is none."""
        return next((port for port in self.ports if port.name == name), None)

    def get_target(self, name: str) -> Target | None:
        """Give the target of that name, None when there is none."""
        return self._targets_by_name.get(name)


def reserve_of(capacity_bytes: int, share: Fraction) -> int:
    """Bytes that a reserve of `share` keeps free: rounded up, so that the reserve is never smaller than asked."""
    return -int(-capacity_bytes * share // 1)
