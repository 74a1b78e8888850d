"""
What is fuzzed, and what must hold for any bytes: a subject takes an input and raises `BrokenPromise`, or any error that
is not ours, where a promise is broken.

Beyond "no crash": only our errors; the same bytes give the same answer; a file that was cut never passes for a smaller
one; what two readers accept, both read alike; and an input costs time in proportion to its length. Memory is the
fuzzer's to watch.
"""

from __future__ import annotations

import io
import re
import subprocess
import sys
import time
from binascii import crc32
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise
from pathlib import Path

import bincopy
from elftools.elf.elffile import ELFFile

from gatekeep.errors import ImageError, MatrixError, RepositoryError
from gatekeep.matrix.load import parse_matrix
from gatekeep.matrix.waivers import parse_waivers
from gatekeep.measure.archive import read_archive
from gatekeep.measure.diagnostics import parse_log
from gatekeep.measure.elf import read_elf
from gatekeep.measure.footprint import find_overflows, measure_elf, measure_runs
from gatekeep.measure.hexfile import Run, read_intel_hex, read_s_record
from gatekeep.model.change import FileLines, LineMap
from gatekeep.model.evidence import Diagnostic
from gatekeep.model.matrix import ImageFormat, Matrix, Part
from gatekeep.model.push import parse_updates
from gatekeep.model.rule import WAIVABLE_RULES
from gatekeep.runner.reach_includes import list_outside_includes
from gatekeep.runner.reach_words import find_words
from gatekeep.tree.hunks import parse_line_map
from gatekeep.tree.listing import parse_folder
from tests.measuring import IMAGES, make_beacon, make_port

DATA = Path(__file__).parents[1] / "data"
#: CPU seconds that an input may take, at most: some hundred times what one of this length needs.
LEAST_S, S_PER_BYTE = 1.0, 0.0002


