"""
Real git repositories for tests, made fast and the same everywhere.

`git fast-import` writes a commit in one process; names, dates and configuration are fixed, so that object names are
the same on every machine. The work tree is not touched: `GitFolder.git("checkout", …)` where a test wants one.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

#: 2001-01-01, plus a minute for each commit.
_FIRST_AT = 978307200


@dataclass(frozen=True, slots=True)
class Executable:
    """A file with the executable bit."""

    content: bytes


@dataclass(frozen=True, slots=True)
class Link:
    """A symlink."""

    target: bytes


@dataclass(frozen=True, slots=True)
class Submodule:
    """A submodule's commit."""

    commit_id: str


#: What to put at a path; None removes it, with all below it.
Content = bytes | Executable | Link | Submodule | None


def clean_environment() -> dict[str, str]:
    """The environment for git in tests: nobody's configuration, fixed people."""
    return {
        "PATH": os.environ["PATH"],
        "LC_ALL": "C",
        "GIT_CONFIG_NOSYSTEM": "1",
        "GIT_CONFIG_GLOBAL": os.devnull,
        "GIT_TERMINAL_PROMPT": "0",
        "GIT_AUTHOR_NAME": "Isa Thorne",
        "GIT_AUTHOR_EMAIL": "isa@skerry.example",
        "GIT_COMMITTER_NAME": "Isa Thorne",
        "GIT_COMMITTER_EMAIL": "isa@skerry.example",
        "GIT_AUTHOR_DATE": f"{_FIRST_AT} +0000",
        "GIT_COMMITTER_DATE": f"{_FIRST_AT} +0000",
    }


class GitFolder:
    """A repository in a folder of its own; `path` is the work tree, or the bare repository."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._commit_count = 0

    def git(self, *arguments: str, feed: bytes = b"", **environment: str) -> bytes:
        """Run git there and give its output; a failure shows what git said."""
        done = subprocess.run(
            ["git", "-c", "protocol.file.allow=always", *arguments],
            cwd=self.path,
            input=feed,
            capture_output=True,
            env=clean_environment() | environment,
        )
        assert done.returncode == 0, f"git {' '.join(arguments)}: {done.stderr.decode(errors='replace')}"
        return done.stdout

    def ask(self, *arguments: str) -> str:
        """Run git there and give its output as one stripped text."""
        return self.git(*arguments).decode("utf-8", "surrogateescape").strip()

    def tree_of(self, revision: str) -> str:
        """The tree of a commit."""
        return self.ask("rev-parse", f"{revision}^{{tree}}")

    def commit(
        self,
        files: Mapping[str | bytes, Content],
        *,
        message: str = "change",
        branch: str = "main",
        parents: Sequence[str] | None = None,
        days_off: int = 0,
    ) -> str:
        """
        Commit on a branch, from its tip (or from `parents`; an empty list begins a new history), and give the commit.

        `files` changes the first parent's tree: paths to contents, None removes. The author's clock is `days_off`.
        """
        self._commit_count += 1
        who = f"Isa Thorne <isa@skerry.example> {_FIRST_AT + 60 * self._commit_count + 86400 * days_off} +0000"
        text = message.encode()
        lines = [b"commit refs/heads/%s" % branch.encode(), b"mark :1", b"committer %s" % who.encode()]
        lines += [b"data %d" % len(text), text]
        if parents is None:
            tip = f"refs/heads/{branch}"
            parents = [self.ask("rev-parse", tip)] if self.ask("for-each-ref", tip) else []
        lines += [b"%s %s" % (b"merge" if n else b"from", p.encode()) for n, p in enumerate(parents)]
        if not parents:
            lines.insert(0, b"reset refs/heads/%s" % branch.encode())
        # Removals first: a folder may become a file in the same commit.
        for path, content in sorted(files.items(), key=lambda item: item[1] is not None):
            name = _quote(path)
            match content:
                case None:
                    lines.append(b"D " + name)
                case Submodule(commit_id):
                    lines.append(b"M 160000 %s %s" % (commit_id.encode(), name))
                case Link(target):
                    lines += [b"M 120000 inline " + name, b"data %d" % len(target), target]
                case Executable(data):
                    lines += [b"M 100755 inline " + name, b"data %d" % len(data), data]
                case bytes():
                    lines += [b"M 100644 inline " + name, b"data %d" % len(content), content]
        lines += [b"", b"get-mark :1", b"done", b""]
        out = self.git("fast-import", "--quiet", "--done", "--force", feed=b"\n".join(lines))
        return out.decode().strip()

    def write_tree(self, entries: Sequence[tuple[bytes, bytes, str]]) -> str:
        """Write a tree object as it is given, (mode, name, object name) by entry; git's own checks are left out."""
        data = b"".join(mode + b" " + name + b"\0" + bytes.fromhex(object_id) for mode, name, object_id in entries)
        return self.git("hash-object", "-w", "--literally", "-t", "tree", "--stdin", feed=data).decode().strip()

    def write_blob(self, content: bytes) -> str:
        """Write a blob and give its object name."""
        return self.git("hash-object", "-w", "--stdin", feed=content).decode().strip()


def _quote(path: str | bytes) -> bytes:
    raw = path if isinstance(path, bytes) else path.encode("utf-8", "surrogateescape")
    return (
        b'"'
        + b"".join(b"\\%03o" % byte if byte < 32 or byte in b'"\\' or byte > 126 else bytes([byte]) for byte in raw)
        + b'"'
    )


def make_repository(path: Path, *, bare: bool = False, object_format: str = "sha1") -> GitFolder:
    """Make an empty repository whose first branch is main."""
    path.mkdir(parents=True)
    folder = GitFolder(path)
    options = ["--bare"] if bare else []
    folder.git("init", "-q", "-b", "main", f"--object-format={object_format}", "--template=", *options)
    return folder


def clone_repository(source: GitFolder, path: Path, *options: str) -> GitFolder:
    """Clone as a stranger would, over the file protocol."""
    source.git("clone", "-q", "--template=", *options, f"file://{source.path}", str(path))
    return GitFolder(path)
