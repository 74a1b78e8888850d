"""
A worker's tree with the compiler cache in front of a real compiler, and the same compiler without.

The tree is a real one, moved from commit to commit, so that what each compilation read is known as the gate knows it.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from gatekeep.build.cache_use import CacheUse
from gatekeep.build.command import CancelToken
from gatekeep.build.compile_cache import CompileCache, NoCompileCache, find_compile_cache
from gatekeep.build.subprocess_runner import SubprocessRunner
from gatekeep.build.toolchain import DigestCache, ToolchainFacts
from gatekeep.build.worktree import MaterialisedTree
from gatekeep.model.matrix import CacheWish, Toolchain
from gatekeep.tree.repository import GitRepository
from tests.measuring import make_target
from tests.repos import Content, GitFolder

GCC = "arm-none-eabi-gcc"
TOOLCHAIN = Toolchain(name="arm-gcc", probe=(GCC, "--version"), compile_cache=CacheWish(in_front_of=(GCC,)))
FACTS = ToolchainFacts(name="arm-gcc", version="12.2.1", first_line=GCC, output_sha256="0" * 64)
SOURCE_DATE = 1_000_000_000
_TARGET = make_target()
HITS = ("direct_cache_hit", "preprocessed_cache_hit")


def find_cache(
    toolchain: Toolchain, folder: Path, facts: ToolchainFacts = FACTS, path: str | None = None
) -> CompileCache | NoCompileCache | None:
    """Find the cache as a run does; it lies in `folder`."""
    scratch = folder / "scratch"
    scratch.mkdir(parents=True, exist_ok=True)
    with SubprocessRunner() as runner, CancelToken() as cancel:
        return find_compile_cache(
            toolchain,
            facts,
            folder=folder / "compile-cache",
            runner=runner,
            environment={"PATH": path or os.environ["PATH"], "LC_ALL": "C", "HOME": str(scratch)},
            scratch=scratch,
            digests=DigestCache(None),
            cancel=cancel,
        )


def need_cache(
    toolchain: Toolchain, folder: Path, facts: ToolchainFacts = FACTS, path: str | None = None
) -> CompileCache:
    """Find the cache; it is there."""
    cache = find_cache(toolchain, folder, facts, path)
    assert isinstance(cache, CompileCache)
    return cache


def count(folder: Path, name: str) -> int:
    """Give one of ccache's own counters."""
    environment = {"PATH": os.environ["PATH"], "CCACHE_DIR": str(folder), "CCACHE_CONFIGPATH": os.devnull}
    text = subprocess.run(["ccache", "--print-stats"], env=environment, check=True, capture_output=True).stdout
    found = re.search(rf"^{name}\t([0-9]+)$", text.decode(), re.MULTILINE)
    assert found is not None
    return int(found[1])


@dataclass(frozen=True, kw_only=True)
class Compiled:
    """What a job did: its exit code, its words, the files that it left, and what it read of the tree."""

    code: int
    printed: bytes
    files: Mapping[str, bytes]
    read_files: frozenset[bytes]
    listed_folders: frozenset[bytes]
    is_in_doubt: bool

    @property
    def shows(self) -> tuple[object, ...]:
        """All but what was read."""
        return self.code, self.printed, self.files


class TreeWorker:
    """Runs one job after another in its tree; each is one line of shell."""

    def __init__(self, folder: Path, repository: GitRepository, source: GitFolder, cache: CompileCache) -> None:
        folder.mkdir(parents=True)
        self.folder, self.cache = folder, cache
        self.tree = MaterialisedTree(folder / "tree", repository, source_date=SOURCE_DATE)
        self._source = source
        self._clean = {"PATH": os.environ["PATH"], "LC_ALL": "C.UTF-8", "SOURCE_DATE_EPOCH": str(SOURCE_DATE)}

    def move_to(self, commit: str) -> None:
        """Move the tree."""
        self.tree.move_to(self._source.tree_of(commit))

    def run(self, line: str, compiler: str, *, cached: bool) -> Compiled:
        """Run a job; CC is the compiler's words, and OUT the output folder."""
        assert self.tree.tree_id is not None
        self.tree.move_to(self.tree.tree_id)
        for name in ("out", "tmp", "compilers"):
            shutil.rmtree(self.folder / name, ignore_errors=True)
        out, tmp = self.folder / "out", self.folder / "tmp"
        for place in (out, tmp):
            place.mkdir()
        own = self._clean
        use = CacheUse({_TARGET.toolchain: self.cache} if cached else {}, tree=self.tree, folder=self.folder)
        own = use.put_in_front(_TARGET, own)
        assert (own != self._clean) == cached
        done = subprocess.run(
            ["sh", "-c", line],
            cwd=self.tree.root,
            env={**own, "OUT": str(out), "CC": compiler},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
        files = {str(path.relative_to(out)): path.read_bytes() for path in sorted(out.rglob("*")) if path.is_file()}
        self.tree.restore()
        found = self.tree.accesses
        assert found is not None
        return Compiled(
            code=done.returncode,
            printed=done.stdout,
            files=files,
            read_files=frozenset(found.files),
            listed_folders=frozenset(found.folders),
            is_in_doubt=use.is_in_doubt(_TARGET, found),
        )

    def check(self, line: str, compiler: str, *, times: int = 1) -> str:
        """Run a job both ways, and hold them against each other; give a letter for each hit: direct, preprocessed."""
        clean = self.run(line, compiler, cached=False)
        names, kinds = self.tree.list_names(), ""
        assert names is not None
        links = frozenset(map(os.fsencode, names.links))
        for _ in range(times):
            before = [count(self.cache.folder, name) for name in HITS]
            found = self.run(line, compiler, cached=True)
            assert found.shows == clean.shows
            # A hit follows no symlink in vain; the job counts them all (`build.cache_use`).
            assert found.read_files - links == clean.read_files - links
            assert found.listed_folders == clean.listed_folders
            after = [count(self.cache.folder, name) for name in HITS]
            kinds += "".join(letter * (new - old) for letter, old, new in zip("dp", before, after, strict=True)) or "-"
        return kinds


class TreeHistory:
    """Commits, and workers that are moved between them; all share one cache."""

    def __init__(self, folder: Path, source: GitFolder, repository: GitRepository, cache: CompileCache) -> None:
        self.source, self.cache = source, cache
        self.folder, self._repository = folder, repository
        self.workers: list[TreeWorker] = []

    def add_worker(self) -> TreeWorker:
        """Give one more worker, which holds nothing yet."""
        worker = TreeWorker(self.folder / f"w{len(self.workers)}", self._repository, self.source, self.cache)
        self.workers.append(worker)
        return worker

    def commit(self, files: Mapping[str | bytes, Content]) -> str:
        """Commit on top of what is there."""
        return self.source.commit(files)

    def close(self) -> None:
        """Give all trees back."""
        for worker in self.workers:
            worker.tree.close()