class BrokenPromise(AssertionError):  # noqa: N818 - what it says is what is wrong
    """A reader did not hold what it promises."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """
    A reader under the fuzzer.

    `check` takes an input and raises when a promise is broken. `seeds` gives small real files, `words` what a mutation
    may put in: keys and tokens of the format. Inputs grow to `most_bytes`.
    """

    name: str
    check: Callable[[bytes], None]
    seeds: Callable[[], Iterable[bytes]]
    words: tuple[str, ...] = ()
    most_bytes: int = 4096


def check_timed(subject: Subject, data: bytes) -> None:
    """Check an input, and that it took no more CPU time than its length explains."""
    start = time.process_time()
    subject.check(data)
    spent = time.process_time() - start
    allowed = LEAST_S + S_PER_BYTE * len(data)
    promise(spent <= allowed, f"{subject.name}: {len(data)} bytes took {spent:.2f} s of CPU, allowed {allowed:.2f} s")


def promise(held: bool, words: str) -> None:
    """Say what was promised where it did not hold."""
    if not held:
        raise BrokenPromise(words)


def check_matrix(data: bytes) -> None:
    """A matrix is read whole, or refused with places that lie in the file."""
    first, again = (_load(data) for _ in range(2))
    if isinstance(first, MatrixError):
        promise(str(first) == str(again), f"refused differently: {first} / {again}")
        line_count = len(re.split(r"\r\n|[\r\n\x85\u2028\u2029]", data.decode("utf-8", "replace")))
        places = [(error.line, error.column) for error in (first, *first.others)]
        promise(places == sorted(places), f"faults out of order: {places}")
        for error in (first, *first.others):
            promise(1 <= error.line <= line_count + 1 and error.column >= 1, f"no such place: {error}")
            promise(not error.others or error is first, "faults within faults")
        return
    promise(first == again, "read differently the second time")
    names = [target.name for target in first.targets]
    promise(len(set(names)) == len(names) > 0, f"targets: {names}")
    promise({target.port for target in first.targets} <= {port.name for port in first.ports}, "a target without port")
    for target in first.targets:
        promise(target.recipe.time_limit_s > 0, f"{target.name}: no time")
        if target.part is not None:
            _check_part(target.part)


def _load(data: bytes) -> Matrix | MatrixError:
    try:
        return parse_matrix(data, path="matrix.yml")
    except MatrixError as error:
        return error


def _check_part(part: Part) -> None:
    promise(part.capacity_bytes > 0, f"{part.name} has no capacity")
    for region in part.regions:
        promise(0 <= region.reserve_bytes < region.capacity_bytes, f"{part.name}.{region.name}: the reserve is all")
        promise(
            region.at_bytes >= 0 and region.end_bytes <= part.capacity_bytes, f"{part.name}.{region.name} sticks out"
        )
    for one, other in pairwise(sorted(part.regions, key=lambda region: region.at_bytes)):
        promise(one.end_bytes <= other.at_bytes, f"{part.name}: {one.name} and {other.name} overlap")


def check_elf(data: bytes) -> None:
    """An ELF file that is accepted has sizes within reason, stays the same when cut, and is what pyelftools reads."""
    try:
        elf = read_elf(data, name="x.elf")
    except ImageError:
        return
    promise(elf == read_elf(data, name="x.elf"), "read differently the second time")
    for length in _cuts(data):
        try:
            cut = read_elf(data[:length], name="x.elf")
        except ImageError:
            continue
        promise(cut == elf, f"cut to {length} of {len(data)} bytes, it is another file")
    try:
        peer = [
            (section["sh_size"], section["sh_addr"])
            for section in ELFFile(io.BytesIO(data)).iter_sections()
            if section["sh_type"] != "SHT_NULL"
        ]
    except Exception:  # whatever it stumbles over: what it does not read it says nothing about
        peer = None
    if peer is not None:
        ours = [(section.size_bytes, section.address) for section in elf.sections]
        promise(ours == peer, f"sections (bytes, address) {ours}, pyelftools reads {peer}")
    target = make_beacon()
    try:
        footprint = measure_elf(elf, target, name="x.elf", measure_flash=True)
    except ImageError:
        return
    for use in footprint.regions:
        promise(use.used_bytes >= 0, f"{use.name} uses {use.used_bytes} bytes")
    stored = [section for section in elf.sections if section.allocated and section.stored and section.size_bytes]
    if elf.segments and stored:
        promise(any(use.used_bytes for use in footprint.regions), "stores something and uses nothing")
    for overflow in find_overflows(footprint, target=target):
        promise((overflow.over_bytes or 0) > 0, f"{overflow.region} overflows by {overflow.over_bytes}")


def check_intel_hex(data: bytes) -> None:
    """An Intel HEX file is read as bincopy reads it, and refused when cut."""
    for text in (data, _mend_lines(data, b":", lambda record: -sum(record) & 0xFF)):
        _check_records(text, read_intel_hex, ImageFormat.INTEL_HEX, lambda file, lines: file.add_ihex(lines))


def check_s_record(data: bytes) -> None:
    """An S-record file is read as bincopy reads it, and refused when cut."""
    for text in (data, _mend_lines(data, b"S", lambda record: ~sum(record) & 0xFF)):
        _check_records(text, read_s_record, ImageFormat.S_RECORD, lambda file, lines: file.add_srec(lines))


def _check_records(
    data: bytes,
    read: Callable[..., tuple[Run, ...]],
    image_format: ImageFormat,
    add: Callable[[bincopy.BinFile, str], None],
) -> None:
    try:
        runs = read(data, name="x")
    except ImageError:
        return
    promise(runs == read(data, name="x"), "read differently the second time")
    promise(all(run.content for run in runs), "an empty run")
    promise(all(one.end < other.start for one, other in pairwise(runs)), "runs that touch, or out of order")
    for length in _cuts(data):
        try:
            cut = read(data[:length], name="x")
        except ImageError:
            continue
        promise(cut == runs, f"cut to {length} of {len(data)} bytes, it is another image")
    peer = bincopy.BinFile()
    try:
        add(peer, data.decode("ascii"))
    except (bincopy.Error, ValueError, IndexError):
        pass  # it refuses what is written twice, and more
    else:
        theirs = [(segment.minimum_address, bytes(segment.data)) for segment in peer.segments if segment.data]
        promise([(run.start, run.content) for run in runs] == theirs, f"runs {runs}, bincopy reads {theirs}")
    try:
        uses = measure_runs(runs, make_beacon(image_format), name="x")
    except ImageError:
        return
    promise(any(use.used_bytes for use in uses) or not runs, "writes something and uses nothing")


def _mend_lines(data: bytes, start: bytes, checksum: Callable[[bytes], int]) -> bytes:
    """Put the right checksum under every line of digits: a mutation that is caught by its checksum goes no deeper."""
    lines = data.split(b"\n")
    for index, line in enumerate(lines):
        head = 1 if start == b":" else 2
        if not line.startswith(start):
            continue
        try:
            record = bytes.fromhex(line[head:].decode("ascii"))
        except ValueError:
            continue
        if len(record) > 1:
            content = bytes([(len(record) - 5) & 0xFF if start == b":" else (len(record) - 1) & 0xFF]) + record[1:-1]
            lines[index] = line[:head] + (content + bytes([checksum(content)])).hex().upper().encode()
    return b"\n".join(lines)


def check_archive(data: bytes) -> None:
    """An archive has no more members when cut, and one without a lost member is the same."""
    port = make_port(machine="ARM", bits=32, byte_order="little")
    try:
        archive = read_archive(data, name="x.a", port=port)
    except ImageError:
        return
    promise(archive == read_archive(data, name="x.a", port=port), "read differently the second time")
    promise(0 < archive.member_count <= len(data) // 60, f"{archive.member_count} members in {len(data)} bytes")
    promise(0 <= archive.stored_bytes <= sum(size for _, size in archive.sections), "stores more than it has")
    for length in _cuts(data):
        try:
            cut = read_archive(data[:length], name="x.a", port=port)
        except ImageError:
            continue
        # What the symbol table does not name can be lost without a trace; the reader says so.
        promise(cut.member_count < archive.member_count or cut == archive, f"cut to {length} bytes, it is another")


def check_log(data: bytes) -> None:
    """A log never fails; what it has said is not unsaid by what follows, and nothing in it steers a terminal."""
    found = parse_log(data, tree="/w/tree", out="/w/out", directory="drivers")
    promise(found == parse_log(data, tree="/w/tree", out="/w/out", directory="drivers"), "read differently again")
    for diagnostic in found.diagnostics:
        _check_diagnostic(diagnostic)
    promise(len(set(found.diagnostics)) == len(found.diagnostics), "a diagnostic twice")
    promise(len(found.excerpt) <= 12, f"an excerpt of {len(found.excerpt)} lines")
    promise(found.first_error is None or bool(found.excerpt), "an error without its excerpt")
    promise(found.dropped_count >= 0, "dropped fewer than none")
    for overflow in found.overflows:
        promise(overflow.over_bytes is None or overflow.over_bytes > 0, f"fits, and does not: {overflow}")
    # A line that says nothing ends whatever was still open, in the prefix as in the whole.
    if data:
        start = data.rfind(b"\n", 0, crc32(data) % len(data)) + 1
        before = parse_log(data[:start] + b"\n", tree="/w/tree", out="/w/out", directory="drivers")
        lost = {overflow.region for overflow in before.overflows} - {overflow.region for overflow in found.overflows}
        promise(not lost, f"regions that the rest of the log unsays: {lost}")
        if found.dropped_count == 0:
            known = {replace(one, excerpt=None, path=None, line=None, column=None) for one in found.diagnostics}
            gone = [
                one
                for one in before.diagnostics[:-1]
                if replace(one, excerpt=None, path=None, line=None, column=None) not in known
            ]
            promise(not gone, f"diagnostics that the rest of the log unsays: {gone}")


def _check_diagnostic(diagnostic: Diagnostic) -> None:
    for text in (diagnostic.message, diagnostic.path or "", diagnostic.option or "", diagnostic.excerpt or ""):
        promise(not re.search("[\x00-\x08\x0a-\x1f\x7f-\x9f]", text), f"a control character in {text!r}")
    promise(diagnostic.line is None or diagnostic.line >= 1, f"line {diagnostic.line}")
    promise(diagnostic.column is None or diagnostic.column >= 1, f"column {diagnostic.column}")
    if diagnostic.path is not None:
        parts = diagnostic.path.split("/")
        promise(diagnostic.path != "" and ".." not in parts, f"a path out of the tree: {diagnostic.path!r}")


def check_line_map(data: bytes) -> None:
    """A line map moves lines in order, and a cut diff says of no file anything that the whole does not say."""
    try:
        whole = parse_line_map(data)
    except RepositoryError:
        return
    promise(whole == parse_line_map(data), "read differently the second time")
    for path, lines in whole.files.items():
        promise(path == lines.old_path, f"{path!r} under the name of {lines.old_path!r}")
        _check_lines(lines)
    if not _agrees_with_titles(data, whole):
        return  # git does not write such a diff, and which name is meant depends on where it is cut
    for length in _cuts(data):
        try:
            cut = parse_line_map(data[:length])
        except RepositoryError:
            continue
        promise(cut.removed <= whole.removed, "the rest of the diff brings a file back")
        for path, lines in cut.files.items():
            promise(
                path in whole.files and whole.files[path].hunks[: len(lines.hunks)] == lines.hunks,
                f"cut to {length} bytes, {path!r} has other hunks",
            )


def _agrees_with_titles(data: bytes, whole: LineMap) -> bool:
    names = [(lines.old_path, lines.new_path) for lines in whole.files.values()]
    names += [(path, path) for path in whole.removed]
    wanted = {f"a/{old} b/{new}".encode("utf-8", "surrogateescape") for old, new in names}
    titles: list[bytes] = re.findall(rb"^diff --git ([^\n]*)$", data, re.MULTILINE)
    return len(set(titles)) == len(titles) and set(titles) <= wanted


def _check_lines(lines: FileLines) -> None:
    for one, other in pairwise(lines.hunks):
        promise(one.old_start + one.old_count <= other.old_start + (other.old_count == 0), f"{one} and {other}")
    places = {1, 2, 3, 1000}
    for hunk in lines.hunks[:50]:
        places |= {hunk.old_start + shift for shift in (-1, 0, 1)}
        places |= {hunk.old_start + hunk.old_count + shift for shift in (-1, 0, 1)}
    moved = [(line, new) for line in sorted(places) if line > 0 and (new := lines.map_line(line)) is not None]
    promise(all(new >= 1 for _, new in moved), f"lines before the first: {moved}")
    promise(all(one[1] < other[1] for one, other in pairwise(moved)), f"lines out of order: {moved}")
    for line, new in moved:
        promise(lines.find_hunk_of_old(line) is None, f"line {line} lives on in a hunk")
        promise(lines.find_hunk_of_new(new) is None, f"line {new} is new, and was {line}")


@cache
def _waived_matrix() -> Matrix:
    return parse_matrix((DATA / "matrices" / "sound.yml").read_bytes(), path="matrix.yml")


def check_waivers(data: bytes) -> None:
    """A waiver that is read names targets that exist, ends, and lasts no longer than the matrix allows."""
    matrix = _waived_matrix()
    try:
        waivers = parse_waivers(data, path="waivers.yml", matrix=matrix)
    except MatrixError as error:
        promise(error.line >= 1 and error.column >= 1, f"no such place: {error}")
        return
    promise(waivers == parse_waivers(data, path="waivers.yml", matrix=matrix), "read differently the second time")
    known = {target.name for target in matrix.targets}
    for waiver in waivers:
        promise(waiver.rule in WAIVABLE_RULES, f"{waiver.name} waives {waiver.rule}")
        promise(bool(waiver.targets) and known.issuperset(waiver.targets), f"{waiver.name} of {waiver.targets}")
        promise(0 <= (waiver.until - waiver.since).days < matrix.rules.waiver_days, f"{waiver.name}: {waiver.until}")


def check_tree_object(data: bytes) -> None:
    """A folder of git's that is read has only names that a work tree may hold, and loses none when cut."""
    try:
        folder = parse_folder(data, 20)
    except ValueError:
        return
    promise(folder == parse_folder(data, 20), "read differently the second time")
    for name in folder:
        promise(name not in ("", ".", "..") and not {"/", "\0"} & set(name), f"a name of no file: {name!r}")
        promise(name.casefold() != ".git", "git's own folder")
    promise(b"".join(name.encode("utf-8", "surrogateescape") for name in folder) in _names_of(data), "other names")
    for length in _cuts(data):
        try:
            cut = parse_folder(data[:length], 20)
        except ValueError:
            continue
        promise(len(cut) < len(folder) and all(folder[name] == cut[name] for name in cut), f"cut to {length} bytes")


