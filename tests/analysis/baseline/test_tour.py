"""The guided tour: what it asks for, when it believes a step, what it refuses, and going on after a break."""

from __future__ import annotations

import json
from collections.abc import Iterator

import numpy as np
import pytest

from analysis.baseline.fit import fit
from analysis.baseline.plan import plan
from analysis.baseline.recording import gather
from analysis.baseline.status import Phase
from analysis.baseline.steps import BLOCK_S, judge_steady
from analysis.baseline.tour import Tour
from analysis.estimator.sensors import Sensors
from analysis.plant.simulate import simulate
from analysis.readings import Frame, RunState
from analysis.run_state import RunDetector, RunThresholds
from tests.analysis.estimator.shop_days import SD, WITH_AIR, barn, frames, tour_spans
from tests.bench.shops import drawn_barn, random_shop

DESIGN = drawn_barn()[1]
BLOCKS = 12


def ar1(rng: np.random.Generator, mean: float, sd: float, rho: float, n: int = BLOCKS) -> list[float]:
    values = [rng.normal()]
    for _ in range(n - 1):
        values.append(rho * values[-1] + np.sqrt(1 - rho * rho) * rng.normal())
    return [mean + sd * v for v in values]


def test_correlated_but_steady_readings_are_believed() -> None:
    """100 steps of correlated noise of 0.3 %: hardly any is refused, and the error told holds the true mean."""
    rng = np.random.default_rng(2)
    refused, inside = 0, 0
    for _ in range(100):
        judged = judge_steady({
            "inlet_pa": ar1(rng, -2000.0, 6.0, 0.5), "filter_pa": ar1(rng, 300.0, 0.9, 0.5), "motor_a": ar1(rng, 9.0, 0.05, 0.3)})
        if judged.steady:
            inside += abs(judged.channels["inlet_pa"].mean + 2000.0) < 2.5 * judged.channels["inlet_pa"].error
        else:
            refused += 1
    assert refused <= 5
    assert inside >= 0.85 * (100 - refused)


@pytest.mark.parametrize("rate", [0.04, -0.04])
def test_a_drift_is_refused_with_its_direction_and_rate(rate: float) -> None:
    rng = np.random.default_rng(3)
    values = [-2000.0 * (1.0 + rate * i / BLOCKS) + rng.normal(0, 3.0) for i in range(BLOCKS)]
    judged = judge_steady({"inlet_pa": values, "filter_pa": [300.0 + rng.normal(0, 0.5) for _ in values]})
    assert judged.steady is False
    assert ("rises" if rate > 0 else "falls") in judged.reason
    assert "the inlet pressure" in judged.reason


def test_a_jump_is_refused_as_a_gate_that_moved() -> None:
    values = [-2000.0] * 6 + [-1700.0] * 6
    judged = judge_steady({"inlet_pa": values, "filter_pa": [300.0] * 12})
    assert judged.steady is False
    assert "did a gate" in judged.reason


def test_wild_readings_are_refused_since_their_mean_says_nothing() -> None:
    rng = np.random.default_rng(5)
    judged = judge_steady({"inlet_pa": ar1(rng, -2000.0, 55.0, 0.3), "filter_pa": [300.0 + i % 2 for i in range(12)]})
    assert judged.steady is False
    assert judged.reason


def test_too_little_is_not_yet_a_verdict() -> None:
    assert judge_steady({"inlet_pa": [-2000.0] * 4}).steady is None
    assert judge_steady({}).steady is None


def test_the_plan_is_all_shut_each_alone_and_pairs_that_share_little() -> None:
    steps = plan(DESIGN, pairs=2)
    assert steps[0] == ()
    assert steps[1:5] == tuple((n,) for n in DESIGN.port_names)
    # The two pairs take one port from each of the two branches.
    east = {"planer", "bandsaw"}
    for a, b in steps[5:]:
        assert (a in east) != (b in east)
    assert len({p for s in steps[5:] for p in s}) == 4
    assert len(plan(DESIGN, pairs=0)) == 5


def test_ports_without_a_gate_are_no_step() -> None:
    from dataclasses import replace

    design = replace(DESIGN, ports=(replace(DESIGN.ports[0], gate_k=None), *DESIGN.ports[1:]))
    assert ("planer",) not in plan(design)
    assert all("planer" not in s for s in plan(design))


def shop_frames(seed: int) -> Iterator[tuple[Frame, tuple[str, ...]]]:
    shop, _ = barn(seed)
    runs = RunDetector(RunThresholds.for_motor(shop.motor.full_load_a))
    for block in simulate(shop, tour_spans(shop), seed, channels=WITH_AIR, idle_step_s=5.0):
        for i, frame in enumerate(frames(block, runs, None)):
            yield frame, tuple(n for n, o in zip(block.ports, block.truth.gates[i], strict=True) if o)


