"""The answer on two sides whose truth is known from EPANET-checked physics: the engine moved by a leak (``tests/analysis/duct``
holds the engine against EPANET and handbooks; shops of another plant are in ``tests/bench/compare.py``)."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analysis.compare.answer import CANNOT, GAINED, Answer, answer
from analysis.compare.steady import READINGS, Side, Stretch, reduce
from analysis.duct.design import Faults
from analysis.duct.solve import solve_many
from analysis.readings import Frame, RunState
from daemon.config.load import load

DESIGN = load(Path("daemon/demo/chair-barn.toml")).design
SETS = [(), *((name,) for name in DESIGN.port_names)]
CLEAN = DESIGN.filter.clean_drag_pasm3
LEAK_M2 = 8e-4
DAY = 86400.0


def side(day: float, leak_m2: float = 0.0, drag_x: float = 1.2, seed: int = 1, without: str = "") -> Side:
    """A check of all gates shut and each alone, one minute each, with noise of 0.2 %."""
    gates = np.array([[p in opened for p in DESIGN.port_names] for opened in SETS])
    points = solve_many(
        DESIGN, gates, filter_drag_pasm3=drag_x * CLEAN, faults=Faults(leak_m2={"main": leak_m2} if leak_m2 else {}))
    assert points.motor_a is not None
    rng, rows = np.random.default_rng(seed), []
    for i, opened in enumerate(SETS):
        true = dict(zip(READINGS, (-points.inlet_pa[i], points.filter_pa[i], points.motor_a[i]), strict=True))
        mean = {n: float(v * (1 + 0.002 * rng.standard_normal())) for n, v in true.items() if n != without}
        t = day * DAY + 30000.0 + 90.0 * i
        rows.append(Stretch(day, t, 60.0, opened, mean, dict.fromkeys(mean, 0.002)))
    return Side(tuple(rows), rows[0].t, rows[-1].t, 60.0 * len(rows), runs=1)


def truth(drag_x: float = 1.2) -> dict[str, float]:
    """What the leak does to the air at each port."""
    gates = np.eye(len(DESIGN.ports), dtype=bool)
    old, new = (
        solve_many(DESIGN, gates, filter_drag_pasm3=drag_x * CLEAN, faults=Faults(leak_m2={"main": m} if m else {}))
        for m in (0.0, LEAK_M2))
    return {p: float(new.port_flow_m3s[i, i] / old.port_flow_m3s[i, i] - 1) for i, p in enumerate(DESIGN.port_names)}


@pytest.fixture(scope="module")
def loaded() -> Answer:
    """A leak of eight square centimetres while the bags loaded by a half."""
    return answer(DESIGN, side(1.0), side(4.0, LEAK_M2, 1.8, seed=2), joined=("main",), name="new run")


def test_each_port_is_told_and_the_filter_apart(loaded: Answer) -> None:
    assert loaded.verdict == "lost"
    for port in loaded.ports:
        assert port.duct.low <= truth()[port.where] <= port.duct.high
        assert port.filter.high < 0.0
    assert len(loaded.lines) <= 3
    assert loaded.lines[0].startswith("Yes: the new run takes air from the ports, most at the ")
    assert "comes back with cleaning" in loaded.lines[1]


def test_a_port_that_was_not_opened_is_reckoned_from_the_others_and_said_to_be() -> None:
    def walked(one: Side) -> Side:
        rows = tuple(s for s in one.stretches if "lathe" not in s.open_ports)
        return replace(one, stretches=rows)

    found = answer(DESIGN, walked(side(1.0)), walked(side(4.0, LEAK_M2, seed=2)), joined=("main",))
    lathe = next(p for p in found.ports if p.where == "lathe")
    assert lathe.duct.low <= truth()["lathe"] <= lathe.duct.high < 0.0
    assert "Not opened in both periods, so calculated from the other ports: lathe." in found.notes


def test_a_stretch_with_its_gate_half_open_is_left_out() -> None:
    days = [side(1.0 + 0.1 * k, seed=10 + k).stretches for k in range(5)]
    odd = days[2][1]
    half = replace(odd, mean={**odd.mean, "filter_pa": 0.7 * odd.mean["filter_pa"], "inlet_pa": 1.06 * odd.mean["inlet_pa"]})

    def told(rows: tuple[Stretch, ...]) -> list[float]:
        one = Side(rows, rows[0].t, rows[-1].t, 60.0 * len(rows), runs=1)
        return [p.duct.value for p in answer(DESIGN, one, side(4.0, LEAK_M2, seed=2), joined=("main",)).ports]

    rows = tuple(s for day in days for s in day)
    without = told(tuple(s for s in rows if s is not odd))
    # The drags that were seen, and so the nodes between which the engine is interpolated, are not quite the same.
    assert told(tuple(half if s is odd else s for s in rows)) == pytest.approx(without, abs=2e-4)


def test_nothing_is_claimed_where_only_the_bags_loaded() -> None:
    found = answer(DESIGN, side(1.0), side(4.0, 0.0, 1.8, seed=3))
    assert found.verdict != "lost"
    assert not found.claimed
    assert found.lines[0].startswith(("No:", "Cannot tell"))


@pytest.mark.parametrize("missing", READINGS)
def test_with_a_channel_missing_the_truth_stays_inside(missing: str) -> None:
    found = answer(DESIGN, side(1.0, without=missing), side(4.0, LEAK_M2, seed=4, without=missing), joined=("main",))
    for port in found.ports:
        assert port.duct.low <= truth()[port.where] <= port.duct.high


def frames(t0: float, gates: dict[str, bool] | None, seconds: int = 600) -> list[Frame]:
    rows = [Frame(t0 + s, {"inlet_pa": 1.0, "filter_pa": 0.5, "motor_a": 0.0}, {}, None, RunState.OFF) for s in range(120)]
    for s in range(seconds):
        values = {"inlet_pa": -1500.0 + s % 3, "filter_pa": 200.0 + s % 2, "motor_a": 7.0}
        rows.append(Frame(t0 + 120 + s, values, {}, gates, RunState.RUNNING, float(s)))
    return rows


def test_with_unknown_gates_it_cannot_be_told_and_the_check_is_offered() -> None:
    sides = [reduce(DESIGN, frames(day * DAY, None)) for day in (1, 3)]
    assert sides[0].unknown_s == pytest.approx(600, abs=5)
    found = answer(DESIGN, *sides)
    assert (found.verdict, found.lines, found.known) == ("unclear", (CANNOT,), False)


def test_zeros_are_taken_off_and_a_gate_of_another_drawing_is_left_out() -> None:
    port = DESIGN.port_names[0]
    (stretch,) = reduce(DESIGN, frames(DAY, {port: True})).stretches
    assert stretch.open_ports == (port,)
    assert stretch.mean["inlet_pa"] == pytest.approx(1500.0, abs=0.5)
    assert stretch.seconds == pytest.approx(570, abs=5)
    strange = reduce(DESIGN, frames(DAY, {port: True, "new machine": True}))
    assert (strange.stretches, strange.strange) == ((), ("new machine",))


def test_whatever_was_measured_there_is_an_answer_in_words() -> None:
    whole, empty = side(1.0), Side(())
    odd = replace(whole, stretches=tuple(
        replace(s, mean={n: 30.0 * v for n, v in s.mean.items()}) for s in whole.stretches))
    shut = replace(whole, stretches=whole.stretches[:1])
    none = replace(whole, stretches=tuple(replace(s, mean={"motor_a": 5.0}, error={"motor_a": 0.01}) for s in whole.stretches))
    for before, after in ((empty, whole), (whole, empty), (whole, odd), (odd, whole), (shut, shut), (none, none), (shut, whole)):
        found = answer(DESIGN, before, after)
        assert 1 <= len(found.lines) <= 3
        assert all(line and "nan" not in line for line in found.lines)


def test_a_gain_at_the_ports_is_not_laid_to_the_run_that_was_added() -> None:
    found = answer(DESIGN, side(1.0, LEAK_M2), side(4.0, seed=2), joined=("main",))
    assert found.verdict == "unclear"
    assert not found.claimed
    assert found.lines[0] == GAINED


def drifting(t0: float, still_s: int, first_zero: float) -> list[Frame]:
    """A stop with one frame a minute, the last of them while the wheel already turns, then ten minutes of running."""
    rows = [Frame(t0 + s, {"inlet_pa": first_zero, "filter_pa": 0.0}, {}, None, RunState.OFF) for s in range(0, still_s, 60)]
    rows.append(Frame(t0 + still_s - 2, {"inlet_pa": -600.0, "filter_pa": 80.0}, {}, None, RunState.OFF))
    port = DESIGN.port_names[0]
    values = {"inlet_pa": -1500.0, "filter_pa": 200.0, "motor_a": 7.0}

    def running(s: int) -> Frame:
        read = values if s < 600 else {**values, "motor_a": 1.0}
        return Frame(t0 + still_s + s, read, {}, {port: True}, RunState.RUNNING, float(s))

    return [*rows, *map(running, range(604))]


@pytest.mark.parametrize("still_s", [120, 600])
def test_a_wheel_that_turns_already_is_no_zero_and_a_motor_that_is_off_already_no_running(still_s: int) -> None:
    rows = [*drifting(DAY, 900, 4.0), *drifting(DAY + 1600, still_s, 4.0)]
    for stretch in reduce(DESIGN, rows).stretches:
        assert stretch.mean["inlet_pa"] == pytest.approx(1504.0, abs=0.5)
        assert stretch.mean["motor_a"] == pytest.approx(7.0, abs=0.01)


def test_a_belt_that_slips_while_cold_is_no_loss_of_air() -> None:
    """Speed is 3 % short at the start and comes back within a quarter of an hour; by the fan laws the pressures go with its
    square and the current with its cube. Before the change the runs were short, after it long."""
    def slipping(day: float, seed: int, cold_s: float) -> Side:
        rows, one = [], side(day, seed=seed)
        for k in range(2):  # each gate set early in one run and late in another
            order = one.stretches if k else one.stretches[::-1]
            for i, s in enumerate(order):
                began = day * DAY + 20000.0 * (k + 1)
                end = began + 120.0 + cold_s * i
                speed = 1.0 - 0.03 * np.exp(-(end - began - 30.0) / 900.0)
                power = {"inlet_pa": 2.0, "filter_pa": 1.0, "motor_a": 2.0}
                rows.append(replace(s, run=began, t=end, mean={n: float(v * speed ** power[n]) for n, v in s.mean.items()}))
        return Side(tuple(rows), rows[0].t, rows[-1].t, 60.0 * len(rows), runs=2)

    found = answer(DESIGN, slipping(1.0, 1, 90.0), slipping(4.0, 2, 400.0), joined=("main",))
    assert not found.claimed
    assert all(p.duct.low <= 0.0 <= p.duct.high for p in found.ports)