def _names_of(data: bytes) -> bytes:
    """Take the names out by what git says of the format alone: everything between a blank and a zero byte."""
    names, at = [], 0
    while at < len(data):
        blank, end = data.index(b" ", at), data.index(b"\0", at)
        names.append(data[blank + 1 : end])
        at = end + 21
    return b"".join(names)


def check_push(data: bytes) -> None:
    """What a hook is told is read line by line, or refused."""
    text = data.decode("utf-8", "surrogateescape")
    try:
        updates = parse_updates(text)
    except ValueError:
        return
    promise(
        text.removesuffix("\n") == "\n".join(f"{one.old_id} {one.new_id} {one.ref}" for one in updates),
        f"another push: {updates}",
    )


def check_source(data: bytes) -> None:
    """What a source or a makefile asks for is a name within the tree, and is found in time."""
    found = list_outside_includes(data)
    promise(found == list_outside_includes(data), "read differently the second time")
    promise(len(set(found)) == len(found), f"a name twice: {found}")
    promise(not [path for path in found if path.startswith(b"../")], f"a name out of the tree: {found}")
    promise(find_words(data) == find_words(data), "other words the second time")


def _cuts(data: bytes) -> Iterator[int]:
    """Give some lengths to cut at: the same ones for the same bytes, near the end and anywhere."""
    if data:
        yield len(data) - 1
        yield max(0, len(data) - 2)
        yield crc32(data) % len(data)
        yield crc32(data[::-1]) % len(data)


