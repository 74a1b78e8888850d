"""
An invented tree over years: its commits, and what each build of each of its targets shows.

Images grow by small steps, seldom by large ones; a driver that breaks takes one target or many with it until somebody
mends it; warnings come and go; no build takes as long as the one before. A sweep builds everything clean: most images,
warnings and read sets are then those that gates have carried, and only the durations are others. Each build goes on
from what the one before it showed, so that a store which is there can be gone on with (`Board.resume`).
"""

from __future__ import annotations

import hashlib
import random
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import NamedTuple

from gatekeep.model.change import Commit
from gatekeep.model.evidence import (
    Artifact,
    Broken,
    Built,
    Diagnostic,
    Evidence,
    Footprint,
    NotDecided,
    Outcome,
    Outgrown,
    Overflow,
    RegionUse,
    Severity,
    Speaker,
    log_file_name,
    name_outcome,
)
from gatekeep.model.history import Turn, TurnRecord
from gatekeep.model.readset import ReadSet

START = datetime(2024, 1, 1, tzinfo=UTC)
HOURS_A_COMMIT = 4
FILES = 400
SWEPT_EVERY = 10
PORTS = 10
BOOT_BYTES, MAIN_BYTES, RAM_BYTES = 64 * 1024, 960 * 1024, 256 * 1024
RESERVE_PER_CENT = 5
_MOST_USED = MAIN_BYTES * (100 - RESERVE_PER_CENT) // 100
_SYMBOLS = 120
_FILES_READ = 150
_MOST_WARNINGS = 6
#: Of a sweep's builds, the share whose image is not that of the result that was carried: what an audit would report.
_UNLIKE = 0.002
#: Sweeps in which the machine let one target undecided, one in so many.
_UNDECIDED_EVERY = 25
_WARNINGS = (
    ("unused-variable", "unused variable 'counter_{n}'", "int counter_{n};"),
    ("sign-compare", "comparison of integers of different signs", "if (count_{n} < size_{n})"),
    ("unused-function", "'flush_{n}' defined but not used", "static void flush_{n}(void)"),
)
_FAULTS = (
    "a pointer is cut to 32 bits",
    "implicit declaration of function 'lamp_set'",
    "static assertion failed: the table does not fit its page",
)


class Fault(NamedTuple):
    """What is wrong with some targets from one commit on until another; the last may never come."""

    first: int
    end: int
    targets: tuple[str, ...]
    message: str
    line: int
    is_outgrown: bool


@dataclass(slots=True, kw_only=True)
class Step:
    """
    What one commit brought to the store.

    `built` by the gate, `carried` from these results, `swept` by a sweep where the commit was swept, with what turned.
    """

    commit: Commit
    built: list[Evidence]
    carried: list[Evidence]
    swept: list[Evidence] | None = None
    turns: list[TurnRecord] = field(default_factory=list)


