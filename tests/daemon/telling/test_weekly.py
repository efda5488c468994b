"""When the weekly digest is due."""

from __future__ import annotations

import json
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.weekly import Weekly
from tests.support.thoroughness import examples

BERLIN = ZoneInfo("Europe/Berlin")
HOUR, DAY = 3600.0, 86400.0


def at(*parts: int) -> float:
    return datetime(*parts, tzinfo=BERLIN).timestamp()  # type: ignore[arg-type]


def weekly(day: int = 0, minute: int = 360) -> Weekly:
    return Weekly(day, minute, BERLIN)


def run(plan: Weekly, start: float, end: float, every: float = HOUR) -> list[tuple[float, float]]:
    """Ask every hour and tell what is due, as the daemon does."""
    told = []
    t = start
    while t <= end:
        span = plan.due(t)
        if span is not None:
            told.append(span)
            plan.told(span[1])
        t += every
    return told


def test_each_monday_at_six_by_the_shops_clock_also_over_the_change_to_summer_time() -> None:
    told = run(weekly(), at(2026, 3, 18, 12), at(2026, 4, 8, 12))
    assert told == [(at(2026, 3, 16, 6), at(2026, 3, 23, 6)), (at(2026, 3, 23, 6), at(2026, 3, 30, 6)),
                    (at(2026, 3, 30, 6), at(2026, 4, 6, 6))]
    assert told[1][1] - told[1][0] == 7 * DAY - HOUR


def test_nothing_is_told_of_a_week_that_nobody_watched() -> None:
    plan = weekly()
    assert plan.due(at(2026, 3, 18, 12)) is None
    assert plan.due(at(2026, 3, 22, 23)) is None


def test_never_twice_after_a_restart() -> None:
    plan = weekly()
    run(plan, at(2026, 3, 18, 12), at(2026, 3, 23, 6))
    again = weekly()
    again.restore(json.loads(json.dumps(plan.snapshot())))
    assert run(again, at(2026, 3, 23, 6), at(2026, 3, 30, 5)) == []
    assert run(again, at(2026, 3, 30, 5), at(2026, 3, 30, 7)) == [(at(2026, 3, 23, 6), at(2026, 3, 30, 6))]


def test_what_was_missed_is_made_up_for_once_and_nothing_is_left_out() -> None:
    plan = weekly()
    run(plan, at(2026, 3, 2, 5), at(2026, 3, 2, 7))
    again = weekly()
    again.restore(plan.snapshot())
    # The computer was off for nearly three weeks.
    assert run(again, at(2026, 3, 24, 9), at(2026, 3, 26)) == [(at(2026, 3, 2, 6), at(2026, 3, 23, 6))]


def test_after_months_of_silence_only_the_last_week() -> None:
    plan = weekly()
    plan.restore({"told_t": at(2025, 8, 4, 6)})
    assert plan.due(at(2026, 3, 24, 9)) == (at(2026, 3, 16, 6), at(2026, 3, 23, 6))


def test_a_clock_that_was_in_the_future_does_not_silence_it_for_years() -> None:
    plan = weekly()
    plan.restore({"told_t": at(2031, 1, 6, 6)})
    assert run(plan, at(2026, 3, 18), at(2026, 3, 31)) == [
        (at(2026, 3, 16, 6), at(2026, 3, 23, 6)), (at(2026, 3, 23, 6), at(2026, 3, 30, 6))]


def test_a_clock_set_back_a_little_tells_nothing_again() -> None:
    plan = weekly()
    run(plan, at(2026, 3, 18), at(2026, 3, 23, 7))
    assert run(plan, at(2026, 3, 23, 5), at(2026, 3, 23, 8)) == []


@pytest.mark.parametrize("data", [{}, {"told_t": "monday"}, {"told_t": None}, {"told_t": True}, {"told": 3.0}])
def test_a_memory_of_unknown_shape_begins_anew(data: dict[str, object]) -> None:
    plan = weekly()
    plan.restore(data)
    assert plan.due(at(2026, 3, 18)) is None
    assert plan.due(at(2026, 3, 23, 6)) == (at(2026, 3, 16, 6), at(2026, 3, 23, 6))


@settings(max_examples=examples(200), deadline=None)
@given(t=st.floats(1.6e9, 2.0e9), day=st.integers(0, 6), minute=st.integers(0, 1439))
def test_the_latest_moment_is_the_right_day_and_less_than_a_week_ago(t: float, day: int, minute: int) -> None:
    moment = weekly(day, minute).latest(t)
    assert 0.0 <= t - moment < 7 * DAY + HOUR + 1.0
    local = datetime.fromtimestamp(moment, BERLIN)
    assert local.weekday() == day
    wanted = (minute // 60, minute % 60)
    # A time of day that the change to summer time leaves out comes an hour later.
    assert (local.hour, local.minute) in (wanted, (wanted[0] + 1, wanted[1]))
