"""The maker's days: no gap, reproducible, within shop hours, and as much running as his habits say."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from analysis.plant.day import DAY_S, Habits, Span, steady, tour, work
from analysis.plant.faults import Fault, FaultKind, FaultList
from analysis.plant.simulate import reworked
from tests.support.barn import barn

MONDAY = 1_772_409_600.0
"""2 March 2026, a Monday, midnight UTC."""


def seamless(spans: list[Span]) -> bool:
    return all(a.t1 == b.t0 for a, b in itertools.pairwise(spans)) and all(s.t1 > s.t0 for s in spans)


@pytest.fixture(scope="module")
def month() -> list[Span]:
    return list(work(barn(), 4, MONDAY, days=28))


def test_spans_follow_each_other_to_the_end(month: list[Span]) -> None:
    assert seamless(month)
    assert month[0].t0 == MONDAY
    assert month[-1].t1 == MONDAY + 28 * DAY_S


def test_the_same_seed_gives_the_same_days(month: list[Span]) -> None:
    assert list(work(barn(), 4, MONDAY, days=28)) == month
    assert list(work(barn(), 5, MONDAY, days=28)) != month


def test_work_keeps_shop_hours_lunch_and_sundays(month: list[Span]) -> None:
    for span in month:
        if span.fan:
            hour = ((span.t0 - MONDAY) % DAY_S) / 3600.0
            assert 6.5 < hour < 18.5
            assert not 12.05 < hour < 12.7
            assert int((span.t0 - MONDAY) // DAY_S) % 7 != 6


def test_running_time_is_what_the_habits_say() -> None:
    spans = list(work(barn(), 6, MONDAY, days=140, habits=Habits(run_min=80.0, saturday=0.0)))
    minutes = sum(s.t1 - s.t0 for s in spans if s.fan) / 60.0
    assert minutes / 100 == pytest.approx(80.0, rel=0.25)


def test_gates_change_in_mid_run_and_two_machines_run_at_once(month: list[Span]) -> None:
    changes = sum(a.fan and b.fan and a.open_ports != b.open_ports for a, b in itertools.pairwise(month))
    both = sum(len(span.cuts) == 2 for span in month)
    assert changes > 10
    assert both > 3


def test_the_shops_clock_may_differ_from_utc() -> None:
    spans = [s for s in work(barn(), 4, MONDAY, days=5, utc_offset_s=-6 * 3600.0) if s.fan]
    hours = np.array([((s.t0 - MONDAY) % DAY_S) / 3600.0 for s in spans])
    assert hours.min() > 12.0


def test_tour_holds_each_gate_alone() -> None:
    spans = tour(barn(), MONDAY)
    sets = [s.open_ports for s in spans if s.fan]
    assert sets[0] == ()
    assert [s for s in sets if len(s) == 1] == [(name,) for name in barn().port_names]
    assert seamless(spans)


def test_left_running_keeps_the_fan_on_with_the_last_gates() -> None:
    spans = steady(["planer"], MONDAY, 100.0)
    fault = Fault(FaultKind.LEFT_RUNNING, MONDAY + 60.0, MONDAY + 200.0)
    changed = list(reworked(spans, FaultList.of([fault])))
    assert seamless(changed)
    assert [(s.fan, s.open_ports) for s in changed] == [
        (False, ()), (True, ("planer",)), (True, ("planer",)), (False, ()),
    ]
    assert changed[2].t1 == MONDAY + 200.0


def test_short_cycling_starts_as_often_as_asked() -> None:
    spans = steady(["planer"], MONDAY, 3600.0)
    changed = list(reworked(spans, FaultList.of([Fault(FaultKind.SHORT_CYCLING, MONDAY, size=20.0)])))
    assert seamless(changed)
    starts = sum(b.fan and not a.fan for a, b in itertools.pairwise(changed))
    assert starts == 20
