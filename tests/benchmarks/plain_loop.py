"""
What people do without gatekeep: check a commit out, run a clean make for every target, two at a time.

Used by the benchmarks as peer and as truth; it shares no code with the product.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import subprocess
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from tests.benchmarks.measured_gate import benchmark_environment
from tests.repos import GitFolder

WORKERS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class PlainBuild:
    """What a clean make left: the digest of `<board>.elf`, None when it failed; and the files of the tree it read."""

    sha256: str | None
    reads: frozenset[str]


def build_plainly(tree: Path, boards: Sequence[str], *, environment: Mapping[str, str]) -> dict[str, PlainBuild]:
    """Build boards of a generated tree cleanly in a checkout, two at a time, with the files that they read."""

    def build(board: str) -> PlainBuild:
        with tempfile.TemporaryDirectory() as out:
            command = ["make", f"BOARD={board}", f"O={out}", "DEPS=1"]
            done = subprocess.run(command, cwd=tree, env=dict(environment), capture_output=True, check=False)
            reads = frozenset(_list_reads(Path(out)))
            if done.returncode:
                return PlainBuild(sha256=None, reads=reads)
            image = Path(out, f"{board}.elf").read_bytes()
            return PlainBuild(sha256=hashlib.sha256(image).hexdigest(), reads=reads)

    with ThreadPoolExecutor(WORKERS) as pool:
        return dict(zip(boards, pool.map(build, boards), strict=True))


def _list_reads(out: Path) -> Iterable[str]:
    """Give the prerequisites in dependency files (GNU make manual, "Automatic Prerequisites") that lie in the tree."""
    for file in sorted((out / "reads").iterdir()):
        for word in re.sub(r"\\\n", " ", file.read_text()).split():
            name = word.removesuffix(":")
            if not name.startswith("/") and name != "make":
                yield os.path.normpath(name)


class Checkout:
    """A work tree of a repository, moved by `git checkout`; made where it is not there yet."""

    def __init__(self, repository: GitFolder, path: Path) -> None:
        if not path.exists():
            repository.git("worktree", "add", "-q", "--detach", str(path))
        self.path = path
        self._git = GitFolder(path)

    def move_to(self, commit: str) -> None:
        """Check a commit out, and remove what builds have left."""
        self._git.git("checkout", "-q", "--detach", commit)
        self._git.git("clean", "-qfdx")

    def changed_paths(self, old: str, new: str) -> frozenset[str]:
        """List the paths that differ between two commits; a moved file is two of them."""
        listed = self._git.git("diff", "--name-only", "--no-renames", "-z", old, new)
        return frozenset(path.decode() for path in listed.split(b"\0") if path)


def find_zig() -> str:
    """Give the path of the compiler that the wheel ziglang carries."""
    code = "import os, ziglang; print(os.path.join(os.path.dirname(ziglang.__file__), 'zig'))"
    python = shutil.which("python3", path=benchmark_environment()["PATH"]) or "python3"
    done = subprocess.run([python, "-c", code], capture_output=True, text=True, check=True)
    return done.stdout.strip()
