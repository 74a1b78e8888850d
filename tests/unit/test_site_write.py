"""The site becomes files: what changed, whole or not at all, and never in somebody else's folder."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from gatekeep.errors import UsageError
from gatekeep.model.health import Health
from gatekeep.model.rule import Rule
from gatekeep.report.site import files as files_module
from gatekeep.report.site.files import iter_files, list_makers
from gatekeep.report.site.write import MANIFEST, Written, write_site
from tests.cases import broken, make_matrix, make_waiver
from tests.site_cases import PART, image, make_health
from tests.unit.test_house import iter_imports


def usual(last: int = 5, *, is_broken: bool = False) -> Health:
    tail = [(4, last, broken())] if is_broken else [(4, last, image(600))]
    return make_health(
        {"arm/mere": [(0, last, image())], "loongarch64/ness": [(0, 3, image()), *tail]}, commit_count=last + 1
    )


def read_site(out: Path) -> dict[str, bytes]:
    return {
        path.relative_to(out).as_posix(): path.read_bytes()
        for path in out.rglob("*")
        if path.is_file() and not path.name.startswith(".")
    }


def expected(health: Health) -> dict[str, bytes]:
    return {file.path: file.render().encode() for file in iter_files(health)}


def test_site_holds_every_file_and_nothing_else(tmp_path: Path):
    health = usual()
    done = write_site(health, tmp_path / "site")
    assert read_site(tmp_path / "site") == expected(health)
    assert done == Written(written=len(expected(health)), kept=0, removed=0)


def test_digests_hold_every_module_that_a_page_is_made_by():
    """A mended sentence must come to pages of the same values, whoever forgets to raise the version."""
    package = Path(files_module.__file__).parents[2]
    held = {Path(str(entry)) for entry in list_makers()}
    left = sorted((package / "report" / "site").glob("*.py"))
    seen = set(left)
    while left:
        for _, name in iter_imports(left.pop()):
            path = package.parent / f"{name.replace('.', '/')}.py"
            if name.startswith("gatekeep.") and path.exists() and path not in seen:
                seen.add(path)
                left.append(path)
    # Only what is said of errors is made by this one.
    assert seen - held == {package / "errors.py"}


def test_second_run_writes_nothing(tmp_path: Path):
    write_site(usual(), tmp_path)
    times = {path: path.stat().st_mtime_ns for path in tmp_path.rglob("*")}
    done = write_site(usual(), tmp_path)
    assert (done.written, done.removed) == (0, 0)
    assert {path: path.stat().st_mtime_ns for path in tmp_path.rglob("*")} == times


def test_lines_that_move_in_the_matrix_or_the_waivers_write_nothing(tmp_path: Path):
    def moved(line: int) -> Health:
        matrix = make_matrix(("arm/mere",), part=PART)
        ports = tuple(replace(port, place=replace(port.place, line=line)) for port in matrix.ports)
        waiver = make_waiver(Rule.BROKEN, "arm/mere", until=date(2026, 6, 30))
        waivers = (replace(waiver, place=replace(waiver.place, line=line)),)
        return make_health({"arm/mere": [(0, 5, broken())]}, matrix=replace(matrix, ports=ports), waivers=waivers)

    write_site(moved(3), tmp_path)
    assert write_site(moved(4), tmp_path).written == 0


def test_one_more_commit_leaves_commit_pages_feeds_and_badges_as_they_were(tmp_path: Path):
    write_site(usual(5), tmp_path)
    before = {path: path.stat().st_ino for path in tmp_path.rglob("*") if path.is_file()}
    write_site(usual(6), tmp_path)
    touched = {path.parent.name for path, number in before.items() if path.stat().st_ino != number}
    assert touched == {"targets", "ports", tmp_path.name}  # their axes are one commit longer
    assert read_site(tmp_path) == expected(usual(6))


def test_one_more_commit_of_a_long_history_writes_what_it_touched_only(tmp_path: Path):
    def after(count: int, last: int) -> Health:
        return make_health(
            {
                "arm/mere": [(0, count - 1, image())],
                "arm/holm": [(0, last, image()), (last + 1, count - 1, image(600))],
                "mips/holm": [(0, count - 1, image())],
            },
            commit_count=count,
        )

    # 270 and 271 share the end of their axes, 272.
    write_site(after(270, 200), tmp_path)
    before = {path: path.stat().st_ino for path in tmp_path.rglob("*") if path.is_file()}
    write_site(after(271, 269), tmp_path)
    kept = {path.relative_to(tmp_path).as_posix() for path, number in before.items() if path.exists()
            and path.stat().st_ino == number and path.suffix == ".html"}  # fmt: skip
    assert {"targets/arm,mere.html", "targets/mips,holm.html", "ports/mips.html"} <= kept
    assert {"targets/arm,holm.html", "ports/arm.html", "index.html"}.isdisjoint(kept)
    assert read_site(tmp_path) == expected(after(271, 269))


def test_what_is_gone_is_removed_and_what_changed_is_written(tmp_path: Path):
    write_site(usual(), tmp_path)
    smaller = make_health({"arm/mere": [(0, 5, image())]})
    assert write_site(smaller, tmp_path).removed > 0
    assert read_site(tmp_path) == expected(smaller)


def test_a_file_that_somebody_changed_is_written_again(tmp_path: Path):
    write_site(usual(), tmp_path)
    (tmp_path / "index.html").write_text("half")
    (tmp_path / "facts.json").unlink()
    assert write_site(usual(), tmp_path).written == 2
    assert read_site(tmp_path) == expected(usual())


def test_a_folder_of_somebody_else_is_left_alone(tmp_path: Path):
    (tmp_path / "thesis.txt").write_text("years of work")
    with pytest.raises(UsageError) as caught:
        write_site(usual(), tmp_path)
    assert str(caught.value) == (
        f"{tmp_path}: holds files that are not a health site's, and is left as it is; "
        "name a new folder, or an empty one"
    )
    assert [path.name for path in tmp_path.iterdir()] == ["thesis.txt"]


@pytest.mark.parametrize("path", ["../victim.txt", "/victim.txt", "a/../../victim.txt", ".hidden", "a/b/c"])
def test_a_forged_list_removes_nothing_outside(tmp_path: Path, path: str):
    out = tmp_path / "site"
    write_site(usual(), out)
    victim = tmp_path / "victim.txt"
    victim.write_text("mine")
    (out / MANIFEST).write_text(json.dumps({"format": 1, "files": {path: ["0", 1, 1]}}))
    write_site(usual(), out)
    assert victim.read_text() == "mine"


@pytest.mark.parametrize("damage", [b"", b"{", b'{"format": 1}', b'{"format": 9, "files": {}}', b"[]"])
def test_a_damaged_list_makes_everything_new(tmp_path: Path, damage: bytes):
    write_site(usual(), tmp_path)
    (tmp_path / MANIFEST).write_bytes(damage)
    assert write_site(usual(), tmp_path).kept == 0
    assert read_site(tmp_path) == expected(usual())


_KILLED = """
import os, signal, sys
from pathlib import Path
from gatekeep.report.site import write
from tests.unit.test_site_write import usual
left = int(sys.argv[2])
put = write._write_part
def counted(path, content, *, synced):
    global left
    left -= 1
    if left < 0:
        (path.parent / ".part-left").write_bytes(content[:10])
        os.kill(os.getpid(), signal.SIGKILL)
    return put(path, content, synced=synced)