def walk(tour: Tour, seed: int, stop_after: int | None = None) -> None:
    """Play the owner: ready as soon as the gates of the step stand and the fan runs."""
    for frame, opened in shop_frames(seed):
        status = tour.update(frame)
        if tour.done or (stop_after is not None and len(status.measured) >= stop_after):
            return
        if status.phase in (Phase.SET, Phase.REFUSED) and frame.state is RunState.RUNNING and opened == status.open_ports:
            tour.ready()


def test_a_simulated_tour_is_walked_to_its_end_and_fitted() -> None:
    shop, design = barn(202)
    names = shop.port_names
    steps = [(), *((n,) for n in names), (names[0], names[1]), (names[1], names[2]), (names[2], names[3])]
    tour = Tour(design, name="first day", sensors=Sensors(SD), clean=True, steps=steps)
    assert tour.status.phase is Phase.ZERO
    assert "fan off" in tour.status.words
    walk(tour, 202)
    assert tour.done
    assert list(tour.status.measured) == steps
    baseline = fit(design, tour.data())
    assert baseline.clean
    assert baseline.misfit is not None
    assert baseline.misfit < 1.5
    data = tour.data()
    assert data.zero_sd["inlet_pa"] < 5.0
    assert data.density_sd < 0.005
    assert data.steps[0].log_volts is not None
    marked, refused = gather(
        design, (f for f, _ in _marked(202)), "recording", sensors=Sensors(SD), clean=True)
    assert not refused
    assert fit(design, marked).as_built.fan_pressure == pytest.approx(baseline.as_built.fan_pressure, rel=0.01)


def _marked(seed: int) -> Iterator[tuple[Frame, tuple[str, ...]]]:
    from dataclasses import replace

    names = barn(seed)[0].port_names
    for frame, opened in shop_frames(seed):
        yield replace(frame, gates={n: n in opened for n in names}), opened


def test_a_tour_goes_on_after_a_break() -> None:
    _, design = barn(202)
    names = design.port_names
    steps = [(), *((n,) for n in names)]
    first = Tour(design, name="in two parts", sensors=Sensors(SD), steps=steps)
    walk(first, 202, stop_after=2)
    again = Tour.restored(design, json.loads(json.dumps(first.snapshot())), Sensors(SD))
    assert list(again.status.measured) == steps[:2]
    assert again.status.open_ports == steps[2]
    assert again.status.phase is Phase.SET
    walk(again, 202)
    assert again.done
    assert len(again.data().steps) == 5


def test_a_tour_of_another_design_or_version_is_refused() -> None:
    _, other = random_shop(3)
    kept = Tour(DESIGN, name="x").snapshot()
    with pytest.raises(ValueError, match="other ports"):
        Tour.restored(other, kept)
    with pytest.raises(ValueError, match="format"):
        Tour.restored(DESIGN, {**kept, "format": 99})


def running(t: float, inlet: float = -2000.0, state: RunState = RunState.RUNNING) -> Frame:
    rng = np.random.default_rng(int(t * 10))
    return Frame(t, {"inlet_pa": inlet + rng.normal(0, 6), "filter_pa": 300.0 + rng.normal(0, 1)}, state=state, run_s=60.0)


def test_a_step_that_never_settles_is_refused_and_can_be_tried_again_or_skipped() -> None:
    tour = Tour(DESIGN, name="x", steps=[("planer",), ("lathe",)])
    tour.ready()  # he knows better than the zeros
    assert tour.status.phase is Phase.SET
    tour.ready()
    t = 0.0
    while tour.status.phase is Phase.MEASURE and t < 400.0:
        tour.update(running(t, -2000.0 - 2.0 * t))
        t += 1.0
    assert t < 200.0
    assert tour.status.phase is Phase.REFUSED
    assert "rises" in tour.status.reason
    tour.ready()
    while tour.status.phase is Phase.MEASURE:
        tour.update(running(t))
        t += 1.0
    assert tour.status.measured == (("planer",),)
    assert tour.status.open_ports == ("lathe",)
    tour.skip()
    assert tour.done
    assert tour.status.skipped == (("lathe",),)
    tour.again(("lathe",))
    assert not tour.done
    with pytest.raises(ValueError, match="no step"):
        tour.again(("router",))


def test_a_fan_that_stops_ends_the_step() -> None:
    tour = Tour(DESIGN, name="x", steps=[("planer",)])
    tour.ready()
    tour.ready()
    for t in range(20):
        tour.update(running(float(t)))
    assert 0.0 < tour.status.progress < 1.0
    tour.update(running(20.0, state=RunState.STOPPING))
    assert tour.status.phase is Phase.REFUSED
    assert "the fan stopped" in tour.status.reason
    json.dumps(tour.status.to_dict())


def test_waiting_for_the_fan_is_no_fault() -> None:
    tour = Tour(DESIGN, name="x", steps=[("planer",)])
    tour.ready()
    tour.ready()
    for t in range(30):
        tour.update(running(float(t), state=RunState.STARTING))
    assert tour.status.phase is Phase.MEASURE
    for t in range(30, 30 + int(14 * BLOCK_S)):
        tour.update(running(float(t)))
    assert tour.done
