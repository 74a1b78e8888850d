"""
How long reading a matrix takes: `python -m tests.benchmarks.bench_matrix`.

Prints the median and the worst of several runs beside the bound, and beside what PyYAML alone needs for the same text.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial

import yaml

from gatekeep.matrix.load import parse_matrix
from tests.matrices import render_matrix_text

TARGET_COUNTS = (300, 3000)
BOUND_S = 0.5
"""For 300 targets."""

RUN_COUNT = 15


def measure(work: Callable[[], object]) -> tuple[float, float]:
    """Median and worst wall time in seconds."""
    times = []
    for _ in range(RUN_COUNT):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times), max(times)


def main() -> None:
    for count in TARGET_COUNTS:
        text = render_matrix_text(count).encode()
        found = len(parse_matrix(text, path="m.yml").targets)
        ours, worst = measure(partial(parse_matrix, text, path="m.yml"))
        peer, _ = measure(partial(yaml.load, text, Loader=yaml.CSafeLoader))
        bound = f", bound {BOUND_S * 1000:.0f} ms" if count == TARGET_COUNTS[0] else ""
        print(
            f"{found} targets, {len(text) / 1024:.0f} KiB: {ours * 1000:.0f} ms (worst {worst * 1000:.0f} ms{bound}); "
            f"PyYAML's CSafeLoader alone {peer * 1000:.0f} ms"
        )
    start = time.perf_counter()
    subprocess.run([sys.executable, "-c", "import gatekeep.matrix.load"], check=True)
    with_imports = time.perf_counter() - start
    start = time.perf_counter()
    subprocess.run([sys.executable, "-c", "pass"], check=True)
    print(f"import of the loader in a fresh process: {(with_imports - time.perf_counter() + start) * 1000:.0f} ms")


if __name__ == "__main__":
    main()
