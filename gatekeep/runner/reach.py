"""
Does a difference between two trees reach a target? The rule for carrying a result, and nothing else decides it.

A build can ask a tree four things, and only two of them leave a trace in the read set: the content of a file or symlink
(trace), the entries of a folder (trace), whether a path is there and of which type and mode (none), and the same of a
path that is not there (none). Followed symlinks count as read. So:

- other content reaches who read the file;
- a path that came, went, or changed type or mode reaches also who has no trace of it but may have looked it up. To look
  a path up one needs its folder and its name. Whoever listed the folder knows all that is in it. Who only read files in
  it may look for nearly everything there, by names that stand nowhere in the tree; but for a plain source, header or
  document, or a folder, it must be able to guess the name (reach_guess.py, which says what is left open there).
  Everybody else must have put the folder's name together from words: of a file that it read, of its recipe, of names
  that it has seen (of what it read, and in what it listed), or of the tools' own knowledge (reach_words.py), unless it
  has traces further below or listed the folder above. And the file's name: from words too, unless it read another file
  of that name, which it may have searched for in several folders.

(The plainer rule, by which whatever comes or goes in a folder reaches all who read anything there, builds 1.2 times
what is needed on a tree where drivers move between folders: tests/benchmarks/bench_generated.py.)

That closes the hole that searches leave: a header that shadows another on the include path, `__has_include(<opt/x.h>)`,
`test -e config/$(BOARD)` in a folder that holds only files of others. Both names must be known, because either alone
is common in any tree ("docs", "main.c", and a `board.mk` for every board: a new board must not rebuild all others); and
words count instead of whole names, because names are put together from parts (`$(CHIP)_$(REV).h`,
`arch/$(ARCH)$(BITS)`).

What stays open, and is for `gatekeep audit` to find: a name that is neither in what the target read nor made of words
in it (digits come free): decoded, fetched from a tool's output, in a UTF-16 file or past the first 4 MiB of one, or of
a source or folder that only makefiles and scripts outside the tree name; the size of a source or document that is asked
for without reading it; the order in which a folder lists its entries.

Everything here is pure.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache
from posixpath import dirname

from gatekeep.model.readset import ReadSet
from gatekeep.runner.reach_book import WordBook
from gatekeep.runner.reach_guess import is_header, mask_guessing, may_be_searched, split_guessed
from gatekeep.runner.reach_includes import list_suffixes
from gatekeep.runner.reach_words import MODULE_EXTENSIONS, SIZE_WORDS, is_always_found, mask_knowing, split_name
from gatekeep.tree.conversion import ATTRIBUTES_FILE
from gatekeep.tree.listing import EXECUTABLE, FILE, SUBMODULE, SYMLINK, DeltaKind, Entry, TreeDelta, encode_path

ROOT = "."
#: One target's commits are asked about one after the other.
_KEPT_TRACES = 16


class Event(Enum):
    """What happened to a path; the value completes a sentence."""

    ADDED = "is added"
    REMOVED = "is removed"
    MODIFIED = "is modified"
    RETARGETED = "points elsewhere"
    TYPE = "is of another type"
    MODE = "has another mode"
    UNKNOWN = "is a submodule whose content is not here to compare"


class ReachRule(Enum):
    """Why a difference reaches a target; the value stands between the path and what happened to it."""

    READ = "which it reads"
    UNKNOWN = "of which nothing more is known"
    CONVERSION = "which says how files that it reads are written"
    FOLDER = "in a folder that it reads"
    NAMESAKE = "named like {other}, which it reads"
    PASSAGE = "named like a folder on the way to what it reads"
    WORDS = "whose name it may put together from words that it reads"
    SIZE = "whose size it may ask for"


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """
    A name in a folder at which something comes, goes or becomes something else.

    `home` is the folder, there or not; `home_parts` and `name_parts` are the words of its name and of the name in it.
    `names` are the base names, in lower case, that a file there may shadow or stand in for; empty for a folder.
    `is_always_found`: tools look for such files by names of their own. `is_header`: headers of which nothing is known
    may ask for it.
    """

    home: str
    home_parts: tuple[bytes, ...]
    name_parts: tuple[bytes, ...]
    names: tuple[str, ...] = ()
    is_always_found: bool = False
    is_header: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherEntry:
    """
    An entry of a folder of the old tree that comes, goes or becomes something else: a file, or a folder with it.

    `is_searched`: who read anything in the folder may look for it. Else it must have guessed `parts`, or, where
    `is_header`, include headers of which nothing is known.
    """

    folder: str
    is_searched: bool
    is_header: bool
    parts: tuple[bytes, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PathChange:
    """
    One path that differs, with all that the rule asks about it.

    `entries` are those that change in folders of the old tree, in its own (or the nearest that there was) first;
    `spots` the places where somebody without a trace may have looked: the path itself, and each folder that comes or
    goes with it. Both are empty where only the content differs. `link_name` is the base name, in lower case, of what is
    a symlink before or after: it may also be that of a folder on somebody's way. `covers` is the folder below which a
    change of attributes changes files. `size_parts` are the words of the name of a payload whose size differs. All
    three are None for every other path.
    """

    path: str
    event: Event
    entries: tuple[OtherEntry, ...] = ()
    spots: tuple[Spot, ...] = ()
    link_name: str | None = None
    covers: str | None = None
    size_parts: tuple[bytes, ...] | None = None

    @property
    def needs_words(self) -> bool:
        """Whether it can reach somebody who has no trace of it."""
        return bool(self.spots) or self.size_parts is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeChange:
    """
    The difference between the tree at which targets were built and the one in question.

    `old_entries` is the old tree with its submodules' content in place, by path; `paths` in the order of their bytes.
    `words_in` gives the words of the names in each folder of the old tree; empty where nobody asks for words.
    """

    old_tree_id: str
    new_tree_id: str
    old_entries: Mapping[str, Entry]
    paths: tuple[PathChange, ...]
    words_in: Mapping[str, Collection[bytes]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reached:
    """The first path that reaches a target, in the order of the paths; `other` is the read file of the same name."""

    path: str
    rule: ReachRule
    event: Event
    other: str | None = None

    def render(self) -> str:
        """`drivers/uart.c, which it reads, is modified`; a path is hostile text."""
        return f"{self.path}, {self.rule.value.format(other=self.other)}, {self.event.value}"


def make_change(
    old_tree_id: str,
    new_tree_id: str,
    deltas: Iterable[TreeDelta],
    *,
    old_entries: Mapping[str, Entry],
    attributes_matter: bool = True,
    resized: Collection[str] = (),
) -> TreeChange:
    """
    Work out once what the rule asks about each path.

    Args:
        old_tree_id: The tree that was built.
        new_tree_id: The tree in question.
        deltas: Between the two, submodules compared inside; one that is still a submodule could not be.
        old_entries: Everything in the old tree, by path.
        attributes_matter: Whether attribute files of either tree can make any file differ from its blob; when in doubt,
            they can.
        resized: Paths of modified files whose size differs and may be asked for without reading them.
    """
    found = sorted(deltas, key=lambda delta: encode_path(delta.path))
    gone = {delta.path for delta in found if delta.new is None}
    come = [delta.path for delta in found if delta.old is None]
    if gone or come:
        old_folders = _folders_of(old_entries)
        new_folders = _folders_of((*(path for path in old_entries if path not in gone), *come))
    else:
        # The folders of what is on both sides are on both sides, and nobody asks about others.
        old_folders = new_folders = _folders_of(delta.path for delta in found)
    paths = tuple(
        _describe(
            delta,
            old_folders,
            new_folders,
            attributes_matter=attributes_matter,
            changes_size=delta.path in resized,
        )
        for delta in found
    )
    return TreeChange(
        old_tree_id=old_tree_id,
        new_tree_id=new_tree_id,
        old_entries=old_entries,
        paths=paths,
        words_in=_list_words(old_entries) if any(item.needs_words for item in paths) else {},
    )


def _describe(
    delta: TreeDelta,
    old_folders: frozenset[str],
    new_folders: frozenset[str],
    *,
    attributes_matter: bool,
    changes_size: bool,
) -> PathChange:
    modes = {entry.mode for entry in (delta.old, delta.new) if entry is not None}
    folder, _, base = delta.path.rpartition("/")
    covers = (folder or ROOT) if base == ATTRIBUTES_FILE and attributes_matter else None
    event = _event_of(delta)
    size_parts = split_name(base) if changes_size else None
    if event is Event.MODIFIED and len(modes) == 1:
        return PathChange(path=delta.path, event=event, covers=covers, size_parts=size_parts)
    lower = base.lower()
    stem = lower.rpartition(".")[0]
    spot = Spot(
        home=folder or ROOT,
        home_parts=split_name(folder.rpartition("/")[2]),
        name_parts=split_name(base),
        # x.h.gch stands in for x.h.
        names=(lower, stem) if stem else (lower,),
        is_always_found=EXECUTABLE in modes or is_always_found(base),
        is_header=is_header(base),
    )
    come_and_gone = _iter_folders(delta.path, old_folders if delta.old is None else new_folders)
    return PathChange(
        path=delta.path,
        event=event,
        entries=tuple(
            _make_entry(delta.path, folder, modes)
            for folder in _iter_traced_folders(delta.path, old_folders, new_folders)
        ),
        spots=(spot, *_iter_module_spots(delta.path), *map(_make_folder_spot, come_and_gone)),
        link_name=lower if SYMLINK in modes else None,
        covers=covers,
        size_parts=size_parts,
    )


def _make_entry(path: str, folder: str, modes: set[int]) -> OtherEntry:
    child, _, below = (path if folder == ROOT else path.removeprefix(f"{folder}/")).partition("/")
    return OtherEntry(
        folder=folder,
        is_searched=modes != {FILE} or may_be_searched(path, child, is_folder=bool(below)),
        is_header=is_header(path),
        parts=split_guessed(child, is_folder=bool(below)),
    )


def _iter_module_spots(path: str) -> Iterator[Spot]:
    """Give the folders from which a module may be searched for in those below; they need not know these."""
    if path.rpartition(".")[2].lower() in MODULE_EXTENSIONS:
        # Of the root everybody knows; who searches it and reads nothing in it is left open.
        while home := dirname(path := dirname(path)):
            parts = split_name(home.rpartition("/")[2])
            yield Spot(home=home, home_parts=parts, name_parts=(), is_always_found=True)


def _make_folder_spot(path: str) -> Spot:
    home, _, name = path.rpartition("/")
    return Spot(home=home or ROOT, home_parts=split_name(home.rpartition("/")[2]), name_parts=split_name(name))


def _event_of(delta: TreeDelta) -> Event:
    if SUBMODULE in {entry.mode for entry in (delta.old, delta.new) if entry is not None}:
        return Event.UNKNOWN
    match delta.kind:
        case DeltaKind.ADDED:
            return Event.ADDED
        case DeltaKind.REMOVED:
            return Event.REMOVED
        case DeltaKind.TYPE:
            return Event.TYPE
        case DeltaKind.MODE:
            return Event.MODE
        case DeltaKind.CONTENT:
            return Event.RETARGETED if delta.new is not None and delta.new.mode == SYMLINK else Event.MODIFIED


def _iter_folders(path: str, there: frozenset[str]) -> Iterator[str]:
    """Give the folders above a path that are not there, the innermost first."""
    while (path := dirname(path)) and path not in there:
        yield path


def _iter_traced_folders(path: str, old_folders: frozenset[str], new_folders: frozenset[str]) -> Iterator[str]:
    """Give the old folders whose entries change: the path's own, and each above it in which a folder comes or goes."""
    folder = dirname(path) or ROOT
    while folder not in old_folders:
        folder = dirname(folder) or ROOT
    yield folder
    while folder not in new_folders:
        folder = dirname(folder) or ROOT
        yield folder


