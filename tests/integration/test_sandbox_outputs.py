"""
What hostile builds leave behind, through the whole gate: each is judged by what it is, and the store stays whole.

One change turns every board of an honest tree into another trick; `--sandbox require` holds them all.
"""

from __future__ import annotations

import json
import os
import sqlite3
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

MATRIX = """\
matrix: 1
tree: kelp
source_date: 2024-05-01
toolchains: {shell: {probe: [make, --version], allow: ">=4"}}
recipes:
  tricks:
    build: [sh, tricks.sh, "{board}", "{out}"]
    image: "{out}/image"
    time_limit: 60 s
    memory_limit: 128 MiB
    disk_limit: 48 MiB
parts: {small: {capacity: 64 KiB}}
every: {toolchain: shell, part: small, recipe: tricks}
ports:
  arm:
    maintainers: ["Oda Brekke <oda@kelp.example>"]
    boards: {BOARDS}
"""
HONEST = 'printf tide >"$2/image"\n'
#: By board: what it does in place of its image, and what the gate says of it.
TRICKS = {
    "honest": (HONEST, "built", ""),
    "link": ('ln -s /etc/passwd "$2/image"', "broken", "lies outside the folder"),
    "dangling": ('ln -s /nowhere "$2/image"', "broken", "left no {out}/image"),
    "circle": ('ln -s image "$2/image"', "broken", "{out}/image"),
    "folder": ('mkdir "$2/image"', "broken", "is a directory, not a regular file"),
    "pipe": ('mkfifo "$2/image"', "broken", "is a pipe, not a regular file"),
    "device": ('mknod "$2/image" c 1 5', "broken", "sh ended with exit code 1"),
    "zero": ('ln -s /dev/zero "$2/image"', "broken", "lies outside the folder"),
    "sparse": ('truncate -s 10G "$2/image"', "broken", "sh wrote a file larger than 16 MiB, a third of its disk limit"),
    "locked": ('printf tide >"$2/image"; chmod 000 "$2/image" "$2"', "built", ""),
    "large": ('truncate -s 15M "$2/image"', "outgrown", ""),
    "memory": (
        "head -c 600M /dev/zero | tail -c 600M >/dev/null",
        "broken",
        "used more than 128 MiB of memory, its limit",
    ),
    "disk": (
        'for n in 1 2 3 4 5 6; do head -c 12M /dev/urandom >"$2/$n"; done; sleep 20',
        "broken",
        "used more than 48 MiB of the disk, its limit",
    ),
    "screen": (r"printf '\033[2J\033]0;owned\007error: \302\233 <b>\n'; exit 1", "broken", "sh ended with exit code 1"),
    "deep": (f'{HONEST}cd "$2"; for n in $(seq 300); do mkdir d; cd d; done', "built", ""),
    "tree": (f"{HONEST}rm -f tricks.sh; mkfifo tricks.sh; chmod 000 .", "built", ""),
}


class Tree:
    """A repository whose base is honest, and the gate run on its change."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "kelp"
        self.folder.mkdir()
        self.home = folder / "home"
        self.home.mkdir()
        boards = "{" + ", ".join(f"{name}: {{}}" for name in TRICKS) + "}"
        (self.folder / "matrix.yml").write_text(MATRIX.replace("{BOARDS}", boards))
        self.git("init", "-q", "-b", "main")
        (self.folder / "tricks.sh").write_text(HONEST)
        self.base = self.commit("Import")
        cases = "".join(f"{name})\n{script}\n;;\n" for name, (script, _outcome, _words) in TRICKS.items())
        (self.folder / "tricks.sh").write_text(f"case $1 in\n{cases}esac\n")
        self.head = self.commit("Play tricks")

    def git(self, *arguments: str) -> str:
        identity = ("-c", "user.name=Oda Brekke", "-c", "user.email=oda@kelp.example")
        environment = {"PATH": os.environ["PATH"], "HOME": str(self.home)}
        done = subprocess.run(
            ["git", *identity, *arguments], cwd=self.folder, env=environment, check=True, capture_output=True, text=True
        )
        return done.stdout.strip()

    def commit(self, subject: str) -> str:
        self.git("add", "-A")
        self.git("commit", "-q", "-m", subject)
        return self.git("rev-parse", "HEAD")

    def gate(self, *arguments: str) -> tuple[int, dict[str, Any], str]:
        out = self.folder.parent / "report.json"
        command = [sys.executable, "-m", "gatekeep", "gate", self.base, self.head, "--json", str(out), *arguments]
        done = subprocess.run(
            command,
            cwd=self.folder,
            env={"PATH": os.environ["PATH"], "HOME": str(self.home)},
            capture_output=True,
            text=True,
            errors="surrogateescape",
        )
        assert out.exists(), done.stderr
        return done.returncode, json.loads(out.read_text()), done.stdout


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> tuple[Tree, int, dict[str, Any], str]:
    tree = Tree(tmp_path_factory.mktemp("outputs"))
    return (tree, *tree.gate("--sandbox", "require", "--workers", "2"))


def test_the_gate_blocks(judged: tuple[Tree, int, dict[str, Any], str]) -> None:
    _tree, code, report, _screen = judged
    assert (code, report["verdict"]) == (1, "block")


@pytest.mark.parametrize("board", TRICKS)
def test_each_trick_is_judged_by_what_it_is(board: str, judged: tuple[Tree, int, dict[str, Any], str]) -> None:
    tree, _code, report, _screen = judged
    _script, outcome, words = TRICKS[board]
    (result,) = (
        entry for entry in report["results"] if (entry["commit"], entry["target"]) == (tree.head, f"arm/{board}")
    )
    assert result["outcome"] == outcome, result
    assert words in json.dumps(result, ensure_ascii=False), result
    # Nobody's trick reached another: the base was built in the same places, before or after.
    (before,) = (
        entry for entry in report["results"] if (entry["commit"], entry["target"]) == (tree.base, f"arm/{board}")
    )
    assert before["outcome"] == "built"


def test_nothing_of_a_build_reaches_the_screen_as_it_is(judged: tuple[Tree, int, dict[str, Any], str]) -> None:
    *_others, screen = judged
    assert not any(ord(sign) < 32 or 127 <= ord(sign) < 160 for sign in screen.replace("\n", ""))


def test_the_store_is_whole_and_the_workers_folders_are_empty(
    judged: tuple[Tree, int, dict[str, Any], str],
) -> None:
    tree, *_rest = judged
    store = tree.folder / ".git" / "gatekeep"
    with sqlite3.connect(store / "evidence.db") as database:
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    for place in (store / "trees").iterdir():
        assert sorted(path.name for path in place.iterdir() if path.is_dir()) == ["tree"]
        assert sorted(path.name for path in (place / "tree").iterdir()) == ["matrix.yml", "tricks.sh"]
