"""
A compiler cache in front of a recipe's compilers, where the matrix asks for one.

The cache is ccache, used by its own way: a folder with a program for every compiler's name stands first on PATH. Taken
as it comes it would break our first promise, that no result differs from a clean build's. Each of these was seen to
happen (ccache 4.7.5, GCC 12.2, Clang 20) and stands in tests/integration/test_compile_cache.py or, for direct mode,
test_compile_cache_direct.py:

- *direct mode* knows the contents of what was read, and nothing else: it takes an object though a new header now
  shadows one that it was made from (its manual, "The direct mode"). So the names in the folders that are searched are
  in its key (`tree_names`), and what its key cannot answer for is left to preprocessor mode: headers and sources made
  in the output folder, `__has_include`, ways through "..", folders from the environment (`compile_front` has the
  proof). What a build does to the names of its own tree is seen after the job, which is then built again (`cache_use`).
  A hit opens and reads what a compilation reads, but for symlinks that lead nowhere useful, which are added to the read
  set.
- *preprocessor mode* sees neither comments nor the spaces within a line. A removed "fall through" comment gave the old
  object without its new warning; a moved column gave the old column in warnings and debug information. So the bytes of
  every file that the preprocessor went through are hashed too.
- *files that the assembler reads* (.include, and .incbin in most spellings) are not seen: the old object came back.
  Assembly is never cached, nor is C whose text speaks of such a thing.
- *-fdebug-prefix-map* and its like are left out of the hash, though debug information shows them. They are hashed, with
  the worker's own folder taken out, so that workers find each other's objects.
- CCACHE_BASEDIR rewrites the command line, and with it __FILE__ and the size of the image. It is not used: where a
  makefile names sources by absolute paths, workers do not share.
- the compiler's driver is hashed, not the compiler behind it: the digest of the toolchain is part of every entry.
- the inode cache would spare reads that our read sets are made of. Off.

What remains: a source that puts the name of a directive together from pieces ('".i" "nclude"', '__has_##include'), a
build that takes a header out of its tree between two readings by the same compilation, and one that writes into the
cache on purpose. Builds are strangers, and all builds of a toolchain share one folder: a hostile one can leave
an object that another takes. So whatever has to be clean builds without the cache: the audit, and --rebuild.

The programs are shell scripts, and a lookup without a direct hit costs some processes besides the preprocessor;
tests/benchmarks/bench_compile_cache.py says where that paid.

Source: ccache manual 4.7, "Configuration options", "How ccache works"; GCC manual, "Overall Options"; GNU as manual,
".incbin", ".include".
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from gatekeep.build.command import CancelToken, CommandRunner
from gatekeep.build.compile_front import list_texts, render_front, render_guard
from gatekeep.build.launch import NotStartedError, find_program
from gatekeep.build.toolchain import DigestCache, ToolchainFacts, is_allowed, probe_toolchain
from gatekeep.build.tree_names import TreeNames
from gatekeep.errors import ToolchainError
from gatekeep.model.matrix import Toolchain

#: Namespaces came with 4.6; the next major version may mean other things by the same words.
ALLOWED_VERSIONS = ">=4.6,<5"
#: Raise it when other things are hashed, or the same in another way.
_FORMAT = 2
#: Beside a workplace's tree; made anew for every job.
FOLDER = "compilers"
#: No name of the matrix begins with a dot.
_GUARD, _FOLDERS, _REFERENCE = ".read-sources", ".folders", ".before"
#: Direct mode is closed by ways of ccache that its manual says nothing of; these versions were looked at.
_DIRECT_VERSIONS = ">=4.7,<4.8"

#: What a build may have set; each would lead the cache elsewhere or make it less careful.
_SETTINGS = {
    "CCACHE_CONFIGPATH": "/dev/null",
    "CCACHE_NODEPEND": "1",
    "CCACHE_NOINODECACHE": "1",
    "CCACHE_NOHARDLINK": "1",
    "CCACHE_NOFILECLONE": "1",
    "CCACHE_CPP2": "1",
    "CCACHE_HASHDIR": "1",
    # The compilers and what stands behind them are in the namespace.
    "CCACHE_COMPILERCHECK": "none",
    "CCACHE_BASEDIR": "",
    "CCACHE_SLOPPINESS": "",
    "CCACHE_IGNOREOPTIONS": "",
    "CCACHE_IGNOREHEADERS": "",
    "CCACHE_COMPILER": "",
    "CCACHE_EXTRAFILES": "",
    "CCACHE_PREFIX": "",
    "CCACHE_REMOTE_STORAGE": "",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class CompileCache:
    """
    A compiler cache that is ready for the jobs of one toolchain.

    `program` is where ccache lies; `compilers` are (name, path) pairs, in the order of the matrix; `folder` holds what
    is cached, `limit_bytes` at most; `digest` is of the cache, its compilers and the toolchain: nothing is shared
    between two that differ. `may_be_direct` is whether direct mode is understood of this version of ccache.
    """

    program: str
    compilers: tuple[tuple[str, str], ...]
    folder: Path
    limit_bytes: int
    digest: str
    may_be_direct: bool

    def stand_in_front(
        self,
        environment: Mapping[str, str],
        *,
        folder: Path,
        tree: Path,
        out: Path,
        tmp: Path,
        names: TreeNames | None = None,
    ) -> dict[str, str]:
        """
        Put the cache in front of the compilers of one job.

        Args:
            environment: Of the job's commands; PATH is its only variable that changes.
            folder: A folder that is not there yet; the programs lie in it from now on.
            tree: The worker's copy of the tree.
            out: The job's output folder.
            tmp: The job's folder for temporary files.
            names: Of the tree as it is now, where direct mode may be used. Whoever gives them has to see afterwards
                whether the job wrote into its tree: what was found is right only if it did not.

        Raises:
            OSError: The programs or the cache's folder cannot be written.
        """
        self.folder.mkdir(parents=True, exist_ok=True)
        if not os.access(self.folder, os.R_OK | os.W_OK | os.X_OK):
            raise PermissionError(13, "no permission to write", str(self.folder))
        folder.mkdir(mode=0o700)
        guard, folders, reference = (folder / name for name in (_GUARD, _FOLDERS, _REFERENCE))
        if names is not None and (not self.may_be_direct or os.path.realpath(tree) != str(tree)):
            # By another name of its folder the guard would not know what a build may write to.
            names = None
        if names is not None:
            root = os.fsencode(tree)
            folders.write_bytes(b"".join(root + b"/" + path + b"\0" for path in names.folders))
            reference.touch()
            os.utime(reference, ns=(names.changed_ns, names.changed_ns))
        _write_program(guard, render_guard(tree=tree, folders=folders, reference=reference))
        settings = _SETTINGS | {
            "CCACHE_DIR": str(self.folder),
            "CCACHE_MAXSIZE": f"{max(1, self.limit_bytes // 1024)}Ki",
            "CCACHE_TEMPDIR": str(tmp),
            "CCACHE_PREFIX_CPP": str(guard),
        }
        for name, path in self.compilers:
            text = render_front(
                path,
                program=self.program,
                namespace=self.digest,
                settings=settings,
                tree=tree,
                out=out,
                names=names,
            )
            _write_program(folder / name, text)
        return {**environment, "PATH": f"{folder}:{environment['PATH']}"}


@dataclass(frozen=True, slots=True, kw_only=True)
class NoCompileCache:
    """The matrix asks for a cache, and this is why there is none: one sentence for people. Builds go on without."""

    message: str


def find_compile_cache(
    toolchain: Toolchain,
    facts: ToolchainFacts,
    *,
    folder: Path,
    runner: CommandRunner,
    environment: Mapping[str, str],
    scratch: Path,
    digests: DigestCache,
    cancel: CancelToken,
) -> CompileCache | NoCompileCache | None:
    """
    Find the cache that the matrix asks for in front of a toolchain's compilers.

    Args:
        toolchain: From the matrix.
        facts: What its probe gave.
        folder: Of all caches; each toolchain has one of its own in it.
        runner: As for `probe_toolchain`, and so the others.
        environment: Its PATH is where compilers are looked for.
        scratch: An empty folder.
        digests: Asked for the digests of ccache and the compilers.
        cancel: Ends the probe.

    Returns:
        None where the matrix asks for none.

    Raises:
        RunnerError: The probe was cancelled, or the machine could not run it.
    """
    wish = toolchain.compile_cache
    if wish is None:
        return None
    as_tool = Toolchain(
        name=toolchain.name,
        probe=(wish.program, "--version"),
        allow=ALLOWED_VERSIONS,
        install=f"apt-get install {wish.program}" if wish.program == "ccache" else None,
        programs=(wish.program,),
    )
    try:
        found = probe_toolchain(
            as_tool, runner=runner, environment=environment, scratch=scratch, digests=digests, cancel=cancel
        )
        # By its path, and not by where links lead: a program that is told its name acts by it.
        program = _find(wish.program, environment["PATH"], lambda _: True)
        real_program = found.programs[0].path
        compilers = tuple(
            (name, _find(name, environment["PATH"], lambda path: os.path.realpath(path) != real_program))
            for name in wish.in_front_of
        )
        contents = [(name, path, digests.digest(Path(path))) for name, path in compilers]
    except ToolchainError as error:
        return NoCompileCache(message=f"{error}; until then it builds without its compile cache")
    except (NotStartedError, OSError) as error:
        problem = error.args[1] if isinstance(error, NotStartedError) else str(error)
        return NoCompileCache(
            message=f"toolchain {toolchain.name}: compile_cache: {problem}; until it is, it builds without the cache"
        )
    known = [_FORMAT, list_texts(), sorted(_SETTINGS.items()), found.digest, contents, facts.digest]
    return CompileCache(
        program=program,
        compilers=compilers,
        folder=folder / toolchain.name,
        limit_bytes=wish.limit_bytes,
        digest=hashlib.sha256(json.dumps(known).encode()).hexdigest(),
        may_be_direct=is_allowed(found.version, _DIRECT_VERSIONS),
    )


def list_faults(caches: Iterable[CompileCache | NoCompileCache]) -> tuple[str, ...]:
    """Give each reason why there is no cache, once, in order."""
    return tuple(dict.fromkeys(cache.message for cache in caches if isinstance(cache, NoCompileCache)))


def _find(name: str, search_path: str, suits: Callable[[str], bool]) -> str:
    """Find the first program of that name which suits; another compiler cache's link is no compiler."""
    if "/" in name:
        return os.fsdecode(find_program(os.fsencode(name), b""))
    for entry in search_path.split(":"):
        if (Path(entry) / name).exists() and suits(f"{entry}/{name}"):
            return os.fsdecode(find_program(os.fsencode(name), os.fsencode(entry)))
    raise NotStartedError("missing-program", f"'{name}' is not on PATH")


def _write_program(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", errors="surrogateescape")
    path.chmod(0o755)
