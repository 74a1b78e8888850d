"""Log lines, and the file that processes share."""

from __future__ import annotations

import io
import logging
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gatekeep.logs import EventFormatter, configure_logging, log_event, render_value

_LOGGER = logging.getLogger("gatekeep.test")


@pytest.fixture
def console() -> Iterator[io.StringIO]:
    stream = io.StringIO()
    undo = configure_logging(None, verbose=True, stream=stream)
    yield stream
    undo()


def _strip_time(text: str) -> str:
    return re.sub(r"^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}\.[0-9]{3}Z ", "", text, flags=re.MULTILINE)


def test_event_is_one_line_with_its_fields_in_order(console):
    log_event(_LOGGER, logging.INFO, "built", target="arm/vale", outcome="built", elapsed_s=1.5, flash_bytes=66104)
    assert (
        _strip_time(console.getvalue()) == "INFO built target=arm/vale outcome=built elapsed_s=1.5 flash_bytes=66104\n"
    )


def test_fields_may_have_the_names_of_a_records_own(console):
    log_event(_LOGGER, logging.DEBUG, "probe", name="gcc", module="m", args=(), level=3, event="e")
    assert _strip_time(console.getvalue()) == 'DEBUG probe name=gcc module=m args="()" level=3 event=e\n'


def test_plain_extra_is_rendered_too_by_name(console):
    _LOGGER.warning("slow", extra={"target": "arm/vale", "elapsed_s": 2})
    assert _strip_time(console.getvalue()) == "WARNING slow elapsed_s=2 target=arm/vale\n"


def test_time_is_rfc_3339_in_utc():
    """Source: RFC 3339, section 5.6; the instant is its own second example of 5.8 (1996-12-20T00:39:57Z)."""
    record = logging.makeLogRecord({"levelname": "INFO", "msg": "x", "created": 851042397.25})
    assert EventFormatter().format(record) == "1996-12-20T00:39:57.250Z INFO x"


def test_hostile_text_cannot_forge_a_line_or_move_the_terminal(console):
    subject = 'a\n2026-01-01T00:00:00.000Z INFO pass x="1"\r\x1b[2J\x9b1m\u202e\udcff\x7fé'
    log_event(_LOGGER, logging.INFO, "commit", subject=subject, empty="", **{"a b=c": 1})
    assert _strip_time(console.getvalue()) == (
        'INFO commit subject="a\\n2026-01-01T00:00:00.000Z INFO pass x=\\"1\\"'
        '\\r\\u001b[2J\\u009b1m\\u202e\\udcff\\u007fé"'
        ' empty="" "a b=c"=1\n'
    )


@given(st.text())
def test_any_value_is_rendered_in_printable_characters_and_can_be_read_back(text):
    import json

    rendered = render_value(text)
    assert rendered.isprintable()
    assert (json.loads(rendered) if rendered.startswith('"') else rendered) == text


def test_exception_stays_on_its_line(console):
    try:
        int("two\nlines")
    except ValueError:
        _LOGGER.exception("failed")
    text = console.getvalue()
    assert text.count("\n") == 1
    assert _strip_time(text).startswith('ERROR failed error="Traceback (most recent call last):\\n')
    assert text.endswith("two\\\\nlines'\"\n")


def test_without_verbose_the_console_has_warnings_and_the_file_has_info(tmp_path):
    stream = io.StringIO()
    undo = configure_logging(tmp_path / "new" / "gatekeep.log", verbose=False, stream=stream)
    for level, event in ((logging.DEBUG, "detail"), (logging.INFO, "built"), (logging.WARNING, "slow")):
        log_event(_LOGGER, level, event)
    undo()
    assert _strip_time(stream.getvalue()) == "WARNING slow\n"
    assert _strip_time((tmp_path / "new" / "gatekeep.log").read_text()) == "INFO built\nWARNING slow\n"


def test_file_is_opened_with_the_first_line(tmp_path):
    undo = configure_logging(tmp_path / "new" / "gatekeep.log", verbose=False, stream=io.StringIO())
    assert list((tmp_path / "new").iterdir()) == []
    log_event(_LOGGER, logging.INFO, "built")
    undo()
    assert _strip_time((tmp_path / "new" / "gatekeep.log").read_text()) == "INFO built\n"


