"""Every fault moves inlet suction, bag pressure and current the way trade practice says it does.

The table of signs is common practice, checked on a toy model (quadratic fan and ducts, linear bags); it has no single
published source. Each row compares one healthy and one faulted minute of the same shop, same gates, same seed.
"""

from __future__ import annotations

import numpy as np
import pytest

from analysis.plant.asbuilt import as_built
from analysis.plant.blocks import Block
from analysis.plant.day import steady
from analysis.plant.dust import DustState
from analysis.plant.faults import Fault, FaultKind
from analysis.plant.shop import PlantShop
from analysis.plant.simulate import simulate
from analysis.plant.weather import Weather
from tests.support.barn import barn

NOON = 1_772_452_800.0
CHANNELS = ("inlet_pa", "filter_pa", "motor_a")


def minute(shop: PlantShop, gates: tuple[str, ...], fault: Fault | None = None, ratio: float = 1.3) -> Block:
    state = DustState.at(shop.bags, ratio, 0.2)
    faults = () if fault is None else (fault,)
    blocks = simulate(shop, steady(gates, NOON, 120.0), 5, faults, state=state, weather=Weather(5, 15.0, 99_000.0))
    return next(block for block in blocks if block.truth.fan.any())


def moved(before: Block, after: Block) -> tuple[float, ...]:
    """Relative change of the size of each channel over the steady second minute of a run."""
    steady_part = slice(60, 118)
    return tuple(
        float(np.mean(np.abs(after.channels[name][steady_part])) / np.mean(np.abs(before.channels[name][steady_part])) - 1.0)
        for name in CHANNELS
    )


@pytest.fixture(scope="module", params=[1, pytest.param(2, marks=pytest.mark.long)])
def shop(request: pytest.FixtureRequest) -> PlantShop:
    return as_built(barn(), request.param)


UP, DOWN = 1, -1
ROWS = [
    ("plugged run", Fault(FaultKind.BLOCKED_RUN, 0.0, where="planer", size=0.6), (UP, DOWN, DOWN)),
    ("plugged main", Fault(FaultKind.BLOCKED_RUN, 0.0, where="main", size=0.6), (UP, DOWN, DOWN)),
    ("gate left open", Fault(FaultKind.GATE_LEFT_OPEN, 0.0, where="lathe"), (DOWN, UP, UP)),
    ("hose off", Fault(FaultKind.HOSE_OFF, 0.0, where="planer"), (DOWN, UP, UP)),
    ("leak", Fault(FaultKind.LEAK, 0.0, where="east main", size=2e-3), (DOWN, UP, UP)),
    ("added run", Fault(FaultKind.ADDED_RUN, 0.0, where="main", size=4e-4), (DOWN, UP, UP)),
    ("leak between tap and fan", Fault(FaultKind.COLLAR_LEAK, 0.0, size=2e-3), (DOWN, UP, UP)),
    ("plug between tap and fan", Fault(FaultKind.COLLAR_PLUG, 0.0, size=0.6), (DOWN, DOWN, DOWN)),
    ("torn bag", Fault(FaultKind.TORN_BAG, 0.0, size=0.5), (UP, DOWN, UP)),
    ("blinded filter", Fault(FaultKind.FILTER_BLINDED, 0.0, size=1.0), (DOWN, UP, DOWN)),
    ("weak fan", Fault(FaultKind.WEAK_FAN, 0.0, size=0.10), (DOWN, DOWN, DOWN)),
    ("low voltage", Fault(FaultKind.LOW_VOLTAGE, 0.0, size=0.12), (DOWN, DOWN, UP)),
]


@pytest.mark.parametrize(("fault", "signs"), [row[1:] for row in ROWS], ids=[row[0] for row in ROWS])
def test_a_fault_moves_the_readings_as_practice_says(shop: PlantShop, fault: Fault, signs: tuple[int, ...]) -> None:
    before, after = minute(shop, ("planer",)), minute(shop, ("planer",), fault)
    for name, sign, change in zip(CHANNELS, signs, moved(before, after), strict=True):
        assert sign * change > 0.001, f"{fault.kind} moves {name} by {change:+.2%}"


def test_a_loaded_filter_and_an_overfull_bag_move_them_alike(shop: PlantShop) -> None:
    """Down, up, down: both are drag."""
    for change, sign in zip(moved(minute(shop, ("planer",)), minute(shop, ("planer",), ratio=2.6)), (-1, 1, -1), strict=True):
        assert sign * change > 0.005


def test_a_dragging_motor_moves_only_the_current(shop: PlantShop) -> None:
    fault = Fault(FaultKind.MOTOR_DRAG, 0.0, size=0.25)
    inlet, bags, amps = moved(minute(shop, ("planer",)), minute(shop, ("planer",), fault))
    assert amps > 0.10
    assert abs(inlet) < 0.03
    assert abs(bags) < 0.02


def test_a_plugged_tube_moves_only_its_own_channel(shop: PlantShop) -> None:
    fault = Fault(FaultKind.TUBE_PLUGGED, NOON + 60.0, where="filter_pa")
    quiet, plugged = minute(shop, ("planer",), ratio=1.3), minute(shop, ("planer",), fault)
    inlet, _, amps = moved(quiet, plugged)
    assert abs(inlet) < 1e-9
    assert abs(amps) < 1e-9
    held = plugged.channels["filter_pa"][61:118]
    left = held - np.polyval(np.polyfit(np.arange(len(held)), held, 1), np.arange(len(held)))
    assert np.std(left) == pytest.approx(shop.sensors["filter_pa"].noise, rel=0.25), "only the sensor's own noise is left"


def test_torn_bag_and_gate_shut_are_told_apart_by_the_current(shop: PlantShop) -> None:
    """Both raise suction and lower the bags' pressure; current rises for one and falls for the other."""
    two = minute(shop, ("planer", "lathe"))
    shut = moved(two, minute(shop, ("planer",)))
    torn = moved(two, minute(shop, ("planer", "lathe"), Fault(FaultKind.TORN_BAG, 0.0, size=0.6)))
    assert shut[0] > 0
    assert shut[1] < 0
    assert shut[2] < 0
    assert torn[0] > 0
    assert torn[1] < 0
    assert torn[2] > 0


def test_a_drag_of_one_and_three_quarters_costs_little_flow(shop: PlantShop) -> None:
    """The trap of the trade: near a steep fan curve the drag criterion fires when only 1.5 to 5 % of flow is gone."""
    block = minute(shop, ("planer",), ratio=1.75)
    assert 0.015 < float(block.truth.flow_lost[90]) < 0.05
