"""Months by the shop's clock, against Python's own calendar and time zone data."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.record.period import Month, PeriodError

BERLIN = ZoneInfo("Europe/Berlin")


@pytest.mark.parametrize(("text", "days", "hours"), [("2026-03", 31, 743), ("2026-10", 31, 745), ("2028-02", 29, 696)])
def test_days_and_hours_of_a_month_with_summer_time(text: str, days: int, hours: int) -> None:
    month = Month.of(text, BERLIN)
    assert len(month.dates) == days
    assert (month.end_t - month.start_t) / 3600.0 == hours


@given(year=st.integers(1990, 2100), number=st.integers(1, 12))
def test_every_edge_is_a_local_midnight_and_months_follow_each_other(year: int, number: int) -> None:
    month = Month.of(f"{year}-{number:02d}", BERLIN)
    for edge in month.edges:
        local = datetime.fromtimestamp(edge, BERLIN)
        assert (local.hour, local.minute, local.second) == (0, 0, 0)
    after = month.dates[-1] + timedelta(days=1)
    assert Month.of(f"{after.year}-{after.month:02d}", BERLIN).start_t == month.end_t


def test_the_day_of_an_instant() -> None:
    month = Month.of("2026-03", BERLIN)
    late = datetime(2026, 3, 14, 23, 59, 59, tzinfo=BERLIN).timestamp()
    assert month.dates[month.day_of(late)].day == 14
    assert month.dates[month.day_of(late + 1.0)].day == 15
    assert month.day_of(month.start_t - 0.001) == -1
    assert month.day_of(month.end_t) == len(month.dates)


@pytest.mark.parametrize("text", ["2026", "2026-13", "2026-0", "March", "2026-03-01", "", "0001-01", "9999-12"])
def test_what_is_no_month(text: str) -> None:
    with pytest.raises(PeriodError, match="write it as 2026-03"):
        Month.of(text, UTC)
