"""
A repository: commits, trees, differences and file contents.

GitPython finds the repository; git itself answers everything else. One long-lived `git cat-file --batch` reads all
objects; trees are parsed and kept, so that the listing of the next commit reads only the folders that differ.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from types import TracebackType
from typing import Protocol, Self

from gatekeep.errors import RepositoryError
from gatekeep.model.change import Change, Commit, LineMap
from gatekeep.tree.change import list_commits, load_change, resolve_commit
from gatekeep.tree.conversion import Converter
from gatekeep.tree.git_command import GitCommand, git_environment
from gatekeep.tree.hunks import parse_line_map
from gatekeep.tree.listing import (
    EXECUTABLE,
    FILE,
    FOLDER,
    MAX_ENTRIES,
    SUBMODULE,
    Entry,
    Folder,
    Listing,
    TreeDelta,
    diff_trees,
    flatten_tree,
    parse_folder,
)
from gatekeep.tree.objects import GitObject, ObjectReader
from gatekeep.tree.submodules import WAY_OUT, iter_clone_folders, load_submodule_names

#: Entries of parsed folders that are kept, about 40 MB; then all are dropped, and read again where they are needed.
_KEPT_ENTRIES = 200_000
#: Claims, the rule of reach and the look for committed images go through the same trees one after the other.
_KEPT_LISTINGS = 4


class Repository(Protocol):
    """What a run needs to know of a repository; `GitRepository` is the real one."""

    def resolve(self, revision: str) -> Commit:
        """Find the commit that a revision names; RepositoryError when there is none."""
        ...

    def load_change(self, base: str, head: str) -> Change:
        """List the commits of BASE..HEAD; RepositoryError when they are not all there."""
        ...

    def list_tree(self, tree_id: str) -> Listing:
        """List a tree; submodules are single entries."""
        ...

    def load_line_map(self, old_tree_id: str, new_tree_id: str) -> LineMap:
        """Say where the lines of one tree are in another."""
        ...

    def read_file(self, tree_id: str, path: str) -> bytes | None:
        """Give the content of a file; None when the tree has no such file."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Mount:
    """Where a tree stands in an expanded one: `prefix` is "" for the tree itself, else a submodule's path and `/`."""

    prefix: str
    repository: GitRepository
    tree_id: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpandedTree:
    """
    A tree with the content of its submodules in their place.

    `entries` by path, in the order of the paths' bytes within each mount; no submodules are left in it. `mounts` begins
    with the tree itself, and an outer one stands before those in it.
    """

    tree_id: str
    entries: Mapping[str, Entry]
    mounts: tuple[Mount, ...]

    def group_by_mount(self, paths: Sequence[str]) -> Iterator[tuple[Mount, list[str]]]:
        """Sort paths by the repository that holds their content; mounts without any are left out."""
        if len(self.mounts) == 1:
            if paths:
                yield self.mounts[0], list(paths)
            return
        # The innermost mount comes last, so the longest prefix is the first hit from the end.
        groups: dict[int, list[str]] = {}
        for path in paths:
            index = next(i for i in range(len(self.mounts) - 1, -1, -1) if path.startswith(self.mounts[i].prefix))
            groups.setdefault(index, []).append(path)
        for index in sorted(groups):
            yield self.mounts[index], groups[index]


def open_repository(path: Path, environment: Mapping[str, str] | None = None) -> GitRepository:
    """
    Open the repository that a folder belongs to.

    Args:
        path: A work tree or any folder in it, a linked work tree, a bare repository or a git folder. A repository of
            another user works like one's own (see git_command.py).
        environment: Our own environment, for PATH and a server hook's quarantine; None for the process's.

    Raises:
        RepositoryError: No such folder, no repository there, or no git on this machine.
    """
    try:
        # Imported here because it costs 130 ms, which a command that needs no git should not pay.
        import git
    except ImportError as error:
        raise RepositoryError(
            f"{path}: git does not run on this machine: {error}; install git 2.39 or later"
        ) from error
    try:
        with git.Repo(path, search_parent_directories=True, expand_vars=False) as found:
            git_dir = Path(found.git_dir).absolute()
            work_tree = None if found.bare or found.working_tree_dir is None else Path(found.working_tree_dir)
    except git.NoSuchPathError as error:
        raise RepositoryError(f"{path}: there is no such folder; name a folder of a git repository") from error
    except git.InvalidGitRepositoryError as error:
        raise RepositoryError(f"{path}: this is no git repository; name a folder of one, or run git init") from error
    except (OSError, ValueError, git.GitError) as error:
        raise RepositoryError(f"{path}: the repository cannot be opened: {error}; check its .git folder") from error
    own = os.environ if environment is None else environment
    return GitRepository(str(path), git_dir, work_tree, git_environment(own), git_environment(own, quarantine=False))