def test_file_that_cannot_be_opened_stops_nothing_and_is_told_once(tmp_path):
    path = tmp_path / "gatekeep.log"
    path.mkdir()
    said = io.StringIO()
    undo = configure_logging(path, verbose=False, stream=said)
    log_event(_LOGGER, logging.INFO, "built")
    log_event(_LOGGER, logging.INFO, "built")
    undo()
    assert said.getvalue() == (
        f"gatekeep: {path}: lines cannot be written: Is a directory; free some space, the run goes on without them\n"
    )


def test_file_on_a_full_disk_stops_nothing_and_is_told_once(tmp_path):
    path = tmp_path / "gatekeep.log"
    path.symlink_to("/dev/full")
    said = io.StringIO()
    undo = configure_logging(path, verbose=False, stream=said)
    for _ in range(3):
        log_event(_LOGGER, logging.INFO, "built")
    undo()
    assert said.getvalue() == (
        f"gatekeep: {path}: lines cannot be written: No space left on device; free some space, the run goes on without "
        "them\n"
    )


def test_undo_leaves_no_handler_and_no_open_file(tmp_path):
    logger = logging.getLogger("gatekeep")
    before = (list(logger.handlers), logger.level)
    undo = configure_logging(tmp_path / "gatekeep.log", verbose=True, stream=io.StringIO())
    log_event(_LOGGER, logging.INFO, "built")
    undo()
    assert (list(logger.handlers), logger.level) == before
    open_paths = [str(path.resolve()) for path in Path("/proc/self/fd").iterdir() if path.exists()]
    assert not [path for path in open_paths if path.startswith(str(tmp_path))]


def test_handler_is_not_imported_without_a_file():
    code = (
        "import sys, gatekeep.logs; gatekeep.logs.configure_logging(None, verbose=False); "
        "print('concurrent_log_handler' in sys.modules)"
    )
    ran = subprocess.run([sys.executable, "-W", "error", "-c", code], capture_output=True, text=True, check=False)
    assert (ran.stdout, ran.stderr) == ("False\n", "")


def test_four_processes_share_a_rotating_file_and_no_line_is_lost_or_torn(tmp_path):
    """Real processes; files small enough that they rotate dozens of times, and enough of them to hold every line."""
    program = """if True:
        import logging, sys
        from pathlib import Path
        import gatekeep.logs as logs
        logs._ROTATE_BYTES, logs._ROTATED_COUNT = 20_000, 60
        undo = logs.configure_logging(Path(sys.argv[1]), verbose=False)
        logger = logging.getLogger("gatekeep.worker")
        sys.stdin.read(1)
        for number in range(1500):
            logs.log_event(logger, logging.INFO, "built", worker=sys.argv[2], number=number, text="x y" * (number % 20))
        undo()"""
    path = tmp_path / "gatekeep.log"
    workers = [
        subprocess.Popen(
            [sys.executable, "-W", "error", "-c", program, str(path), str(n)],
            stdin=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for n in range(4)
    ]
    for worker in workers:  # all are let go at once
        assert worker.stdin is not None
        worker.stdin.write("\n")
        worker.stdin.flush()
    for worker in workers:
        _out, errors = worker.communicate(timeout=60)
        assert (worker.returncode, errors) == (0, "")
    files = list(tmp_path.glob("gatekeep.log*"))
    assert len(files) > 10
    lines = [line for file in files for line in file.read_text().splitlines()]
    shape = re.compile(r'[0-9T:.Z-]{24} INFO built worker=([0-3]) number=([0-9]+) text="((?:x y)*)"')
    seen = []
    for line in lines:
        match = shape.fullmatch(line)
        assert match, line
        assert len(match[3]) == 3 * (int(match[2]) % 20)
        seen.append((int(match[1]), int(match[2])))
    assert sorted(seen) == [(worker, number) for worker in range(4) for number in range(1500)]
