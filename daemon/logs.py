"""The daemon's log: one line an entry, as text for people, ``key=value`` or JSON for programs; rate-limited and rotated.

What the outside sends may stand in a message: line ends and control characters do not get through, so nobody can write
lines of his own. Of entries that are alike no more than ``MOST_ALIKE`` are written a minute; the next says how many were left
out. A log that cannot be written (disk full) never disturbs the daemon.
"""

from __future__ import annotations

import json
import logging
import logging.handlers
import os
import re
import sys
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from daemon.errors import ConfigError

Format = Literal["text", "keyvalue", "json"]
FORMATS: tuple[Format, ...] = ("text", "keyvalue", "json")

LARGEST_FILE = 1_000_000
OLD_FILES = 5
MOST_ALIKE = 20
WINDOW_S = 60.0
_KINDS_KEPT = 256
_LONGEST = 2_000
"""Characters of one message; a traceback may be four times as long."""

_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]")
_PLAIN = re.compile(r"[^\s\"=\\]+")
_SYSLOG = {logging.DEBUG: 7, logging.INFO: 6, logging.WARNING: 4, logging.ERROR: 3, logging.CRITICAL: 2}


def set_up(level: str = "info", form: Format = "text", file: Path | None = None) -> None:
    """Send every log entry of the process to stderr or, where one is named, to ``file``.

    ``level`` is debug, info, warning or error. Raises :class:`ConfigError` for another one or a file that cannot be
    opened. Uncaught errors of threads are logged as well.
    """
    if level.lower() not in ("debug", "info", "warning", "error"):
        raise ConfigError([f"log level {level!r}: allowed are debug, info, warning and error"])
    if form not in FORMATS:
        raise ConfigError([f"log format {form!r}: allowed are {', '.join(FORMATS)}"])
    handler: logging.Handler
    if file is None:
        handler = logging.StreamHandler()
    else:
        try:
            file.parent.mkdir(parents=True, exist_ok=True)
            handler = logging.handlers.RotatingFileHandler(
                file, maxBytes=LARGEST_FILE, backupCount=OLD_FILES, encoding="utf-8", errors="backslashreplace"
            )
            file.chmod(0o600)
        except OSError as error:
            raise ConfigError([f"the log file {file} cannot be opened: {error.strerror or error}"]) from error
    journal = file is None and form == "text" and "JOURNAL_STREAM" in os.environ
    handler.setFormatter(JournalText() if journal else {"text": Text, "keyvalue": KeyValue, "json": Json}[form]())
    handler.addFilter(RateLimit())
    logging.raiseExceptions = False
    root = logging.getLogger()
    for old in list(root.handlers):
        root.removeHandler(old)
        if isinstance(old, logging.FileHandler):
            old.close()
    root.addHandler(handler)
    root.setLevel(level.upper())
    logging.getLogger("uvicorn").setLevel(max(root.level, logging.WARNING))
    threading.excepthook = _thread_failed


def _thread_failed(args: threading.ExceptHookArgs) -> None:
    if args.exc_value is not None and not isinstance(args.exc_value, SystemExit):
        name = "a thread" if args.thread is None else f"the thread {args.thread.name}"
        logging.getLogger("ductwarden").error(
            "%s ended by an error", name, exc_info=(args.exc_type, args.exc_value, args.exc_traceback)
        )


class RateLimit(logging.Filter):
    """Lets ``most`` entries that are alike (same place, same words, same first thing named) through in ``window_s``."""

    def __init__(
        self, most: int = MOST_ALIKE, window_s: float = WINDOW_S, monotonic: Callable[[], float] = time.monotonic
    ) -> None:
        super().__init__()
        self._most = most
        self._window_s = window_s
        self._monotonic = monotonic
        self._kinds: OrderedDict[tuple[str, int, str, str], list[float]] = OrderedDict()

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether the entry is written; the first after a pause tells how many were not."""
        first = record.args[0] if isinstance(record.args, tuple) and record.args else ""
        key = (record.name, record.levelno, str(record.msg)[:200], str(first)[:80])
        now = self._monotonic()
        state = self._kinds.get(key)
        if state is None:
            state = self._kinds[key] = [now, 0.0, 0.0]  # window's begin, written in it, left out
            if len(self._kinds) > _KINDS_KEPT:
                self._kinds.popitem(last=False)
        self._kinds.move_to_end(key)
        if now - state[0] >= self._window_s:
            state[0], state[1] = now, 0.0
        if state[1] >= self._most:
            state[2] += 1.0
            return False
        state[1] += 1.0
        if state[2]:
            record.msg = f"{record.getMessage()} ({state[2]:.0f} more like this were left out)"
            record.args = None
            state[2] = 0.0
        return True


class _Formatter(logging.Formatter):
    def words(self, record: logging.LogRecord) -> str:
        """The message on one line."""
        text = record.getMessage()
        return escaped(text if len(text) <= _LONGEST else text[:_LONGEST] + " ...")

    def traceback(self, record: logging.LogRecord) -> str:
        """The traceback, "" where there is none."""
        return "" if not record.exc_info else self.formatException(record.exc_info)[-4 * _LONGEST:]


class Text(_Formatter):
    """For people: local time, level, part, words; a traceback is indented below."""

    def format(self, record: logging.LogRecord) -> str:
        """One entry."""
        head = f"{self.formatTime(record)} {record.levelname} {record.name}: {self.words(record)}"
        return head + _indented(self.traceback(record))


class JournalText(_Formatter):
    """For systemd's journal, which knows the time itself; the level stands before the line (sd-daemon(3))."""

    def format(self, record: logging.LogRecord) -> str:
        """One entry."""
        mark = f"<{_SYSLOG.get(record.levelno, 6)}>"
        text = f"{record.name}: {self.words(record)}{_indented(self.traceback(record))}"
        return "\n".join(mark + line for line in text.split("\n"))


class KeyValue(_Formatter):
    """``key=value`` pairs; a value with blanks or quotes in it is quoted as in JSON."""

    def format(self, record: logging.LogRecord) -> str:
        """One entry."""
        return " ".join(f"{key}={_quoted(value)}" for key, value in _fields(self, record).items())


class Json(_Formatter):
    """A JSON object a line."""

    def format(self, record: logging.LogRecord) -> str:
        """One entry."""
        return json.dumps(_fields(self, record), ensure_ascii=False)


def _fields(formatter: _Formatter, record: logging.LogRecord) -> dict[str, str]:
    moment = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    fields = {"t": moment, "level": record.levelname.lower(), "part": record.name, "words": formatter.words(record)}
    traceback = formatter.traceback(record)
    if traceback:
        fields["traceback"] = traceback
    return fields


def escaped(text: str) -> str:
    r"""``text`` on one line: a blank for every line end, and every other control character written out.

    >>> escaped("barn\x1b[2J\nWARNING all is well")
    'barn\\x1b[2J WARNING all is well'
    """
    text = text.replace("\r\n", " ").replace("\n", " ")
    return _CONTROL.sub(lambda found: f"\\x{ord(found[0]):02x}", text)


def _quoted(value: str) -> str:
    return value if _PLAIN.fullmatch(value) else json.dumps(value, ensure_ascii=False)


def _indented(traceback: str) -> str:
    return "".join(f"\n    {escaped(line)}" for line in traceback.splitlines())


def log_end(error: BaseException) -> None:
    """Write down an error that ends the process: nobody else knows what to do with it."""
    logging.getLogger("ductwarden").critical(
        "an error that nobody foresaw ends the daemon: %s: %s", type(error).__name__, error,
        exc_info=(type(error), error, error.__traceback__),
    )
    sys.stderr.flush()
