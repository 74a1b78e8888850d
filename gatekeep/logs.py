"""
Where gatekeep's own log lines go, and how they look.

One line is one event: time, level, a fixed word, then fields as `name=value`. What came from a build, a commit or a
path is hostile, so a value with anything but plain characters is quoted, and no line end or escape code survives. A
log is never read back: the store is the record.

The file is shared by every gatekeep process of the host, so its handler locks for each line and rotates under that
lock.
"""

from __future__ import annotations

import json
import logging
import re
import sys
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import TextIO

#: 5 files of 4 MiB: some 100,000 finished builds.
_ROTATE_BYTES = 4 * 1024**2
_ROTATED_COUNT = 4
_PLAIN = re.compile(r"[A-Za-z0-9_./:@%+,~#-]+", re.ASCII)
#: What every record has; anything else came through `extra`.
_STANDARD = frozenset(vars(logging.makeLogRecord({}))) | {"message", "asctime", "taskName", "fields"}


def log_event(logger: logging.Logger, level: int, event: str, /, **fields: object) -> None:
    """
    Log one event.

    Args:
        logger: The module's.
        level: From `logging`.
        event: A fixed word, never text from outside.
        fields: Any names, also those that a log record uses itself; rendered in this order.
    """
    if logger.isEnabledFor(level):
        logger.log(level, event, extra={"fields": fields}, stacklevel=2)


class EventFormatter(logging.Formatter):
    """Renders a record as one line, whatever is in it."""

    def format(self, record: logging.LogRecord) -> str:
        """
        Give `2026-11-24T09:30:01.250Z INFO built target=arm/vale elapsed_s=1.5`.

        Fields of `log_event` come first, then other extra attributes by name, then `error` for an exception.

        Source: RFC 3339 for the time, in UTC.
        """
        moment = datetime.fromtimestamp(record.created, UTC)
        fields: dict[str, object] = dict(getattr(record, "fields", {}))
        extra = vars(record)
        fields |= {name: extra[name] for name in sorted(extra.keys() - _STANDARD)}
        if record.exc_info:
            fields["error"] = self.formatException(record.exc_info)
        if record.stack_info:
            fields["stack"] = record.stack_info
        words = [
            f"{moment:%Y-%m-%dT%H:%M:%S}.{moment.microsecond // 1000:03d}Z",
            record.levelname,
            render_value(record.getMessage()),
        ]
        words += (f"{render_value(name)}={render_value(value)}" for name, value in fields.items())
        return " ".join(words)


def render_value(value: object) -> str:
    """Write a value: bare when it is made of plain characters, else as a JSON string of printable characters alone."""
    text = str(value)
    if _PLAIN.fullmatch(text):
        return text
    quoted = json.dumps(text, ensure_ascii=False)
    # JSON leaves C1 controls, bidirectional marks and surrogates as they are; a terminal acts on some of them.
    return "".join(sign if sign.isprintable() else json.dumps(sign)[1:-1] for sign in quoted)


def configure_logging(path: Path | None, *, verbose: bool, stream: TextIO | None = None) -> Callable[[], None]:
    """
    Send gatekeep's log to a rotating file, and to standard error.

    Called by `cli` alone. The file gets INFO and worse, standard error WARNING and worse; with `verbose` both get all.

    Args:
        path: The log file, shared with other processes; its folder is made. None keeps no file.
        verbose: Everything, for looking for a fault of gatekeep itself.
        stream: In place of standard error.

    Returns:
        A function that undoes it and closes the file.

    Raises:
        OSError: The folder cannot be made.
    """
    logger = logging.getLogger("gatekeep")
    handlers: list[logging.Handler] = []
    console = logging.StreamHandler(stream if stream is not None else sys.stderr)
    console.setLevel(logging.DEBUG if verbose else logging.WARNING)
    handlers.append(console)
    if path is not None:
        path.parent.mkdir(parents=True, exist_ok=True)
        file = _LateFile(path, console.stream)
        file.setLevel(logging.DEBUG if verbose else logging.INFO)
        handlers.append(file)
    level_before = logger.level
    logger.setLevel(logging.DEBUG if verbose else logging.INFO)
    formatter = EventFormatter()
    for handler in handlers:
        handler.setFormatter(formatter)
        logger.addHandler(handler)

    def undo() -> None:
        for handler in handlers:
            logger.removeHandler(handler)
            handler.close()
        logger.setLevel(level_before)

    return undo


class _LateFile(logging.Handler):
    """
    The rotating file, opened when the first line is written: most gates of a large tree build nothing and write none,
    and what opens it takes 40 ms to import.

    A line that cannot be written stops nothing: that it is so is said once, on `stream`.
    """

    def __init__(self, path: Path, stream: TextIO) -> None:
        super().__init__()
        self._path = path
        self._stream = stream
        self._file: logging.Handler | None = None
        self._has_failed = False

    def emit(self, record: logging.LogRecord) -> None:
        """Write a line; called by one thread at a time."""
        try:
            if self._file is None:
                self._file = _open_file(self._path, self._fail)
                self._file.setFormatter(self.formatter)
        except OSError as error:
            self._fail(error)
            return
        self._file.emit(record)

    def close(self) -> None:
        """Close the file, where one was opened."""
        if self._file is not None:
            # What is left in the stream's buffer is written then, and was said to be lost; a second time there is none.
            try:
                self._file.close()
            except OSError:
                with suppress(OSError):
                    self._file.close()
        super().close()

    def _fail(self, error: BaseException | None) -> None:
        if self._has_failed:
            return
        self._has_failed = True
        why = error.strerror if isinstance(error, OSError) else repr(error)
        with suppress(OSError):
            self._stream.write(
                f"gatekeep: {render_value(self._path)}: lines cannot be written: {why}; free some space, "
                "the run goes on without them\n"
            )


def _open_file(path: Path, fail: Callable[[BaseException | None], None]) -> logging.Handler:
    from concurrent_log_handler import ConcurrentRotatingFileHandler

    class File(ConcurrentRotatingFileHandler):
        def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 - as logging calls it
            fail(sys.exc_info()[1])

    return File(
        str(path),
        maxBytes=_ROTATE_BYTES,
        backupCount=_ROTATED_COUNT,
        encoding="utf-8",
        chmod=0o640,
    )
