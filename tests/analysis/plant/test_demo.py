"""The demonstration reaches what it promises at the time it promises, from the plant's own dust."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from analysis.plant import demo
from analysis.plant.asbuilt import as_built
from analysis.plant.blocks import Block
from analysis.plant.day import DAY_S
from analysis.plant.faults import FaultKind, check
from analysis.plant.simulate import simulate
from tests.support.barn import barn

OPENS = 1_772_409_600.0 + demo.OPENS_S
PACE = 120.0


def first_day(seed: int) -> list[Block]:
    shop = as_built(barn(), seed)
    script = demo.script(shop, seed, OPENS)
    found = simulate(
        shop, script, seed, demo.DemoFaults(shop, OPENS), state=demo.first_state(shop), idle_step_s=1.0
    )
    return list(itertools.takewhile(lambda b: b.t[0] < OPENS + 0.7 * DAY_S, found))


@pytest.fixture(scope="module", params=[1, *(pytest.param(seed, marks=pytest.mark.long) for seed in (2, 3))])
def day(request: pytest.FixtureRequest) -> list[Block]:
    return first_day(request.param)


def whole(day: list[Block], name: str) -> np.ndarray:
    return np.concatenate([getattr(b.truth, name) for b in day])


def real_s(day: list[Block], there: np.ndarray) -> float:
    t = np.concatenate([b.t for b in day])
    return float(t[np.argmax(there)] - OPENS) / PACE if there.any() else math.inf


def test_it_opens_with_loaded_bags_and_at_once_with_frames(day: list[Block]) -> None:
    assert day[0].t[0] == OPENS
    assert float(whole(day, "drag_ratio")[0]) == pytest.approx(demo.START_DRAG_RATIO)
    assert real_s(day, whole(day, "fan")) < 1.0


def test_the_filter_is_due_within_a_minute_and_a_quarter(day: list[Block]) -> None:
    assert 30.0 < real_s(day, whole(day, "drag_ratio") > 1.75) < 75.0


def test_the_chip_bag_overfills_after_that_and_before_two_and_a_half_minutes(day: list[Block]) -> None:
    due, full = real_s(day, whole(day, "drag_ratio") > 1.75), real_s(day, whole(day, "bag_fill") > 1.0)
    assert due < full < 110.0


def test_drag_then_grows_many_times_faster(day: list[Block]) -> None:
    t, ratio, on = (np.concatenate([b.t for b in day]), whole(day, "drag_ratio"), whole(day, "fan"))

    def growth(a: float, b: float) -> float:
        """Rise of the ratio per running hour between two moments, given in real seconds from the opening."""
        part = (t >= OPENS + a * PACE) & (t < OPENS + b * PACE)
        return float(ratio[part][-1] - ratio[part][0]) / (on[part].sum() / 3600.0)

    assert growth(112.0, 140.0) > 5.0 * growth(5.0, 80.0)


def test_the_maker_empties_and_cleans_within_the_two_and_a_half_minutes(day: list[Block]) -> None:
    events = [(e.kind, (e.t - OPENS) / PACE) for b in day for e in b.events]
    assert [kind for kind, _ in events[:2]] == ["cleaned", "emptied"]
    assert 135.0 < events[0][1] < 155.0
    after = np.concatenate([b.t for b in day]) > OPENS + 155.0 * PACE
    assert float(whole(day, "drag_ratio")[after][0]) < 1.15


def test_the_days_go_on_with_other_faults() -> None:
    shop = as_built(barn(), 1)
    book = demo.DemoFaults(shop, OPENS)
    midnight = OPENS - demo.OPENS_S
    kinds = []
    for number in range(1, 7):
        faults = book.overlapping(midnight + number * DAY_S, midnight + (number + 1) * DAY_S)
        assert faults[0].kind is FaultKind.ADDED_RUN  # of the first day, for good
        faults = faults[1:]
        assert len(faults) == 2
        for fault in faults:
            check(fault, shop)
        kinds += [fault.kind for fault in faults]
    assert {FaultKind.GATE_LEFT_OPEN, FaultKind.LEFT_RUNNING, FaultKind.TORN_BAG, FaultKind.WEAK_FAN} <= set(kinds)


def test_a_second_day_has_work_and_no_gap() -> None:
    shop = as_built(barn(), 1)
    spans = list(itertools.takewhile(lambda s: s.t0 < OPENS + 2 * DAY_S, demo.script(shop, 1, OPENS)))
    assert all(a.t1 == b.t0 for a, b in itertools.pairwise(spans))
    assert sum(s.t1 - s.t0 for s in spans if s.fan and s.t0 > OPENS + 0.7 * DAY_S) > 3 * 3600.0


@pytest.mark.parametrize(
    ("now", "opens"),
    [
        (OPENS, OPENS), (OPENS + 5.0, OPENS), (OPENS - 5.0, OPENS - 3 * DAY_S),
        (OPENS + 5.5 * DAY_S, OPENS + 4 * DAY_S),
    ],
)
def test_the_opening_is_a_working_mornings_twenty_to_seven(now: float, opens: float) -> None:
    assert demo.opening(now) == opens
    assert demo.opening(now - 3600.0, 3600.0) == opens - 3600.0