class Board:
    """One target: what its next build would show."""

    def __init__(self, name: str, number: int, drawn: random.Random) -> None:
        self.name = name
        self.key = hashlib.sha256(name.encode()).hexdigest()
        size = drawn.randrange(2_500, 5_500) if number % 50 != 11 else 7_400
        self.sizes = {f"driver_function_{n:03}": max(8, int(size * drawn.uniform(0.1, 1.9))) for n in range(_SYMBOLS)}
        self.boot_bytes = drawn.randrange(30_000, 60_000)
        self.usual_s = drawn.uniform(2, 40)
        self.warnings = tuple(make_warning(drawn) for _ in range(drawn.randrange(_MOST_WARNINGS)))
        first = drawn.randrange(FILES - _FILES_READ)
        files = (f"boards/{name}.mk", *(f"drivers/part{first + n:03}.c" for n in range(_FILES_READ)))
        self.read_set = ReadSet(files=files, folders=(".", "drivers"))
        self.fault: Fault | None = None
        self.outcome: Outcome = self._link()
        #: The build that holds now, and the last commit that changed what it shows.
        self.newest: Evidence | None = None
        self.changed_in = ""

    def resume(self, evidence: Evidence) -> None:
        """Go on from a result, whole; one that left no image is shown again until the board is thrown away."""
        self.newest, self.outcome, self.warnings = evidence, evidence.outcome, evidence.warnings
        self.key, self.usual_s = evidence.key, evidence.elapsed_s
        self.read_set = evidence.read_set or self.read_set
        if evidence.footprint is not None:
            self.sizes = dict(evidence.footprint.symbols)
            boot = evidence.footprint.get_region("boot")
            self.boot_bytes = boot.used_bytes if boot is not None else self.boot_bytes

    def change(self, drawn: random.Random) -> None:
        """Let a commit change what the target is built from."""
        names = drawn.sample(sorted(self.sizes), 3)
        if drawn.random() > 0.3:
            grows = sum(self.sizes.values()) < _MOST_USED
            chance = drawn.random()
            for name in names:
                self._add(name, drawn.randrange(-60, 110 if grows else 40))
            if chance < 0.05 and grows:
                self._add(names[0], drawn.randrange(500, 6_000))
            elif chance < 0.07:
                self._add(names[0], -drawn.randrange(500, 4_000))
        if drawn.random() < 0.01:
            self.boot_bytes = min(BOOT_BYTES - 512, self.boot_bytes + drawn.randrange(-100, 200))
        kept = [entry for entry in self.warnings if drawn.random() > 0.01]
        if drawn.random() < 0.02 and len(kept) < _MOST_WARNINGS:
            kept.append(make_warning(drawn))
        if kept and drawn.random() < 0.1:
            kept[0] = replace(kept[0], line=(kept[0].line or 1) + drawn.randrange(1, 9))
        self.warnings = tuple(kept)
        if drawn.random() < 0.02:
            files = {*self.read_set.files, f"drivers/part{drawn.randrange(FILES):03}.c"}
            self.read_set = replace(self.read_set, files=tuple(sorted(files)))
        self.outcome = self._link()

    def build(self, commit: Commit, drawn: random.Random, *, is_clean: bool = False) -> Evidence:
        """Give what a build of a commit shows; a clean one takes as long as the machine has other work."""
        outcome = self.outcome
        if is_clean and isinstance(outcome, Built) and drawn.random() < _UNLIKE:
            outcome = link(self.sizes | {"driver_function_000": drawn.randrange(100, 200)}, self.boot_bytes)
        error = outcome.first_error if isinstance(outcome, Broken) else None
        diagnostics = (*self.warnings, error) if error is not None else self.warnings
        log = tell_log(outcome, diagnostics)
        self.newest = Evidence(
            target=self.name,
            tree_id=commit.tree_id,
            commit_id=commit.commit_id,
            key=self.key,
            toolchain_version="13.2.1",
            outcome=outcome,
            diagnostics=diagnostics,
            elapsed_s=round(self.usual_s * drawn.gauss(1.1 if is_clean else 1, 0.06), 3),
            started_at=commit.committed_at + timedelta(minutes=5),
            log_path=f"logs/{log_file_name(commit.tree_id, self.name, self.key)}" if log else None,
            log_sha256=log[1] if log else None,
            read_set=self.read_set,
        )
        return self.newest

    def _add(self, name: str, amount: int) -> None:
        self.sizes[name] = max(8, self.sizes[name] + amount)

    def _link(self) -> Outcome:
        if self.fault is None:
            return link(self.sizes, self.boot_bytes)
        message, line = self.fault.message, self.fault.line
        if self.fault.is_outgrown:
            excerpt = (f"ld: region `main' overflowed by {line} bytes",)
            return Outgrown(
                overflows=(Overflow(region="main", over_bytes=line),),
                footprint=None,
                message="the linker refused",
                excerpt=excerpt,
            )
        error = Diagnostic(
            severity=Severity.ERROR,
            speaker=Speaker.COMPILER,
            message=message,
            path="drivers/part007.c",
            line=line,
            column=9,
        )
        return Broken(
            message="make ended with exit code 2",
            first_error=error,
            excerpt=(f"drivers/part007.c:{line}:9: error: {message}",),
        )


