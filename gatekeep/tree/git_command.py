"""
How git is started: one environment, one place where its failures become ours.

What a repository holds is written by strangers, and its configuration may be another user's (a container in CI sees the
checkout of its host). So git never gets a chance to run anything that it finds there, whoever owns it:

- Two folders, two uses. Names and history (`rev-parse`, `rev-list`, `merge-base`) need the repository's own git folder:
  refs, shallow boundaries. All that touches content (`cat-file`, `diff`, `checkout-index`) runs in a *bare stand-in*:
  an empty git folder of ours, without configuration, attributes, hooks, index or remotes, that shares the object store.
  Filters, text converters, external diff programs and the fetching of missing objects are set up in configuration: what
  is not configured cannot run, and no option list of ours can have forgotten one.
- The environment is built from nothing. Only PATH and the variables by which `receive-pack` shows a hook the objects
  of a push that is not accepted yet come through.
- What git writes (the tree of a merge) goes into the stand-in and with it: the repository may be
  read-only, and nothing that was only judged stays in it. `keep` asks for the other, when a merge lands.
- The git folder is always named outright. Git then leaves out its check of the owner (`safe.directory`), which protects
  against exactly the programs that cannot run here; a repository of another user just works.

Source: git(1), "Environment Variables"; git-config(1), "safe.directory", "protocol.allow"; git-receive-pack(1),
"Quarantine Environment".
"""

from __future__ import annotations

import os
import shutil
import subprocess
import threading
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from gatekeep.errors import GitEndedError, RepositoryError
from gatekeep.scratch import OwnScratchFolder

#: Come through from our own environment. The last three are set by receive-pack around a pre-receive hook.
_PASSED_ON = ("PATH", "TMPDIR", "LD_LIBRARY_PATH")
_QUARANTINE = ("GIT_QUARANTINE_PATH", "GIT_OBJECT_DIRECTORY", "GIT_ALTERNATE_OBJECT_DIRECTORIES")

#: Say where git works; our own environment may hold those of another repository.
_PLACES = frozenset(
    ("GIT_DIR", "GIT_WORK_TREE", "GIT_COMMON_DIR", "GIT_INDEX_FILE", "GIT_NAMESPACE", "GIT_PREFIX", *_QUARANTINE)
)

#: Outrank the repository's own configuration.
_CONFIGURATION = (
    ("core.hooksPath", os.devnull),
    ("core.fsmonitor", "false"),
    ("core.attributesFile", os.devnull),
    ("core.autocrlf", "false"),
    ("core.eol", "lf"),
    ("core.warnAmbiguousRefs", "true"),
    # Ours is stricter on every file system (listing.py); git's NTFS rules would refuse what Linux can hold.
    ("core.protectNTFS", "false"),
    ("core.protectHFS", "false"),
    ("i18n.logOutputEncoding", "UTF-8"),
    ("log.showSignature", "false"),
    ("gc.auto", "0"),
    ("maintenance.auto", "false"),
    ("protocol.allow", "never"),
    ("submodule.recurse", "false"),
)


def git_environment(own: Mapping[str, str], *, quarantine: bool = True) -> dict[str, str]:
    """
    Build the environment that git runs in.

    Args:
        own: Our own environment; only a few names of it come through.
        quarantine: Whether the objects of a push in progress are shown; not for a submodule, which has its own.
    """
    names = (*_PASSED_ON, *_QUARANTINE) if quarantine else _PASSED_ON
    environment = {name: own[name] for name in names if name in own}
    environment |= {
        "LC_ALL": "C",
        "LANGUAGE": "C",
        "GIT_CONFIG_NOSYSTEM": "1",
        "GIT_CONFIG_SYSTEM": os.devnull,
        "GIT_CONFIG_GLOBAL": os.devnull,
        "GIT_ATTR_NOSYSTEM": "1",
        "GIT_OPTIONAL_LOCKS": "0",
        "GIT_TERMINAL_PROMPT": "0",
        "GIT_PAGER": "cat",
        "GIT_NO_LAZY_FETCH": "1",
        # A list of allowed protocols that holds none; unlike protocol.allow no configuration can outrank it.
        "GIT_ALLOW_PROTOCOL": "none",
        # Commits are judged as they are, not as somebody's refs/replace or grafts show them.
        "GIT_NO_REPLACE_OBJECTS": "1",
        "GIT_GRAFT_FILE": os.devnull,
        "GIT_CONFIG_COUNT": str(len(_CONFIGURATION)),
    }
    for index, (key, value) in enumerate(_CONFIGURATION):
        environment[f"GIT_CONFIG_KEY_{index}"] = key
        environment[f"GIT_CONFIG_VALUE_{index}"] = value
    return environment


