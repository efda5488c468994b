"""The log: forms, hostile words, the limit on repetition, rotation, and disks that are full."""

from __future__ import annotations

import io
import json
import logging
import re
import shlex
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon import logs
from daemon.errors import ConfigError


@pytest.fixture(autouse=True)
def usual_logging() -> Iterator[None]:
    root = logging.getLogger()
    before, level, hook, loud = list(root.handlers), root.level, threading.excepthook, logging.raiseExceptions
    yield
    for handler in list(root.handlers):
        if handler not in before:
            root.removeHandler(handler)
            handler.close()
    for handler in before:
        if handler not in root.handlers:
            root.addHandler(handler)
    root.setLevel(level)
    threading.excepthook, logging.raiseExceptions = hook, loud


def record(message: str, *args: object, level: int = logging.WARNING, name: str = "daemon.part") -> logging.LogRecord:
    return logging.LogRecord(name, level, __file__, 1, message, args, None)


HOSTILE = "barn\r\n2026-01-01 ERROR ductwarden: all is lost\x1b[2J\u2028x=\"y\" \\"


@pytest.mark.parametrize("form", [logs.Text(), logs.KeyValue(), logs.Json(), logs.JournalText()])
def test_whatever_is_said_stays_on_one_line_without_control_characters(form: logging.Formatter) -> None:
    line = form.format(record("source %s: lost", HOSTILE))
    assert len(line.splitlines()) == 1
    assert not re.search(r"[\x00-\x1f\x7f]", line)
    assert "all is lost" in line


def test_key_and_value_can_be_taken_apart_again() -> None:
    line = logs.KeyValue().format(record("two words and a %s", "quote\""))
    # A shell splits the pairs as any reader of such lines would: an independent reading of the quoting.
    pairs = dict(part.split("=", 1) for part in shlex.split(line))
    assert pairs["words"] == 'two words and a quote"'
    assert pairs["level"] == "warning"
    assert pairs["part"] == "daemon.part"
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", pairs["t"])


def test_json_carries_a_traceback_in_a_field() -> None:
    try:
        raise ValueError("planted")
    except ValueError as error:
        entry = record("it ended")
        entry.exc_info = (type(error), error, error.__traceback__)
    found = json.loads(logs.Json().format(entry))
    assert found["words"] == "it ended"
    assert "ValueError: planted" in found["traceback"]


def test_the_journal_is_told_the_level_before_every_line() -> None:
    entry = record("it ended", level=logging.ERROR)
    try:
        raise ValueError("planted")
    except ValueError as error:
        entry.exc_info = (type(error), error, error.__traceback__)
    lines = logs.JournalText().format(entry).splitlines()
    assert len(lines) > 2
    assert all(line.startswith("<3>") for line in lines)  # LOG_ERR is 3: syslog(3), RFC 5424 table 2


def test_repetition_is_cut_off_and_told_when_it_goes_on() -> None:
    now = [0.0]
    limit = logs.RateLimit(3, 60.0, lambda: now[0])
    passed = [limit.filter(record("source %s: %s", "unit", n)) for n in range(10)]
    assert passed == [True] * 3 + [False] * 7
    assert limit.filter(record("source %s: %s", "other unit", 1)), "another source is another matter"
    assert limit.filter(record("something else"))
    now[0] = 61.0
    entry = record("source %s: %s", "unit", "again")
    assert limit.filter(entry)
    assert entry.getMessage() == "source unit: again (7 more like this were left out)"


def test_the_limit_keeps_constant_memory() -> None:
    limit = logs.RateLimit()
    for n in range(5000):
        limit.filter(record(f"words {n}"))
    assert len(limit._kinds) <= 256


def test_a_file_is_rotated_and_old_ones_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(logs, "LARGEST_FILE", 2_000)
    logs.set_up("info", "keyvalue", tmp_path / "logs" / "ductwarden.log")
    for n in range(500):
        logging.getLogger("ductwarden").info("entry %d of many, long enough to fill a file", n)
    files = sorted((tmp_path / "logs").iterdir())
    assert len(files) == 1 + logs.OLD_FILES
    assert all(file.stat().st_size <= 2_000 for file in files)
    assert "entry 499" in (tmp_path / "logs" / "ductwarden.log").read_text()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_a_full_disk_disturbs_nobody(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "full.log").symlink_to("/dev/full")
    logs.set_up("info", "text", tmp_path / "full.log")
    for _ in range(3):
        logging.getLogger("ductwarden").error("nobody will read this")
    assert capsys.readouterr().err == ""
    (handler,) = [h for h in logging.getLogger().handlers if isinstance(h, logging.FileHandler)]
    logging.getLogger().removeHandler(handler)
    with pytest.raises(OSError, match="No space left"):
        handler.close()  # finds the disk full once more


def test_an_error_in_a_thread_is_logged(monkeypatch: pytest.MonkeyPatch) -> None:
    stream = io.StringIO()
    monkeypatch.setattr("sys.stderr", stream)
    logs.set_up("info", "json")

    def fail() -> None:
        raise ValueError("planted")

    thread = threading.Thread(target=fail, name="feed room")
    thread.start()
    thread.join()
    found = json.loads(stream.getvalue())
    assert found["words"] == "the thread feed room ended by an error"
    assert "planted" in found["traceback"]


@pytest.mark.parametrize(("level", "form", "file"), [
    ("loud", "text", None), ("info", "xml", None), ("info", "text", Path("/proc/nowhere/x.log")),
])
def test_what_cannot_be_is_told(level: str, form: logs.Format, file: Path | None) -> None:
    with pytest.raises(ConfigError, match=r"loud|xml|nowhere"):
        logs.set_up(level, form, file)