def _folders_of(paths: Iterable[str]) -> frozenset[str]:
    folders = {ROOT}
    for path in paths:
        # Paths of a tree hold no doubled slash, and this is done for every folder of 300 read sets.
        folder = path.rpartition("/")[0]
        while folder and folder not in folders:
            folders.add(folder)
            folder = folder.rpartition("/")[0]
    return frozenset(folders)


def _list_words(entries: Iterable[str]) -> dict[str, set[bytes]]:
    """Give the words of the names in each folder."""
    found: dict[str, set[bytes]] = {}
    for path in entries:
        is_new = True
        while path and is_new:
            folder, _, name = path.rpartition("/")
            is_new = (folder or ROOT) not in found
            found.setdefault(folder or ROOT, set()).update(split_name(name))
            path = folder
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Traces:
    """
    What a read set tells about a target.

    `folders` are those with a trace in them (listed, or a file in them read), `listed` only the former, `above` every
    folder at or above a trace. `first_named` gives the first read file by base name in lower case.
    """

    files: frozenset[str]
    listed: frozenset[str]
    folders: frozenset[str]
    above: frozenset[str]
    first_named: Mapping[str, str]

    def passes(self, name: str) -> bool:
        """Say whether a folder on the way to a trace has this name, in lower case."""
        return any(folder.rpartition("/")[2].lower() == name for folder in self.above)