@dataclass(frozen=True, slots=True, kw_only=True)
class GitAnswer:
    """What one git command said: its exit code, standard output, and its complaints as text."""

    exit_code: int
    output: bytes
    complaint: str


class GitCommand:
    """
    Runs git on one repository.

    Args:
        place: How the repository is called in messages.
        git_dir: Its git folder (a linked work tree's own).
        common_dir: The folder that all its work trees share.
        environment: From `git_environment`.
    """

    def __init__(self, place: str, git_dir: Path, common_dir: Path, environment: Mapping[str, str]) -> None:
        self.place = place
        self._git_dir = git_dir
        self._environment = dict(environment)
        self._common_dir = common_dir
        self._stand_in: OwnScratchFolder | None = None
        self._object_format = "sha1"
        self._lock = threading.Lock()

    def close(self) -> None:
        """Remove the stand-in."""
        if self._stand_in is not None:
            self._stand_in.close()
            self._stand_in = None

    def run(self, *arguments: str, feed: bytes = b"", more: Mapping[str, str] | None = None) -> GitAnswer:
        """Run git on names and history, to its end; any exit code is an answer. `more` goes into its environment."""
        environment = self._environment | dict(more or {})
        return self._run([f"--git-dir={self._git_dir}", *arguments], environment, feed, None)

    def run_as_user(self, own: Mapping[str, str], *arguments: str) -> GitAnswer:
        """Run a git that reads its user's configuration (who they are), and nothing that commits hold."""
        kept = {name: value for name, value in own.items() if name not in _PLACES}
        return self._run([f"--git-dir={self._git_dir}", *arguments], {**kept, "LC_ALL": "C"}, b"", None)

    def ask(self, *arguments: str, doing: str, feed: bytes = b"") -> bytes:
        """
        Run git on names and history and give its output.

        Raises:
            RepositoryError: Git failed; the message holds `doing` and what git said.
        """
        return self._must(self.run(*arguments, feed=feed), doing)

    def ask_content(
        self,
        *arguments: str,
        doing: str,
        feed: bytes = b"",
        work_tree: Path | None = None,
        index: Path | None = None,
    ) -> bytes:
        """
        Run git on content, in the stand-in, and give its output.

        Raises:
            RepositoryError: Git failed; the message holds `doing` and what git said.
        """
        more = {} if index is None else {"GIT_INDEX_FILE": str(index)}
        options = [] if work_tree is None else [f"--work-tree={work_tree}"]
        environment = self._content_environment(keep=False) | more
        answer = self._run([*options, *self.content_options(), *arguments], environment, feed, work_tree)
        return self._must(answer, doing)

    def run_content(
        self, *arguments: str, feed: bytes = b"", keep: bool = False, more: Mapping[str, str] | None = None
    ) -> GitAnswer:
        """
        Run git on content, in the stand-in, to its end; any exit code is an answer.

        Args:
            arguments: The command.
            feed: Its standard input.
            keep: Whether objects that it writes go into the repository; else they are gone with the stand-in.
            more: Variables of its environment, such as the author of a commit.
        """
        environment = self._content_environment(keep=keep) | dict(more or {})
        return self._run([*self.content_options(), *arguments], environment, feed, None)

    def start_content(self, arguments: Sequence[str], complaints: int) -> subprocess.Popen[bytes]:
        """Start a long-lived git on content, its standard input and output piped; it complains to `complaints`."""
        try:
            return subprocess.Popen(
                ["git", *self.content_options(), *arguments],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=complaints,
                env=self._content_environment(keep=False),
            )
        except OSError as error:
            raise self._not_started(error) from error

    def _content_environment(self, *, keep: bool) -> dict[str, str]:
        """Show the repository's objects (those of a push in progress included), and the stand-in's own."""
        theirs = self._environment.get("GIT_OBJECT_DIRECTORY") or str(self._common_dir / "objects")
        if keep:
            # Without a sight of the stand-in: git does not write what it finds elsewhere.
            return self._environment | {"GIT_OBJECT_DIRECTORY": theirs}
        others = self._environment.get("GIT_ALTERNATE_OBJECT_DIRECTORIES")
        return self._environment | {
            "GIT_OBJECT_DIRECTORY": str(self.make_stand_in() / "objects"),
            "GIT_ALTERNATE_OBJECT_DIRECTORIES": os.pathsep.join([_quote(theirs), *([others] if others else [])]),
        }

    def content_options(self) -> list[str]:
        """Name the stand-in, which is made at its first use."""
        return [f"--git-dir={self.make_stand_in()}"]

    def make_stand_in(self) -> Path:
        """Give the stand-in's folder; scratch files may be put beside what is in it."""
        with self._lock:
            if self._stand_in is None:
                answer = self.ask("rev-parse", "--show-object-format", doing="reading its format")
                self._object_format = answer.decode("ascii").strip()
                self._stand_in = _write_stand_in(self.place, self._object_format, self._common_dir / "shallow")
            return self._stand_in.path

    @property
    def object_format(self) -> str:
        """sha1 or sha256: what object names are digests of."""
        self.make_stand_in()
        return self._object_format

    def _run(
        self, arguments: Sequence[str], environment: Mapping[str, str], feed: bytes, folder: Path | None
    ) -> GitAnswer:
        try:
            done = subprocess.run(
                ["git", *arguments], input=feed, capture_output=True, check=False, env=environment, cwd=folder
            )
        except OSError as error:
            raise self._not_started(error) from error
        if done.returncode < 0:
            # No answer: a caller that asks whether something is there would take it for "no".
            raise self.ended(-done.returncode)
        complaint = done.stderr.decode("utf-8", "replace").strip()
        return GitAnswer(exit_code=done.returncode, output=done.stdout, complaint=complaint)

    def _must(self, answer: GitAnswer, doing: str) -> bytes:
        if answer.exit_code == 0:
            return answer.output
        raise self.failure(doing, answer.complaint or f"exit code {answer.exit_code} and no word")

    def failure(self, doing: str, complaint: str) -> RepositoryError:
        """Make the error of a git that failed: the one place where its words become ours."""
        said = " ".join(complaint.split())
        if "unable to read" in said or "bad object" in said or "missing" in said or "could not get object" in said:
            way_out = "the object is missing here (a partial clone, or damage); run git fetch --refetch, then git fsck"
        elif "bad config" in said:
            way_out = "correct the file"
        else:
            way_out = "run git fsck there, and try again"
        return RepositoryError(f"{self.place}: {doing} failed, git said: {said}; {way_out}")

    def ended(self, signal_number: int) -> GitEndedError:
        """Make the error of a git that a signal ended."""
        ended = f"git was ended from outside, by signal {signal_number}"
        return GitEndedError(f"{self.place}: {ended}; see whether the machine has enough memory, and run again")

    def _not_started(self, error: OSError) -> RepositoryError | GitEndedError:
        if isinstance(error, FileNotFoundError):
            return RepositoryError(f"{self.place}: git is not on PATH; install git 2.39 or later")
        return GitEndedError(f"{self.place}: git cannot be started: {error.strerror}; free some memory or processes")