write._write_part = counted
write.write_site(usual(is_broken=True), Path(sys.argv[1]))
"""


@pytest.mark.parametrize("after", [0, 5, 17])
def test_killed_anywhere_every_page_is_old_or_new_and_the_next_run_mends(tmp_path: Path, after: int):
    write_site(usual(), tmp_path)
    old, new = expected(usual()), expected(usual(is_broken=True))
    child = subprocess.run(
        [sys.executable, "-c", _KILLED, str(tmp_path), str(after)],
        check=False,
        cwd=Path(__file__).parents[2],
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )
    if child.returncode == 0:
        assert read_site(tmp_path) == new
        return
    assert child.returncode == -signal.SIGKILL
    for path, content in read_site(tmp_path).items():
        assert content in (old.get(path), new.get(path)), path
    # Back to how it was, then on: what the killed run has replaced is found by its time, not by the old list.
    write_site(usual(), tmp_path)
    assert read_site(tmp_path) == old
    assert list(tmp_path.rglob(".part-*")) == []


def test_a_folder_that_cannot_be_made_leaves_the_old_front_page(tmp_path: Path):
    write_site(usual(), tmp_path)
    (tmp_path / "ports").rename(tmp_path / "kept")
    (tmp_path / "ports").write_text("a file where a folder is to be")
    with pytest.raises(UsageError, match="the health site cannot be written"):
        write_site(usual(is_broken=True), tmp_path)
    assert (tmp_path / "index.html").read_bytes() == expected(usual())["index.html"]
