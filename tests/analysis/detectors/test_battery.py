"""Every detector of the list through the shared battery, and the recognisers through what applies to them."""

from __future__ import annotations

import json
import pickle
from functools import cache

import pytest

from analysis.blocks import Block
from analysis.conditions import Condition
from analysis.detectors import build_detectors
from analysis.detectors.contract import Detector
from analysis.detectors.limits import Limits
from analysis.findings import Claim
from tests.analysis.detectors import battery
from tests.analysis.detectors.streams import CHANNELS, Piece, Shop, barn, blocks

SHOPS = {"drawing": barn, "tour": lambda seed: barn(seed, True)}
NAMES = tuple(Condition)


@cache
def stream(knowledge: str) -> battery.Stream:
    """Runs at one and two machines, gates moved in mid-run, rests between, an emptying and a cleaning."""
    from analysis.plant.day import Chore

    shop = SHOPS[knowledge](3)
    pieces = [
        Piece(12.0, (0,)), Piece(3.0, (0,), rest_min=0.0), Piece(2.0, (0, 1), rest_min=0.0), Piece(9.0, (1,)),
        Piece(10.0, (2,), rest_min=8.0, chores=(Chore("empty"), Chore("clean"))), Piece(9.0, (3,)), Piece(12.0, (0,)),
    ]
    return blocks(shop, pieces, gates=knowledge == "tour", ratio=1.5, fill=0.4)


def maker(knowledge: str, condition: Condition) -> battery.Make:
    """Makes the detector of a condition for a shop."""
    shop: Shop = SHOPS[knowledge](3)

    def make() -> Detector:
        return next(d for d in shop.detectors() if d.condition is condition)

    return make


both = pytest.mark.parametrize("knowledge", SHOPS)
each = pytest.mark.parametrize("condition", NAMES, ids=lambda c: c.value)


def test_every_condition_has_exactly_one_detector() -> None:
    found = [d.condition for d in barn(3).detectors()]
    assert sorted(found) == sorted(NAMES)


@each
@both
def test_it_leaves_its_input_alone(knowledge: str, condition: Condition) -> None:
    battery.leaves_its_input_alone(maker(knowledge, condition), stream(knowledge))


@each
@both
def test_it_says_the_same_of_the_same(knowledge: str, condition: Condition) -> None:
    battery.says_the_same_of_the_same(maker(knowledge, condition), stream(knowledge))


@each
@both
def test_it_always_says_something_sound(knowledge: str, condition: Condition) -> None:
    battery.always_says_something_sound(maker(knowledge, condition), stream(knowledge))


@each
@both
@pytest.mark.parametrize("at", [60, 201, 333])
def test_it_forgets_nothing_in_a_restart(knowledge: str, condition: Condition, at: int) -> None:
    battery.forgets_nothing_in_a_restart(maker(knowledge, condition), stream(knowledge), at)


@each
def test_it_bears_any_snapshot(condition: Condition) -> None:
    battery.bears_any_snapshot(maker("drawing", condition), stream("drawing"))


@each
@both
def test_it_bears_odd_blocks(knowledge: str, condition: Condition) -> None:
    battery.bears_odd_blocks(maker(knowledge, condition), stream(knowledge))


@each
def test_it_stays_small(condition: Condition) -> None:
    battery.stays_small(maker("drawing", condition), stream("drawing"), 6)


@each
@both
def test_it_is_quiet_on_a_healthy_shop(knowledge: str, condition: Condition) -> None:
    said = battery.run(maker(knowledge, condition)(), stream(knowledge))
    assert not [f for findings in said for f in findings if f.claim is Claim.PRESENT]


@pytest.mark.parametrize("channels", [("inlet_pa",), ("filter_pa",), ("motor_a",), ("inlet_pa", "filter_pa"), ()])
def test_with_any_subset_of_channels_each_says_what_it_can(channels: tuple[str, ...]) -> None:
    """Nothing is claimed of a healthy shop, and what cannot be told is not called absent."""
    shop = barn(3)
    seen = blocks(shop, [Piece(8.0, (0,)), Piece(8.0, (1,))], channels=channels or ("air_c",))
    for detector in build_detectors(shop.design, channels, Limits()):
        said = battery.run(detector, seen)
        for finding in said[-1] if said else ():
            assert finding.claim is not Claim.PRESENT
            needs_both = detector.condition in (
                Condition.FILTER_BREACH, Condition.BLOCKED_RUN, Condition.WEAK_FAN, Condition.SUCTION_LOST)
            if needs_both and not {"inlet_pa", "filter_pa"} <= set(channels):
                assert finding.claim is Claim.NOT_YET_KNOWN
                assert finding.reason


@both
def test_recognisers_keep_to_the_same_rules(knowledge: str) -> None:
    shop: Shop = SHOPS[knowledge](3)
    seen = stream(knowledge)
    before = [pickle.dumps(item) for item in seen]
    for at in range(2):
        first, second = shop.recognisers(shop.detectors())[at], shop.recognisers(shop.detectors())[at]
        for item in seen:
            if isinstance(item, Block):
                assert first.update(item) == second.update(item)
            else:
                first.event(item)
                second.event(item)
        third = shop.recognisers(shop.detectors())[at]
        third.restore(json.loads(json.dumps(first.snapshot())))
        assert third.snapshot() == first.snapshot()
        for spoil in (None, "?", [], {"a": 1}):
            for key in first.snapshot():
                third.restore({**first.snapshot(), key: spoil})
    assert [pickle.dumps(item) for item in seen] == before


def test_all_of_them_are_small_enough_to_keep() -> None:
    shop = barn(3, True)
    detectors = shop.detectors(CHANNELS)
    for item in stream("tour"):
        for detector in detectors:
            if isinstance(item, Block):
                detector.update(item)
    assert sum(len(json.dumps(d.snapshot())) for d in detectors) < 200_000