def _read(folder: Path, *patterns: str) -> Iterator[bytes]:
    for pattern in patterns:
        for path in sorted(folder.glob(pattern)):
            yield path.read_bytes()


def _matrix_seeds() -> Iterator[bytes]:
    yield from _read(DATA / "matrices", "skerry.yml", "sound.yml")
    yield from _read(DATA / "kelp", "matrix.yml")


def _diff_seeds() -> Iterator[bytes]:
    """Real diffs of git: renames, odd names, binary files, no newline at the end, more context."""
    import tempfile  # a seed is made once

    with tempfile.TemporaryDirectory() as folder:
        old, new = Path(folder, "a"), Path(folder, "b")
        for side, number in ((old, "1"), (new, "2")):
            side.mkdir()
            (side / "kept.c").write_text("".join(f"line {line}\n" for line in range(9)) + number)
            (side / 'odd "name\t.h').write_text(f"one\n{number}\nthree\n")
            (side / "image.bin").write_bytes(b"\0\1" + number.encode())
        (old / "gone.c").write_text("gone\n")
        (new / "come.c").write_text("come\n")
        for context in ("-U0", "-U1"):
            command = [
                "git",
                "diff",
                "--no-index",
                "--no-color",
                "--no-ext-diff",
                context,
                "-M",
                "--full-index",
                "a",
                "b",
            ]
            text = subprocess.run(command, cwd=folder, stdout=subprocess.PIPE, check=False).stdout
            # --no-index names both folders; in a repository the prefixes stand there alone.
            yield text.replace(b"a/a/", b"a/").replace(b"b/b/", b"b/")
    yield (
        b"diff --git a/one.c b/two.c\nsimilarity index 90%\nrename from one.c\nrename to two.c\n"
        b"index 1..2 100644\n--- a/one.c\n+++ b/two.c\n@@ -3,0 +4,2 @@ x\n+a\n+b\n@@ -9 +11,0 @@\n-c\n"
        b"\\ No newline at end of file\n"
    )