def link(sizes: Mapping[str, int], boot_bytes: int) -> Built:
    """Give an image of these symbols."""
    stored = sum(sizes.values())
    constants, data = stored // 4, 512 + stored // 400
    used = stored + data
    return Built(
        footprint=Footprint(
            regions=(
                RegionUse(name="boot", used_bytes=boot_bytes, capacity_bytes=BOOT_BYTES),
                RegionUse(
                    name="main",
                    used_bytes=used,
                    capacity_bytes=MAIN_BYTES,
                    reserve_bytes=MAIN_BYTES * RESERVE_PER_CENT // 100,
                ),
                RegionUse(name="ram", used_bytes=data + stored // 10, capacity_bytes=RAM_BYTES, flash=False),
            ),
            sections=(
                (".boot", boot_bytes),
                (".text", stored - constants),
                (".rodata", constants),
                (".data", data),
                (".bss", stored // 10),
            ),
            symbols=tuple((name, -size) for size, name in sorted((-size, name) for name, size in sizes.items())),
        ),
        artifacts=(
            Artifact(
                kind="elf",
                name="out/image.elf",
                size_bytes=used + 40_000,
                sha256=hashlib.sha256(repr((boot_bytes, *sizes.values())).encode()).hexdigest(),
            ),
        ),
    )


def make_warning(drawn: random.Random) -> Diagnostic:
    number = drawn.randrange(FILES)
    option, message, excerpt = drawn.choice(_WARNINGS)
    return Diagnostic(
        severity=Severity.WARNING,
        speaker=Speaker.COMPILER,
        message=message.format(n=number),
        path=f"drivers/part{number:03}.c",
        line=drawn.randrange(10, 400),
        column=9,
        option=option,
        excerpt=excerpt.format(n=number),
    )


def tell_log(outcome: Outcome, diagnostics: tuple[Diagnostic, ...]) -> tuple[str, str] | None:
    """Give a build's log and its SHA-256; None for one that was fine, which leaves none."""
    if isinstance(outcome, Built) and not diagnostics:
        return None
    return _tell_log(diagnostics, outcome.excerpt if isinstance(outcome, Broken | Outgrown) else ())


@lru_cache(maxsize=4096)
def _tell_log(diagnostics: tuple[Diagnostic, ...], excerpt: tuple[str, ...]) -> tuple[str, str]:
    lines = [f"cc -c drivers/part{number:03}.c" for number in range(_FILES_READ)]
    lines += [f"{entry.place}:{entry.column}: {entry.severity.value}: {entry.message}" for entry in diagnostics]
    text = "".join(f"{line}\n" for line in dict.fromkeys((*lines, *excerpt)))
    return text, hashlib.sha256(text.encode()).hexdigest()


def name_targets(count: int) -> list[str]:
    return [f"port{number % PORTS}/board-{number:03}" for number in range(count)]


def draw_faults(names: Sequence[str], commit_count: int, drawn: random.Random) -> list[Fault]:
    """
    Draw what breaks: every eighty commits or so something does, mostly for a board, sometimes for half a port. Some
    lasts until today.
    """
    faults: list[Fault] = []
    starts = [number for number in range(commit_count) if drawn.random() < 1 / 80]
    for first in (*starts, commit_count - 40, commit_count - 15):
        end = first + drawn.randrange(2, 60) if first < commit_count - 60 else commit_count
        board = drawn.choice(names)
        port = board.partition("/")[0]
        broad = [name for name in names if name.startswith(f"{port}/") and drawn.random() < 0.5]
        is_broad = drawn.random() < 0.25 or first == commit_count - 15
        targets = tuple(broad or [board]) if is_broad else (board,)
        is_outgrown = not is_broad and drawn.random() < 0.25
        faults.append(Fault(first, end, targets, drawn.choice(_FAULTS), drawn.randrange(20, 900), is_outgrown))
    return faults


def iter_steps(
    names: Sequence[str], commits: Sequence[Commit], share: float, *, is_swept: bool, seed: int = 1
) -> Iterator[Step]:
    """
    Give what each commit brought, from the first on.

    Args:
        names: Of the targets.
        commits: Oldest first.
        share: Of the targets, how many a commit builds.
        is_swept: Whether every tenth commit is swept.
        seed: Another one gives another history.
    """
    drawn = random.Random(seed)
    boards = {name: Board(name, number, drawn) for number, name in enumerate(names)}
    faults = draw_faults(names, len(commits), drawn)
    sweeper = Sweeper(boards)
    for position, commit in enumerate(commits):
        touched = set(drawn.sample(names, max(1, round(len(names) * share)))) if position else set(names)
        for fault in faults:
            if position == fault.first:
                touched.update(name for name in fault.targets if boards[name].fault is None)
                for name in fault.targets:
                    boards[name].fault = boards[name].fault or fault
            elif position == fault.end:
                mended = [name for name in fault.targets if boards[name].fault is fault]
                touched.update(mended)
                for name in mended:
                    boards[name].fault = None
        step = make_step(boards, commit, touched, drawn)
        if is_swept and position % SWEPT_EVERY == 0:
            sweeper.sweep(step, drawn)
        yield step


def make_step(boards: Mapping[str, Board], commit: Commit, touched: Collection[str], drawn: random.Random) -> Step:
    """Build what a commit touched, carry all else."""
    carried = [board.newest for name, board in boards.items() if name not in touched and board.newest is not None]
    built: list[Evidence] = []
    for name, board in boards.items():
        if name in touched:
            board.change(drawn)
            board.changed_in = commit.commit_id
            built.append(board.build(commit, drawn))
    return Step(commit=commit, built=built, carried=carried)


class Sweeper:
    """Builds every target clean, and tells what turned since the last time."""

    def __init__(self, boards: Mapping[str, Board]) -> None:
        self._boards = boards
        self._known: dict[str, Evidence] = {}
        self._count = 0

    def sweep(self, step: Step, drawn: random.Random) -> None:
        self._count += 1
        undecided = drawn.choice(list(self._boards)) if self._count % _UNDECIDED_EVERY == 0 else None
        step.swept = []
        for name, board in self._boards.items():
            if name == undecided:
                lost = replace(board.build(step.commit, drawn), outcome=NotDecided(message="out of memory"))
                # What the gate has stands: nothing came of this one.
                board.newest = next(entry for entry in (*step.built, *step.carried) if entry.target == name)
                step.swept.append(lost)
                continue
            evidence = board.build(step.commit, drawn, is_clean=True)
            step.swept.append(evidence)
            known = self._known.get(name)
            turn = tell_turn(known, evidence) if known is not None else None
            if turn is not None:
                step.turns.append(
                    TurnRecord(
                        target=name,
                        turn=turn[0],
                        message=turn[1],
                        good_commit_id=known.commit_id if known is not None else None,
                        culprit_commit_id=board.changed_in,
                    )
                )
            self._known[name] = evidence


def tell_turn(known: Evidence, evidence: Evidence) -> tuple[Turn, str] | None:
    """Say how a target differs from the sweep before, as a sweep tells it."""
    before, now = name_outcome(known.outcome), name_outcome(evidence.outcome)
    if before != now:
        match evidence.outcome:
            case Broken(message=message, first_error=error):
                return Turn.BROKE, f"{error.message} at {error.place}" if error is not None else message
            case Outgrown(message=message):
                return Turn.OUTGREW, message
            case _:
                return Turn.MENDED, ""
    texts = {entry.message for entry in known.warnings}
    fresh = [entry for entry in evidence.warnings if entry.message not in texts]
    return (Turn.WARNED, f"{fresh[0].message} at {fresh[0].place}") if fresh else None
