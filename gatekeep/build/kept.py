"""
Artifacts kept for a closer look, when two builds that should have left the same files did not.

A job's own folders are emptied for the next one. Where a workplace was told to keep artifacts, each job's lie in a
folder of their own afterwards, `0`, `1` and so on in the order of its evidence. They are copies: a further name for the
same file would count as a change of the tree where an artifact is a file of the tree.
"""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from gatekeep.model.evidence import Artifact
from gatekeep.model.plan import Job

_BLOCK_BYTES = 1 << 20


def kept_folder(keep: Path, job: Job) -> Path:
    """Give the folder below `keep` in which a job's artifacts lie."""
    return keep / f"{job.commit.tree_id[:12]}-{job.target.name.replace('/', '.')}-{job.key[:8]}"


def keep_artifacts(keep: Path, job: Job, artifacts: Sequence[Artifact], *, root: Path) -> None:
    """
    Keep the measured files of a job, of which no process is left; earlier ones of the same job go.

    What cannot be kept is left out: the files serve explanations, no verdict rests on them.

    Args:
        keep: Where; made when it is missing.
        job: Whose they are.
        artifacts: As they were measured; names relative to `root`, which none of them leaves.
        root: The workplace's own folder.
    """
    folder = kept_folder(keep, job)
    forget_artifacts(keep, job)
    with suppress(OSError):
        folder.mkdir(parents=True)
        for index, artifact in enumerate(artifacts):
            shutil.copyfile(root / artifact.name, folder / str(index))


def forget_artifacts(keep: Path, job: Job) -> None:
    """Let go of what was kept of a job."""
    shutil.rmtree(kept_folder(keep, job), ignore_errors=True)


def find_first_difference(one: Path, other: Path) -> int | None:
    """
    Give the offset of the first byte in which two files differ, where one ends counts; None when they are equal.

    Raises:
        OSError: A file cannot be read.
    """
    offset = 0
    with one.open("rb") as first, other.open("rb") as second:
        while True:
            here, there = first.read(_BLOCK_BYTES), second.read(_BLOCK_BYTES)
            if here != there:
                shared = min(len(here), len(there))
                return offset + next((at for at in range(shared) if here[at] != there[at]), shared)
            if not here:
                return None
            offset += len(here)


def holds_bytes(path: Path, wanted: bytes) -> bool:
    """
    Tell whether a file holds a run of bytes anywhere.

    Raises:
        OSError: It cannot be read.
    """
    tail = b""
    with path.open("rb") as stream:
        while block := stream.read(_BLOCK_BYTES):
            if wanted in tail + block:
                return True
            tail = (tail + block)[-len(wanted) :]
    return False


def digest_log(folder: Path, log_path: str | None) -> str | None:
    """Give the SHA-256 of a log that was kept, in hexadecimal; None where there is none, or it cannot be read."""
    if log_path is None:
        return None
    try:
        with (folder / log_path).open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError:
        return None