_WAIVERS = b"""\
waivers: 1
granted:
  vale-part:
    rule: outgrown
    targets: [riscv64/*]
    reason: "the new part comes in June"
    who: Isa Thorne <isa@skerry.example>
    since: 2026-05-01
    until: 2026-06-30
"""
_TREE_OBJECT = b"".join(
    mode + b" " + name + b"\0" + bytes(range(20))
    for mode, name in (
        (b"100644", b".gitmodules"),
        (b"100755", b"build.sh"),
        (b"40000", b"drivers"),
        (b"120000", b"link"),
        (b"160000", b"module"),
    )
)

SUBJECTS: dict[str, Subject] = {
    subject.name: subject
    for subject in (
        Subject(
            name="matrix",
            check=check_matrix,
            seeds=_matrix_seeds,
            words=(
                "matrix: 1\n",
                "tree: ",
                "toolchains:",
                "recipes:",
                "parts:",
                "every:",
                "ports:",
                "boards:",
                "regions:",
                "configurations:",
                "settings:",
                "memories:",
                "probe: [x]",
                "allow: ",
                "build: [",
                "elf: ",
                "image: ",
                "archives: ",
                "time_limit: ",
                "capacity: ",
                "reserve: ",
                "at: ",
                "size: ",
                "write_protected: true",
                "part_address: ",
                "maintainers: [",
                "machine: ",
                "bits: 64",
                "byte_order: big",
                "claims: [",
                "rules: {",
                "new_warnings: block",
                "growth_per_change: ",
                "since: ",
                "source_date: 2001-01-01",
                "builds_in_tree: true",
                "64 KiB",
                "4 Mibit",
                "5 %",
                "120 s",
                "0x2000_0000",
                "{board}",
                "{out}/",
                "{configuration}",
                "{tree}",
                "&a ",
                "*a",
                "<<: ",
                "? ",
                "!!int ",
                "| ",
                "> ",
                "---\n",
                "\xef\xbb\xbf",
                "[[[[",
                "{{{{",
                "\\u202e",
                "~",
            ),
            most_bytes=6000,
        ),
        Subject(
            name="elf",
            check=check_elf,
            seeds=lambda: _read(IMAGES, "*.elf"),
            words=(
                "\x7fELF",
                "\xff\xff",
                "\xff\xff\xff\xff",
                "\x00\x00\x00\x80",
                "\x08\x00\x00\x00",
                "\x11\x00\x00\x00",
            ),
        ),
        Subject(
            name="intel-hex",
            check=check_intel_hex,
            seeds=lambda: _read(IMAGES, "*.hex"),
            words=(
                ":00000001FF\n",
                ":020000040800F2\n",
                ":0400000508000000EF\n",
                ":020000021000EC\n",
                ":10",
                "\r\n",
                "03",
                "04",
            ),
            most_bytes=1500,
        ),
        Subject(
            name="s-record",
            check=check_s_record,
            seeds=lambda: _read(IMAGES, "*.srec"),
            words=("S0", "S1", "S2", "S3", "S5", "S6", "S7", "S8", "S9", "S9030000FC\n", "S5030001FB\n", "\r\n"),
            most_bytes=1500,
        ),
        Subject(
            name="archive",
            check=check_archive,
            seeds=lambda: _read(IMAGES, "*.a"),
            words=("!<arch>\n", "!<thin>\n", "`\n", "//", "/SYM64/", "#1/20", "__.SYMDEF", "/0", "\x7fELF\x01\x01\x01"),
        ),
        Subject(
            name="log",
            check=check_log,
            seeds=lambda: _read(DATA / "logs", "*.log"),
            words=(
                ": error: ",
                ": warning: ",
                ": note: ",
                "fatal error: ",
                " [-Wunused-variable]",
                "[-Werror,-Wx]",
                "In file included from a.h:1,",
                "                 from b.c:2:",
                "ld: ",
                "ld.lld: error: ",
                ">>> referenced by ",
                "make: *** [Makefile:3: x.o] Error 1",
                "make[1]: Entering directory '/w/tree'",
                "make[1]: Leaving directory '",
                "Assembler messages:",
                "region `FLASH' overflowed by 5 bytes",
                "will not fit in region 'RAM': overflowed by ",
                "a.c:(.text+0x8): undefined reference to `",
                "collect2: error: ld returned 1 exit status",
                "/w/tree/",
                "/w/out/",
                "../",
                "\x1b[31m",
                "\x1b]8;;",
                "\x07",
                "\r",
                "   12 | int x;\n      |     ^~~\n",
                ":1:2:",
                "In function 'f':",
                "/bin/sh: 1: cc: not found",
                "is not within region `",
                "address 0x10 of ",
            ),
            most_bytes=4000,
        ),
        Subject(
            name="line-map",
            check=check_line_map,
            seeds=_diff_seeds,
            words=(
                "diff --git a/x b/x\n",
                "--- a/x\n",
                "+++ b/x\n",
                "@@ -1 +1 @@\n",
                "@@ -0,0 +1,2 @@\n",
                "@@ -3,2 +2,0 @@\n",
                "-a\n",
                "+b\n",
                " c\n",
                "\\ No newline at end of file\n",
                "rename from x\n",
                "rename to y\n",
                "new file mode 100644\n",
                "deleted file mode 100644\n",
                "Binary files a/x and b/x differ\n",
                "index 1..2 100644\n",
                "/dev/null",
                '"a/\\303"',
                "old mode 100644\n",
                "999999999",
            ),
        ),
        Subject(
            name="waivers",
            check=check_waivers,
            seeds=lambda: [_WAIVERS],
            words=(
                "waivers: 1",
                "granted:",
                "rule: ",
                "broken",
                "outgrown",
                "new-warning",
                "undecided",
                "targets: [",
                "riscv64/*",
                "*",
                "reason: ",
                "who: ",
                "since: ",
                "until: ",
                "2026-02-29",
                "9999-12-31",
                "0001-01-01",
                "&a",
                "<<: *a",
            ),
            most_bytes=1500,
        ),
        Subject(
            name="tree-object",
            check=check_tree_object,
            seeds=lambda: [_TREE_OBJECT],
            words=(
                "100644 ",
                "100755 ",
                "120000 ",
                "160000 ",
                "40000 ",
                "040000 ",
                ".git",
                "..",
                ".GIT",
                "\x00",
                "/",
                "git~1",
            ),
            most_bytes=600,
        ),
        Subject(
            name="push",
            check=check_push,
            seeds=lambda: [b"0" * 40 + b" " + b"1" * 40 + b" refs/heads/main\n"],
            words=("refs/heads/", " ", "\n", "0" * 40, "1" * 64, "-"),
            most_bytes=600,
        ),
        Subject(
            name="source",
            check=check_source,
            seeds=lambda: _read(DATA / "kelp", "**/*.c", "**/*.h", "**/Makefile"),
            words=(
                "#include <",
                '#include "',
                "%:include ",
                "#include_next ",
                "#import ",
                "-include=",
                "-imacros ",
                ".h",
                ".hpp",
                "../",
                "./",
                "$(X)/",
                "${Y}",
                "//",
                "/*",
                "-MMD",
                "\\",
                "(",
            ),
            most_bytes=20_000,
        ),
    )
}


def main(name: str) -> None:
    """Check the files that are named on standard input, one a line, without the fuzzer: for looking at a find."""
    for line in sys.stdin:
        check_timed(SUBJECTS[name], Path(line.rstrip("\n")).read_bytes())


if __name__ == "__main__":
    main(sys.argv[1])
