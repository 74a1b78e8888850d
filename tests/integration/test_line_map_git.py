"""Line maps from the diffs of real git: random edits, renames and file names that need quoting."""

from __future__ import annotations

import os
import random
import subprocess
from pathlib import Path

import pytest

from gatekeep.model.change import LineMap
from gatekeep.tree.hunks import parse_line_map

#: As tree/ runs it, and as the docstring of tree/hunks.py promises.
DIFF = (
    *("diff", "--no-color", "--no-ext-diff", "--no-textconv", "-U0", "-M", "-l0"),
    *("--src-prefix=a/", "--dst-prefix=b/", "--full-index"),
)
Files = dict[bytes, bytes]


class Repository:
    """A throw-away repository with nothing of the machine's configuration."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.git("init", "-q", "--initial-branch=main")

    def git(self, *arguments: str) -> bytes:
        return subprocess.run(
            ["git", "-c", "user.name=Isa", "-c", "user.email=isa@skerry.example", *arguments],
            cwd=self.folder,
            env={"PATH": os.environ["PATH"], "GIT_CONFIG_NOSYSTEM": "1", "GIT_CONFIG_GLOBAL": os.devnull},
            check=True,
            stdout=subprocess.PIPE,
        ).stdout

    def commit(self, files: Files) -> str:
        self.git("rm", "-rqf", "--ignore-unmatch", ".")
        for name, content in files.items():
            path = os.path.join(os.fsencode(self.folder), name)
            os.makedirs(os.path.dirname(path), exist_ok=True)
            with open(path, "wb") as stream:
                stream.write(content)
        self.git("add", "-A")
        self.git("commit", "-qm", "tree", "--allow-empty")
        return self.git("rev-parse", "HEAD").decode().strip()

    def map(self, base: str, head: str, *configuration: str) -> LineMap:
        options = [part for entry in configuration for part in ("-c", entry)]
        return parse_line_map(self.git(*options, *DIFF, base, head))


@pytest.fixture
def repository(tmp_path: Path) -> Repository:
    return Repository(tmp_path)


def to_path(name: bytes) -> str:
    return name.decode("utf-8", "surrogateescape")


def check(old: Files, new: Files, line_map: LineMap) -> int:
    """Hold every line of the old tree against the new one; give how many live on."""
    text = {to_path(name): content.split(b"\n") for name, content in new.items()}
    alive = 0
    for name, content in old.items():
        path, last = to_path(name), 0
        for number, line in enumerate(content.split(b"\n"), 1):
            if number == content.count(b"\n") + 1 and not line:
                continue  # what follows the last newline is no line
            place = line_map.map_place(path, number)
            if place is not None:
                assert text[place[0]][place[1] - 1] == line
                assert place[1] > last
                last = place[1]
                alive += 1
        if path in line_map.removed:
            assert name not in new
    return alive


@pytest.mark.parametrize(
    "configuration", [(), ("core.quotePath=false", "diff.interHunkContext=3", "diff.noprefix=true")]
)
def test_every_surviving_line_has_its_text_in_random_histories(
    repository: Repository, configuration: tuple[str, ...]
) -> None:
    chance = random.Random(f"skerry {configuration}")
    words = [
        b"int a;",
        b"}",
        b"",
        b"--- a/x",
        b"+++ b/x",
        b"@@ -1 +1 @@",
        b"diff --git a/x b/x",
        b"\\",
        b"-",
        b"+",
        b"\rint b;",
    ]
    names = [
        b"a.c",
        b"d/b c.c",
        b'q"uote\\.h',
        b"tab\there.c",
        b"new\nline.c",
        "tide ä.c".encode(),
        b"latin \xe4.c",
        b"a.c b",
    ]

    def content() -> bytes:
        lines = b"\n".join(chance.choice(words) for _ in range(chance.randrange(40)))
        return lines + (b"\n" if lines and chance.random() < 0.8 else b"")

    def edit(text: bytes) -> bytes:
        lines = text.split(b"\n")
        for _ in range(chance.randrange(1, 5)):
            at = chance.randrange(len(lines) + 1)
            lines[at : at + chance.randrange(3)] = [chance.choice(words) for _ in range(chance.randrange(3))]
        return b"\n".join(lines)

    files = {name: content() for name in names}
    base = repository.commit(files)
    alive = 0
    for _ in range(12):
        changed = {name: edit(text) if chance.random() < 0.6 else text for name, text in files.items()}
        if chance.random() < 0.5:
            gone = chance.choice(sorted(changed))
            changed[b"moved/" + gone.replace(b"/", b"_")[-20:]] = changed.pop(gone)
        if chance.random() < 0.3:
            changed.pop(chance.choice(sorted(changed)))
        if chance.random() < 0.3:
            changed[b"new %d.c" % chance.randrange(9)] = content()
        head = repository.commit(changed)
        alive += check(files, changed, repository.map(base, head, *configuration))
        files, base = changed, head
    assert alive > 300


def test_rename_mode_binary_link_and_removal(repository: Repository) -> None:
    body = b"".join(b"line %d\n" % number for number in range(30))
    base = repository.commit(
        {
            b"a b.c": body,
            b"plain.c": body[::-1],
            b"x.bin": b"\0\1",
            b"gone.c": b"int a;\n",
            b"empty": b"",
            b"kept.c": body + b"k",
        }
    )
    (repository.folder / "a b.c").rename(repository.folder / "to where.c")
    (repository.folder / "to where.c").write_bytes(b"first\n" + body.replace(b"line 9\n", b""))
    (repository.folder / "plain.c").chmod(0o755)
    (repository.folder / "x.bin").write_bytes(b"\0\2")
    (repository.folder / "gone.c").unlink()
    (repository.folder / "gone.c").symlink_to("plain.c")
    (repository.folder / "empty").unlink()
    repository.git("add", "-A")
    repository.git("commit", "-qm", "moved")
    found = repository.map(base, "HEAD")
    assert found.removed == {"gone.c", "empty"}
    assert sorted(found.files) == ["a b.c", "plain.c", "x.bin"]
    assert found.map_place("a b.c", 1) == ("to where.c", 2)
    assert found.map_place("a b.c", 10) is None
    assert found.map_place("a b.c", 11) == ("to where.c", 11)
    assert found.map_place("plain.c", 3) == ("plain.c", 3)
    assert found.map_place("kept.c", 3) == ("kept.c", 3)
