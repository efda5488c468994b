"""One store, one count: what the month's record, the page and the rates say of alarms, starts and hours agrees."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from daemon.alarms.types import AlarmState
from daemon.cli.alarms import rates_document
from daemon.record.gather import gather
from daemon.record.period import Month
from daemon.store.reader import Reader
from dashboard.record_view import record_out
from dashboard.shapes import Screen
from tests.daemon.record.shopping import Ledger, barn
from tests.daemon.store.making import step

U, N, S = AlarmState.UNACKNOWLEDGED, AlarmState.NORMAL, AlarmState.SUPPRESSED


@pytest.fixture
def in_utc(monkeypatch: pytest.MonkeyPatch) -> None:
    """The page counts by this computer's months."""
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()


def at(day: int, hour: int = 0, minute: int = 0, month: int = 3) -> float:
    return datetime(2026, month, day, hour, minute, tzinfo=UTC).timestamp()


@pytest.mark.usefixtures("in_utc")
def test_record_page_and_rates_count_the_same(tmp_path: Path) -> None:
    config = barn(tmp_path)
    book = Ledger(config)
    book.run(at(3, 10), 600)
    book.idle(at(3, 10, 11), at(3, 11))
    book.run(at(3, 11, 1), 300)
    book.idle(at(3, 11, 7), at(3, 12), every=600.0)
    book.run(at(1, 9, month=4), 120)
    for transition in (
        step(1, N, U, at(5, 9)), step(1, U, N, at(5, 10), at(5, 9)), step(1, N, U, at(5, 11), at(5, 9)),
        step(1, U, N, at(5, 12), at(5, 9)), step(1, N, U, at(5, 13), at(5, 9)),  # came back twice: three
        step(2, N, S, at(6, 9)), step(2, S, N, at(6, 10), at(6, 9), cleared_t=at(6, 10)),  # held back: never told
        step(3, N, U, at(31, 23, 59)),
        step(4, N, U, at(1, month=4)),  # the next month's
    ):
        book.writer.transition(transition)
    book.close()
    with Reader(config.at(config.file.store.file)) as reader:
        record = gather(config, reader, Month.of("2026-03", UTC), at(2, month=4), UTC)
        pages = {month["month"]: month for month in record_out(reader, Screen())["months"]}
        rates = rates_document(reader, at(1), at(1, month=4) - 1e-3)
    page = pages["March 2026"]
    assert sum(alarm.raised(record.month) for alarm in record.alarms) == page["alarms"] == rates["raised"] == 4
    assert record.starts == page["starts"] == 2
    assert record.run_s / 3600.0 == pytest.approx(page["hours"], abs=0.05) == pytest.approx(0.25, abs=0.05)
    assert (pages["April 2026"]["alarms"], pages["April 2026"]["starts"]) == (1, 1)