@lru_cache(maxsize=_KEPT_TRACES)
def trace(read_set: ReadSet) -> Traces:
    """Work out what the rule asks of a read set."""
    listed = frozenset(read_set.folders)
    split = [(path, *path.rpartition("/")) for path in sorted(read_set.files, reverse=True)]
    folders = listed | {folder or ROOT for _, folder, _, _ in split}
    return Traces(
        files=frozenset(read_set.files),
        listed=listed,
        folders=folders,
        above=_folders_of(f"{folder}/x" for folder in folders),
        # Sorted backwards, so that the first is what stays.
        first_named={base.lower(): path for path, _, _, base in split},
    )


def find_reach(
    read_set: ReadSet, change: TreeChange, *, book: WordBook, own_words: frozenset[bytes] = frozenset()
) -> Reached | None:
    """
    Say whether a difference reaches a target.

    Args:
        read_set: Of the target's build at the change's old tree.
        change: The difference.
        book: Gives the words of files; asked only where a path came, went or changed its shape.
        own_words: Of the target's recipe and settings, as `words_of_target` gives them.

    Returns:
        The first path that reaches it, with the first rule that applies to that path; None when the target may be
        carried.

    Raises:
        Whatever `book` raises when it cannot read a file.
    """
    traces = trace(read_set)
    blobs: frozenset[int] | None = None
    for item in change.paths:
        found = _find_trace(item, traces)
        if found is None and (item.needs_words):
            if blobs is None:
                blobs = book.load(
                    entry.object_id for path in read_set.files if (entry := change.old_entries.get(path)) is not None
                )
                own_words |= _list_seen_words(read_set, change)
            reader = _Reader(book=book, blobs=blobs, own_words=own_words, files=read_set.files)
            found = _find_words(item, traces, reader)
        if found is not None:
            return found
    return None


