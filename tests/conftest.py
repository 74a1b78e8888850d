"""
The order in which the workers of ci/test get the files: the longest first, so that none ends with a long one alone.

How long each took is kept in tests/durations.txt, which `./ci/test --keep-durations` writes anew for the files that it
ran. The figures are one machine's; only their order counts.
"""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
DURATIONS = Path(__file__).with_name("durations.txt")
#: Shorter files are not listed: they fill what the longer ones leave, in any order.
_LEAST_S = 1.0


def parse_durations(text: str) -> dict[str, float]:
    """Read lines like `12.3 tests/unit/test_reach.py`: seconds by file."""
    return {name: float(seconds) for seconds, name in (line.split(" ", 1) for line in text.splitlines())}


def render_durations(durations: dict[str, float]) -> str:
    """Write the longest first."""
    # As they are written: what is read again must come in the same order.
    rounded = {name: round(duration_s, 1) for name, duration_s in durations.items()}
    ordered = sorted(rounded.items(), key=lambda entry: (-entry[1], entry[0]))
    return "".join(f"{seconds:.1f} {name}\n" for name, seconds in ordered if seconds >= _LEAST_S)


class Recorder:
    """Adds up what the tests of each file took, and keeps it."""

    def __init__(self) -> None:
        self._taken: defaultdict[str, float] = defaultdict(float)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self._taken[report.nodeid.partition("::")[0]] += report.duration

    def pytest_sessionfinish(self) -> None:
        known = parse_durations(DURATIONS.read_text(encoding="utf-8")) | self._taken
        kept = {name: seconds for name, seconds in known.items() if (ROOT / name).exists()}
        DURATIONS.write_text(render_durations(kept), encoding="utf-8")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--keep-durations", action="store_true", help="note in tests/durations.txt how long files took")


def pytest_configure(config: pytest.Config) -> None:
    # Reports of all workers come to the process that started them.
    if config.getoption("keep_durations") and not _is_worker(config):
        config.pluginmanager.register(Recorder())


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if _is_worker(config):
        durations = parse_durations(DURATIONS.read_text(encoding="utf-8"))
        items.sort(key=lambda item: -durations.get(item.nodeid.partition("::")[0], 0.0))


def _is_worker(config: pytest.Config) -> bool:
    return hasattr(config, "workerinput")
