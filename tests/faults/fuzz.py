"""
Coverage-guided fuzzing of what reads hostile bytes: `python -m tests.faults.fuzz --seconds 600 NAME --corpus DIR`.

Inputs that reach new code are kept in DIR and taken up by the next run; the seeds are small real files and the corpus
under tests/data/fuzz. Where a promise is broken (see `fuzz_subjects`), an input takes more than ten seconds or half a
gibibyte, the run stops with exit code 1 and names the file that did it. `--minimise` writes to DIR the fewest inputs
that reach all that the kept ones reach.

atheris drives libFuzzer; both leave the process where they please, so a run is a child of this one.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterable
from hashlib import sha256
from pathlib import Path

from tests.faults.fuzz_subjects import SUBJECTS, Subject

KEPT = Path(__file__).parents[1] / "data" / "fuzz"
_MOST_MEMORY_MIB = 512
_MOST_SECONDS = 10
_CHILD = Path(__file__).with_name("fuzz_child.py")


def main() -> int:
    """Fuzz one subject, or minimise its corpus."""
    parser = argparse.ArgumentParser(description="Fuzz one reader; stop at the first find.")
    parser.add_argument("name", choices=sorted(SUBJECTS))
    parser.add_argument("--seconds", type=int, default=600, help="how long [default: 600]")
    parser.add_argument("--corpus", type=Path, required=True, help="where inputs that reach new code are kept")
    parser.add_argument("--seed", type=int, default=0, help="of the random numbers; 0 takes another one each time")
    parser.add_argument("--minimise", type=Path, metavar="FROM", help="put the fewest inputs of FROM into the corpus")
    given = parser.parse_args()
    if given.minimise is not None:
        return minimise(SUBJECTS[given.name], given.minimise, given.corpus)
    return fuzz(SUBJECTS[given.name], given.corpus, seconds=given.seconds, seed=given.seed)


def fuzz(subject: Subject, corpus: Path, *, seconds: int, seed: int = 0, instrumented: str = "gatekeep") -> int:
    """
    Fuzz one subject.

    Args:
        subject: What is fuzzed.
        corpus: Inputs that reach new code are added to it; what broke a promise goes beside it.
        seconds: How long.
        seed: Of the random numbers; 0 takes another one each time.
        instrumented: The package whose branches guide the search.

    Returns:
        0 when nothing was found; the find, if any, is named on standard error and lies beside the corpus.
    """
    corpus.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        seeds = Path(folder, "seeds")
        write_inputs(seeds, (*subject.seeds(), *read_inputs(KEPT / subject.name)))
        words = Path(folder, "words")
        words.write_text("".join(f'"{_escape(word)}"\n' for word in subject.words), encoding="ascii")
        return _run(
            subject,
            instrumented,
            f"-max_total_time={seconds}",
            f"-seed={seed}",
            f"-max_len={subject.most_bytes}",
            f"-timeout={_MOST_SECONDS}",
            f"-rss_limit_mb={_MOST_MEMORY_MIB}",
            f"-artifact_prefix={corpus.parent}/{subject.name}-",
            *([f"-dict={words}"] if subject.words else []),
            "-print_final_stats=1",
            str(corpus),
            str(seeds),
        )


def minimise(subject: Subject, source: Path, corpus: Path) -> int:
    """Put into `corpus` the fewest inputs of `source` that reach all that they reach together."""
    corpus.mkdir(parents=True, exist_ok=True)
    return _run(subject, "gatekeep", "-merge=1", f"-max_len={subject.most_bytes}", str(corpus), str(source))


def read_inputs(folder: Path) -> Iterable[bytes]:
    """Give the inputs of a corpus, in the order of their names; none where it does not exist."""
    return [path.read_bytes() for path in sorted(folder.iterdir())] if folder.is_dir() else []


def write_inputs(folder: Path, inputs: Iterable[bytes]) -> None:
    """Write each input under its digest."""
    folder.mkdir(parents=True, exist_ok=True)
    for data in inputs:
        (folder / sha256(data).hexdigest()[:16]).write_bytes(data)


def _run(subject: Subject, instrumented: str, *arguments: str) -> int:
    root = Path(__file__).parents[2]
    command = [sys.executable, str(_CHILD), *arguments]
    if nice := shutil.which("nice"):
        command = [nice, "-n", "10", *command]
    environment = os.environ | {
        "FUZZ_SUBJECT": f"{instrumented} {subject.check.__module__} {subject.name}",
        "PYTHONPATH": str(root),
    }
    return min(1, abs(subprocess.run(command, cwd=root, env=environment, check=False).returncode))


def _escape(word: str) -> str:
    """Write a word as libFuzzer's dictionaries want it: printable ASCII, all else as \\xNN."""
    data = word.encode("latin-1")
    return "".join(chr(byte) if 0x20 <= byte < 0x7F and byte not in b'"\\' else f"\\x{byte:02X}" for byte in data)


if __name__ == "__main__":
    sys.exit(main())