def split_lines(output: bytes, errors: str = "surrogateescape") -> list[str]:
    """
    Give the lines of what git printed; `errors` says what becomes of bytes that are not UTF-8.

    Only LF ends a line. `str.splitlines` takes ten more characters for an end, U+2028 and U+0085 among them, and a name
    of a branch may hold most of them, so whoever can push one could make lines of their own.

    Source:
        git-check-ref-format(1): a name holds no control character of ASCII; it may hold any other.
    """
    lines = output.decode("utf-8", errors).split("\n")
    return lines[:-1] if lines[-1] == "" else lines


def _quote(path: str) -> str:
    """Write a path into a list of object folders, in which a colon separates (git(1))."""
    if os.pathsep not in path and not path.startswith('"'):
        return path
    return '"' + path.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _write_stand_in(place: str, object_format: str, shallow: Path) -> OwnScratchFolder:
    text = "[core]\n\trepositoryformatversion = 1\n\tbare = true\n"
    if object_format != "sha1":
        text += f"[extensions]\n\tobjectFormat = {object_format}\n"
    try:
        stand_in = OwnScratchFolder("git-")
        folder = stand_in.path
        (folder / "refs").mkdir()
        (folder / "objects").mkdir()
        (folder / "HEAD").write_text("ref: refs/heads/none\n", encoding="ascii")
        (folder / "config").write_text(text, encoding="ascii")
        # Where a shallow clone ends, a walk over its commits must end as well.
        with suppress(FileNotFoundError):
            shutil.copyfile(shallow, folder / "shallow")
    except OSError as error:
        raise RepositoryError(f"{place}: no scratch folder can be made: {error}; free some space in TMPDIR") from error
    return stand_in