def _list_seen_words(read_set: ReadSet, change: TreeChange) -> frozenset[bytes]:
    """Give the words of the names that a target has seen: on the way to what it read, and in what it listed."""
    traces = trace(read_set)
    names = {path.rpartition("/")[2] for path in (*traces.above, *traces.files)}
    seen = {word for name in names for word in split_name(name)}
    return frozenset(seen.union(*(change.words_in.get(folder, ()) for folder in traces.listed)))


def _find_trace(item: PathChange, traces: Traces) -> Reached | None:
    """Apply the rules that need the read set alone."""
    if item.event is Event.UNKNOWN:
        return Reached(path=item.path, rule=ReachRule.UNKNOWN, event=item.event)
    if item.path in traces.files:
        return Reached(path=item.path, rule=ReachRule.READ, event=item.event)
    if item.covers is not None and _reads_below(item.covers, traces):
        return Reached(path=item.path, rule=ReachRule.CONVERSION, event=item.event)
    if any(entry.folder in (traces.folders if entry.is_searched else traces.listed) for entry in item.entries):
        return Reached(path=item.path, rule=ReachRule.FOLDER, event=item.event)
    if item.link_name is not None and traces.passes(item.link_name):
        return Reached(path=item.path, rule=ReachRule.PASSAGE, event=item.event)
    return None


def _reads_below(folder: str, traces: Traces) -> bool:
    return bool(traces.files) if folder == ROOT else any(path.startswith(f"{folder}/") for path in traces.files)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reader:
    """The words that one target has read and seen."""

    book: WordBook
    blobs: frozenset[int]
    own_words: frozenset[bytes]
    files: tuple[str, ...]

    def has(self, word: bytes) -> bool:
        return word in self.own_words or not self.blobs.isdisjoint(self.book.find(word))

    def knows(self, parts: Iterable[bytes]) -> bool:
        return all(mask_knowing(part, lambda word: int(self.has(word)), 1) for part in parts)

    def guesses(self, parts: Iterable[bytes]) -> bool:
        return all(
            mask_guessing(part, lambda word: int(self.has(word)), lambda run: int(self._has_within(run)), 1)
            for part in parts
        )

    def _has_within(self, letters: bytes) -> bool:
        return any(letters in word for word in self.own_words) or not self.blobs.isdisjoint(
            self.book.find_within(letters)
        )

    def includes_unknown(self) -> bool:
        includes = {include for number in self.blobs for include in self.book.includes(number)}
        return bool(includes) and not includes <= list_suffixes(self.files)


def _find_words(item: PathChange, traces: Traces, reader: _Reader) -> Reached | None:
    """Apply the rules that need the words of what was read."""
    for entry in item.entries:
        if entry.folder in traces.folders and (
            reader.guesses(entry.parts) or (entry.is_header and reader.includes_unknown())
        ):
            return Reached(path=item.path, rule=ReachRule.WORDS, event=item.event)
    for spot in item.spots:
        knows_home = (
            spot.home in traces.above or (dirname(spot.home) or ROOT) in traces.listed or reader.knows(spot.home_parts)
        )
        if not knows_home:
            continue
        other = next((traces.first_named[name] for name in spot.names if name in traces.first_named), None)
        if other is not None:
            return Reached(path=item.path, rule=ReachRule.NAMESAKE, event=item.event, other=other)
        if spot.is_always_found or reader.knows(spot.name_parts) or (spot.is_header and reader.includes_unknown()):
            return Reached(path=item.path, rule=ReachRule.WORDS, event=item.event)
    if item.size_parts is not None and any(map(reader.has, SIZE_WORDS)) and reader.knows(item.size_parts):
        return Reached(path=item.path, rule=ReachRule.SIZE, event=item.event)
    return None