class GitRepository:
    """
    A git repository on this machine; made by `open_repository`, to be closed (it is a context manager).

    Safe from several threads. Nothing here writes to the repository, runs anything it configures, or uses a network.

    Attributes:
        place: How it is called in messages.
        git_common_dir: The folder that all its work trees share (`.git`, or a bare repository itself).
    """

    def __init__(
        self,
        place: str,
        git_dir: Path,
        work_tree: Path | None,
        environment: Mapping[str, str],
        submodule_environment: Mapping[str, str],
    ) -> None:
        self.place = place
        self._git_dir = git_dir
        self.git_common_dir = _read_common_dir(git_dir)
        self._work_tree = work_tree
        self._submodule_environment = submodule_environment
        self._command = GitCommand(place, git_dir, self.git_common_dir, environment)
        self._reader = ObjectReader(self._command)
        self._folders: dict[str, Folder] = {}
        self._folder_entry_count = 0
        self._list_tree = lru_cache(maxsize=_KEPT_LISTINGS)(
            lambda tree_id: Listing(tree_id=tree_id, entries=flatten_tree(tree_id, self._read_folders))
        )
        self._submodule_names: dict[str, Mapping[str, str]] = {}
        self._submodules: dict[Path, GitRepository] = {}
        self._lock = threading.RLock()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End the reading git and remove scratch files, here and in opened submodules."""
        for submodule in self._submodules.values():
            submodule.close()
        self._submodules.clear()
        self._reader.close()
        self._command.close()

    @property
    def work_tree(self) -> Path | None:
        """The checkout's root; None in a bare repository."""
        return self._work_tree

    def resolve(self, revision: str) -> Commit:
        """
        Find the commit that a revision names.

        Raises:
            RepositoryError: No such commit (the nearest name is offered), or a name with two meanings.
        """
        return resolve_commit(self._command, revision)

    def load_change(self, base: str, head: str) -> Change:
        """
        List the commits of BASE..HEAD, parents before children, one for each tree that the base does not have.

        A head that the base contains already gives an empty change whose head is the base.

        Raises:
            RepositoryError: An unknown name, commits that a shallow clone lacks, or unrelated histories.
        """
        return load_change(self._command, base, head, common_dir=self.git_common_dir)

    def list_commits(self, base: str, head: str) -> tuple[Commit, ...]:
        """
        List every commit of BASE..HEAD, parents before children; several may have one tree.

        Raises:
            RepositoryError: As `load_change`.
        """
        return list_commits(self._command, self.resolve(base), self.resolve(head), common_dir=self.git_common_dir)

    def list_tree(self, tree_id: str) -> Listing:
        """
        List a tree; a submodule is one entry of mode SUBMODULE.

        Raises:
            RepositoryError: The tree is missing, damaged, or one that no work tree may hold.
        """
        try:
            return self._list_tree(tree_id)
        except ValueError as error:
            raise self._bad_tree(tree_id, error) from error

    def expand_tree(self, tree_id: str) -> ExpandedTree:
        """
        List a tree with the content of its submodules in their place, nested ones too.

        This is what a worker's tree holds, so the paths of read sets are its paths.

        Raises:
            RepositoryError: As `list_tree`, and when a submodule's commit is not on this machine.
        """
        entries: dict[str, Entry] = {}
        mounts: list[Mount] = []
        waiting = [Mount(prefix="", repository=self, tree_id=tree_id)]
        while waiting:
            mount = waiting.pop()
            mounts.append(mount)
            listing = mount.repository.list_tree(mount.tree_id).entries
            for path, entry in listing.items():
                if entry.mode == SUBMODULE:
                    repository, sub_tree_id = mount.repository._open_submodule(listing, path, mount.prefix)
                    waiting.append(Mount(prefix=f"{mount.prefix}{path}/", repository=repository, tree_id=sub_tree_id))
                else:
                    entries[mount.prefix + path] = entry
            if len(entries) > MAX_ENTRIES:
                raise self._bad_tree(tree_id, ValueError(f"it lists more than {MAX_ENTRIES} paths with its submodules"))
        return ExpandedTree(tree_id=tree_id, entries=entries, mounts=tuple(mounts))

    def diff_trees(self, old_tree_id: str, new_tree_id: str) -> tuple[TreeDelta, ...]:
        """
        Find every path that differs between two trees; a moved submodule is one changed entry.

        Raises:
            RepositoryError: As `list_tree`.
        """
        try:
            return diff_trees(old_tree_id, new_tree_id, self._read_folders)
        except ValueError as error:
            raise self._bad_tree(new_tree_id, error) from error

    def load_line_map(self, old_tree_id: str, new_tree_id: str) -> LineMap:
        """
        Say where the lines of one tree are in another; attributes and configuration have no say in it.

        Raises:
            RepositoryError: A tree or blob is missing or damaged.
        """
        diff = self._command.ask_content(
            "diff",
            "--no-color",
            "--no-ext-diff",
            "--no-textconv",
            "-U0",
            "-M",
            "-l0",
            "--src-prefix=a/",
            "--dst-prefix=b/",
            "--full-index",
            "--end-of-options",
            old_tree_id,
            new_tree_id,
            doing=f"comparing tree {old_tree_id[:10]} with {new_tree_id[:10]}",
        )
        return parse_line_map(diff)

    def find_line_author(self, base: str, head: str, path: str, line: int) -> str | None:
        """
        Give the commit that wrote a line; None where it is older than a range, or nobody can say.

        Only a guess rests on this: a line that was moved from another file counts as written where it came to be.

        Args:
            base: The range's older end, a full commit id.
            head: Its newer end, where the line is, a full commit id.
            path: Relative to the tree; hostile.
            line: 1-based.

        Source:
            git-blame(1), "THE PORCELAIN FORMAT": the first word is the commit; `boundary` marks the end of the range.
        """
        answer = self._command.run(
            *("blame", "--porcelain", "--no-textconv", f"-L{line},{line}", f"{base}..{head}", "--", path)
        )
        if answer.exit_code != 0:
            return None
        lines = answer.output.split(b"\n")
        return None if not lines[0] or b"boundary" in lines else lines[0].split()[0].decode("ascii", "replace")

    def read_file(self, tree_id: str, path: str) -> bytes | None:
        """
        Give the content of a file as git stores it; None when the tree has no regular file there.

        Raises:
            RepositoryError: A tree or the file's content is missing or damaged.
        """
        entry: Entry | None = Entry(FOLDER, tree_id)
        for name in path.split("/"):
            if entry is None or entry.mode != FOLDER:
                return None
            entry = self._read_folders([entry.object_id])[0].get(name)
        if entry is None or entry.mode not in (FILE, EXECUTABLE):
            return None
        return next(self.iter_blobs([entry.object_id])).content

    def iter_blobs(self, blob_ids: Sequence[str]) -> Iterator[GitObject]:
        """
        Read contents, in the order asked.

        Raises:
            RepositoryError: One is missing (a partial clone) or damaged.
        """
        for blob_id, found in zip(blob_ids, self._reader.iter_objects(blob_ids), strict=True):
            yield self._require(found, blob_id, "blob")

    def has_tree(self, tree_id: str) -> bool:
        """
        Say whether a tree is here; one that was only judged (a merge, a push that was refused) is not any more.

        Raises:
            RepositoryError: It is damaged.
        """
        return tree_id in self._folders or self._reader.read_object(tree_id) is not None

    def make_converter(self, entries: Mapping[str, Entry]) -> Converter:
        """Give what converts files of one of this repository's trees as its attributes ask."""
        return Converter(self._command, entries)

    @property
    def object_format(self) -> str:
        """sha1 or sha256."""
        return self._command.object_format

    def _read_folders(self, tree_ids: Sequence[str]) -> list[Folder]:
        # Another thread may put a new dictionary in its place, and leaves this one as it is or fuller.
        known = self._folders
        missing = [tree_id for tree_id in dict.fromkeys(tree_ids) if tree_id not in known]
        fresh: dict[str, Folder] = {}
        for tree_id, found in zip(missing, self._reader.iter_objects(missing), strict=True):
            try:
                fresh[tree_id] = parse_folder(self._require(found, tree_id, "tree").content, len(tree_id) // 2)
            except ValueError as error:
                raise self._bad_tree(tree_id, error) from error
        with self._lock:
            folders = [fresh[tree_id] if tree_id in fresh else known[tree_id] for tree_id in tree_ids]
            self._folder_entry_count += sum(len(folder) for folder in fresh.values())
            if self._folder_entry_count > _KEPT_ENTRIES:
                self._folders = {}
                self._folder_entry_count = 0
            self._folders.update(fresh)
        return folders

    def _require(self, found: GitObject | None, object_id: str, kind: str) -> GitObject:
        if found is None:
            raise RepositoryError(
                f"{self.place}: the {kind} {object_id} is missing here; "
                "in a partial clone run git fetch --refetch --no-filter, else git fsck"
            )
        if found.kind != kind:
            raise RepositoryError(f"{self.place}: object {object_id} is a {found.kind}, wanted a {kind}; run git fsck")
        return found

    def _bad_tree(self, tree_id: str, error: ValueError) -> RepositoryError:
        return RepositoryError(f"{self.place}: tree {tree_id} cannot be used: {error}; remove it from the change")

    def _open_submodule(self, listing: Mapping[str, Entry], path: str, prefix: str) -> tuple[GitRepository, str]:
        """Find a clone that has the submodule's commit; give it and the tree of that commit."""
        commit_id = listing[path].object_id
        name = self._load_submodule_names(listing).get(path)
        shown = prefix + path
        if name is None:
            raise RepositoryError(
                f"{self.place}: the tree holds a submodule at {shown!r} (commit {commit_id[:10]}), and .gitmodules "
                "does not name it; add it there, or remove the entry with git rm --cached"
            )
        found_clone = False
        for git_dir, work_tree in iter_clone_folders(
            name, path, git_dir=self._git_dir, common_dir=self.git_common_dir, work_tree=self._work_tree
        ):
            found_clone = True
            clone = self._open_clone(git_dir, work_tree)
            tree = clone._reader.read_object(f"{commit_id}^{{tree}}")
            if tree is not None and tree.kind == "tree":
                return clone, tree.object_id
        lacks = f"its clone lacks commit {commit_id[:10]}" if found_clone else "it is not cloned on this machine"
        raise RepositoryError(f"{self.place}: submodule {name!r} at {shown!r}: {lacks}; {WAY_OUT}")

    def _load_submodule_names(self, listing: Mapping[str, Entry]) -> Mapping[str, str]:
        entry = listing.get(".gitmodules")
        if entry is None or entry.mode not in (FILE, EXECUTABLE):
            return {}
        names = self._submodule_names.get(entry.object_id)
        if names is None:
            names = load_submodule_names(self._command, entry.object_id)
            self._submodule_names[entry.object_id] = names
        return names

    def _open_clone(self, git_dir: Path, work_tree: Path | None) -> GitRepository:
        with self._lock:
            clone = self._submodules.get(git_dir)
            if clone is None:
                own = self._submodule_environment
                clone = GitRepository(str(git_dir), git_dir, work_tree, own, own)
                self._submodules[git_dir] = clone
            return clone


def _read_common_dir(git_dir: Path) -> Path:
    """A linked work tree's git folder names the shared one in a file."""
    try:
        text = (git_dir / "commondir").read_text(encoding="utf-8", errors="surrogateescape")
    except FileNotFoundError:
        return git_dir
    except OSError as error:
        raise RepositoryError(f"{git_dir}: its file commondir cannot be read: {error.strerror}") from error
    return (git_dir / text.strip()).resolve()
