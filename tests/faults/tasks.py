"""
What is killed: the gate, a sweep that finds culprits, and the writing of the health site, each on the tree Sounding.

Sweep and site go on from a store in which something stands already: a sweep of `main`, whose site is written. The
sweep then finds on `change` a target outgrown and one broken, and searches for both culprits.
"""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any

from tests.faults.sounding import Answer, Sounding
from tests.repos import GitFolder


class SweepAnswer(Answer):
    """What a sweep said."""

    def verdict(self) -> Any:
        """All that must not depend on how often, when or where it was built."""
        assert self.report is not None, self.errors
        reasons = [
            [(entry["rule"], entry["culprit"], entry["targets"], entry["message"], entry["place"]) for entry in part]
            for part in (self.report[name] for name in ("new", "as_before", "undecided"))
        ]
        culprits = [
            (entry["target"], entry["standing"], entry["culprit"] and entry["culprit"]["id"], entry["suspects"])
            for entry in self.report["culprits"]
        ]
        rest = [self.report[name] for name in ("verdict", "complete", "mended", "gone", "remarks", "commits_between")]
        return self.exit_code, rest, reasons, culprits, sorted(self.outcomes().items())


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteAnswer(Answer):
    """What the writing of a site said, and the digests of what is in its folder, by path."""

    files: dict[str, str]

    def verdict(self) -> Any:
        assert self.exit_code == 0, self.errors
        return self.files

    def outcomes(self) -> dict[tuple[str, str], tuple[str, str]]:
        return {}


class SoundingSweep(Sounding):
    """A sweep, with one store."""

    commit = "change"

    def command(self, *arguments: str) -> list[str]:
        sweep = [sys.executable, "-m", "gatekeep", "sweep", self.commit, "--store", str(self.store)]
        return [*sweep, "--workers", "2", "--json", str(self.report), *arguments]

    def finish(self, process: Any) -> Answer:
        answer = super().finish(process)
        return SweepAnswer(exit_code=answer.exit_code, report=answer.report, output=answer.output, errors=answer.errors)


class SoundingSite(Sounding):
    """The writing of the site of `change`; `store.site` beside the store is its folder."""

    @property
    def site(self) -> Path:
        return self.store.with_name(f"{self.store.name}.site")

    def command(self, *arguments: str) -> list[str]:
        health = [sys.executable, "-m", "gatekeep", "health", "--branch", "change", "--out", str(self.site)]
        return [*health, "--store", str(self.store), *arguments]

    def finish(self, process: Any) -> Answer:
        answer = super().finish(process)
        return SiteAnswer(
            exit_code=answer.exit_code,
            report={} if answer.exit_code == 0 else None,
            output=answer.output,
            errors=answer.errors,
            files=list_files(self.site),
        )


def list_files(site: Path) -> dict[str, str]:
    """Give the digest of every file that a reader of a site may come to, by its path."""
    return {
        path.relative_to(site).as_posix(): sha256(path.read_bytes()).hexdigest()
        for path in sorted(site.rglob("*"))
        if path.is_file() and not path.name.startswith(".")
    }


class Task:
    """One command to be killed, from the same beginning each time; `undisturbed` is what it says of that alone."""

    def __init__(self, name: str, make: Callable[[GitFolder, Path], Sounding], tree: GitFolder, folder: Path) -> None:
        """
        Prepare it, and run it once.

        Args:
            name: For people.
            make: Gives the command for a store.
            tree: As `make_tree` makes it.
            folder: Of its own, not there yet.
        """
        self.name, self._make, self._tree, self._folder = name, make, tree, folder
        folder.mkdir()
        self._begun = folder / "begun"
        if name != "gate":
            self._sweep("main")
            self._write_site()
        if name == "health":
            self._sweep("change")
        self.files_before = list_files(self._site_of(self._begun))
        first = self.start_anew("undisturbed")
        self.undisturbed = first.run()
        #: What the same command says when it has told all that once.
        self.told_before = first.run()

    def start_anew(self, name: str) -> Sounding:
        """Give the command on a store of its own, in which stands what stands at the beginning."""
        store = self._folder / name
        for place in (self._begun, self._site_of(self._begun)):
            if place.exists():
                shutil.copytree(place, store.with_name(place.name.replace(self._begun.name, name)))
        return self._make(self._tree, store)

    def drop(self, name: str) -> None:
        """Remove a store and all beside it."""
        for place in self._folder.glob(f"{name}*"):
            shutil.rmtree(place) if place.is_dir() else place.unlink()

    def list_torn(self, sounding: Sounding) -> list[str]:
        """Give every file of the site that is neither as it was nor as it is to be."""
        if not isinstance(sounding, SoundingSite) or not isinstance(self.undisturbed, SiteAnswer):
            return []
        return [
            path
            for path, digest in list_files(sounding.site).items()
            if digest not in (self.files_before.get(path), self.undisturbed.files.get(path))
        ]

    def _site_of(self, store: Path) -> Path:
        return store.with_name(f"{store.name}.site")

    def _sweep(self, commit: str) -> None:
        sweep = SoundingSweep(self._tree, self._begun)
        sweep.commit = commit
        answer = sweep.run()
        assert answer.exit_code in (0, 1), answer.errors

    def _write_site(self) -> None:
        answer = SoundingSite(self._tree, self._begun).run()
        assert answer.exit_code == 0, answer.errors


#: By name; the order in which they take turns.
TASKS: dict[str, Callable[[GitFolder, Path], Sounding]] = {
    "gate": Sounding,
    "sweep": SoundingSweep,
    "health": SoundingSite,
}


def make_task(name: str, tree: GitFolder, folder: Path) -> Task:
    """Prepare one command by its name."""
    return Task(name, TASKS[name], tree, folder)
