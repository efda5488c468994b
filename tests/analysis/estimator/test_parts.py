"""The small parts of the estimator: gate sets and habits, air, zeros, blocks, clean drag, uncertain parts."""

from __future__ import annotations

import json
import math

import numpy as np
import psychrolib
import pytest

from analysis.air import moist_air
from analysis.baseline.model import BEND_KNOTS, bend
from analysis.estimator.ambient import Ambient, change_since
from analysis.estimator.blocks import BLOCK_S, Blocks, Seen
from analysis.estimator.clean import CleanDrag
from analysis.estimator.gatesets import Habit, gate_sets
from analysis.estimator.rezero import Zero
from analysis.estimator.sensors import Sensors
from analysis.events import EventKind
from tests.bench.shops import drawn_barn

DESIGN = drawn_barn()[1]


def test_all_sets_up_to_ten_gates_and_few_open_beyond() -> None:
    assert len(gate_sets([True] * 10)) == 1024
    many = gate_sets([True] * 13)
    assert len(many) == 1 + 13 + 78 + 286 + 1
    assert many[-1].all()
    assert len({row.tobytes() for row in many}) == len(many)


def test_ports_without_a_gate_are_open_in_every_set() -> None:
    sets = gate_sets([True, False, True])
    assert sets[:, 1].all()
    assert len(sets) == 4


def test_habits_are_learned_fade_and_survive_a_restart() -> None:
    gated = [True] * 4
    sets = gate_sets(gated)
    names = ("a", "b", "c", "d")
    habit = Habit(sets, gated)
    first = np.exp(habit.log_prior())
    assert first.sum() == pytest.approx(1.0)
    assert first[1] == pytest.approx(first[2])  # one gate is as likely as another
    assert first[1] > first[5] > first[-1]  # one open more than two, two more than four
    for _ in range(20):
        habit.learn(2, 0.95)
    after = np.exp(habit.log_prior())
    assert after[2] > 0.7
    assert after[1] > 0.0
    again = Habit(sets, gated)
    again.restore(names, json.loads(json.dumps(habit.snapshot(names))))
    assert again.log_prior() == pytest.approx(habit.log_prior())
    for _ in range(200):
        habit.learn(3, 1.0)
    assert np.exp(habit.log_prior())[3] > np.exp(habit.log_prior())[2]


def test_density_follows_the_measured_air() -> None:
    """Against psychrolib (ASHRAE) for the density of moist air."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    ambient = Ambient(DESIGN.air)
    for celsius, humidity, pressure in ((2.0, 0.8, 98_000.0), (31.0, 0.4, 101_900.0)):
        state = ambient.at({"air_c": celsius, "air_rh": humidity, "barometer_pa": pressure})
        ratio = psychrolib.GetHumRatioFromRelHum(celsius, humidity, pressure)
        density = psychrolib.GetMoistAirDensity(celsius, ratio, pressure)
        assert state.density_kgm3 == pytest.approx(density, rel=2e-3)
        assert state.missing == ()
        assert state.density_sd < 0.005


def test_what_is_not_measured_is_the_designs_and_widens() -> None:
    state = Ambient(DESIGN.air).at({})
    assert state.density_ratio == 1.0
    assert state.missing == ("air temperature", "barometer")
    assert state.density_sd > 0.02
    half = Ambient(DESIGN.air).at({"air_c": DESIGN.air.temperature_c})
    assert half.missing == ("barometer",)
    assert half.density_sd < state.density_sd


def test_impossible_air_readings_do_not_break_anything() -> None:
    state = Ambient(DESIGN.air).at({"air_c": -39.0, "air_rh": 1.05, "barometer_pa": 60_000.0})
    assert math.isfinite(state.density_ratio)
    assert moist_air(-39.0, 60_000.0, 1.0).density_kgm3 == pytest.approx(state.density_kgm3, rel=0.01)


def test_air_changes_with_the_season() -> None:
    assert change_since(3600.0) < 0.015
    assert change_since(365.25 * 86400.0) < 0.015
    assert change_since(180 * 86400.0) > 0.03


def test_a_zero_is_the_mean_of_standstill_after_a_minute() -> None:
    zero = Zero(bound=60.0, sd=5.0)
    rng = np.random.default_rng(0)
    for t in range(60):
        zero.standing(float(t), 200.0)  # still coasting: not to be believed
    assert zero.offset == 0.0
    for t in range(60, 300):
        zero.standing(float(t), 7.0 + rng.normal(0, 0.5))
    assert zero.offset == pytest.approx(7.0, abs=0.2)
    assert zero.sd < 1.0
    assert not zero.beyond


def test_a_zero_beyond_belief_is_cut_back_and_told() -> None:
    zero = Zero(bound=60.0, sd=5.0)
    for t in range(200):
        zero.standing(float(t), -90.0)
    assert zero.offset == -60.0
    assert zero.beyond
    again = Zero(bound=60.0, sd=5.0)
    again.restore(json.loads(json.dumps(zero.snapshot())))
    assert (again.offset, again.beyond) == (-60.0, True)


def test_each_standstill_waits_anew() -> None:
    zero = Zero(bound=60.0, sd=5.0)
    for t in range(200):
        zero.standing(float(t), 5.0)
    zero.running()
    for t in range(1000, 1059):
        zero.standing(float(t), 40.0)
    assert zero.offset == pytest.approx(5.0)
    for t in range(1059, 1200):
        zero.standing(float(t), 9.0)
    assert zero.offset == pytest.approx(9.0)


def fill(blocks: Blocks, start: int, seconds: int, inlet: float, filtered: float, rng: np.random.Generator) -> list[Seen]:
    return [blocks.add(float(t), inlet + rng.normal(0, 5.0), filtered + rng.normal(0, 2.0), 9.0, None)
            for t in range(start, start + seconds)]


def test_blocks_close_every_ten_seconds_on_event_time() -> None:
    blocks, rng = Blocks((5.0, 2.0, 0.1, 5.0), 1.0), np.random.default_rng(1)
    blocks.begin(1000.0)
    seen = fill(blocks, 1000, 65, -2000.0, 300.0, rng)
    assert seen.count(Seen.EARLY) == 1
    closed = [1000 + i for i, s in enumerate(seen) if s is Seen.CLOSED]
    assert all(t % BLOCK_S == 0 for t in closed)
    assert len(closed) in (5, 6)
    assert blocks.mean[0] == pytest.approx(-2000.0, abs=8.0)
    assert blocks.mean[3] is None
    assert Seen.STEP not in seen


def test_a_step_is_seen_within_seconds_and_an_early_block_follows() -> None:
    blocks, rng = Blocks((5.0, 2.0, 0.1, 5.0), 1.0), np.random.default_rng(2)
    blocks.begin(0.0)
    fill(blocks, 0, 45, -2000.0, 300.0, rng)
    seen = fill(blocks, 45, 12, -1700.0, 340.0, rng)
    assert Seen.STEP in seen[:3]
    assert Seen.EARLY in seen[3:9]
    early = seen.index(Seen.EARLY)
    assert early < 9


def test_one_wild_frame_is_no_step() -> None:
    blocks, rng = Blocks((5.0, 2.0, 0.1, 5.0), 1.0), np.random.default_rng(3)
    blocks.begin(0.0)
    fill(blocks, 0, 45, -2000.0, 300.0, rng)
    assert blocks.add(45.0, -900.0, 300.0, 9.0, None) is Seen.NOTHING
    assert Seen.STEP not in fill(blocks, 46, 30, -2000.0, 300.0, rng)
    assert blocks.mean[0] == pytest.approx(-2000.0, abs=8.0)


def test_noise_is_learned_from_the_blocks() -> None:
    blocks, rng = Blocks((50.0, 20.0, 1.0, 5.0), 1.0), np.random.default_rng(4)
    blocks.begin(0.0)
    fill(blocks, 0, 2000, -2000.0, 300.0, rng)
    assert math.sqrt(blocks.frame_var[0]) == pytest.approx(5.0, rel=0.2)
    assert math.sqrt(blocks.block_var[0]) == pytest.approx(5.0 / math.sqrt(10.0), rel=0.4)
    again = Blocks((50.0, 20.0, 1.0, 5.0), 1.0)
    again.restore(json.loads(json.dumps(blocks.snapshot())))
    assert again.frame_var == blocks.frame_var
    again.restore({"frame_var": "nonsense", "block_var": [1.0]})
    assert again.frame_var == blocks.frame_var


def test_clean_drag_is_learned_once_and_again_from_new_bags() -> None:
    clean = CleanDrag(DESIGN, None)
    assert clean.source == "design"
    start = clean.log_drag

    def run(value: float) -> None:
        clean.watch()
        for _ in range(100):
            clean.learn(value, 0.02, 10.0)

    clean.event(EventKind.CLEANED)
    run(start + 0.10)
    assert clean.source == "cleaning"
    assert clean.log_drag == pytest.approx(start + 0.10)
    clean.event(EventKind.CLEANED)
    run(start + 0.30)  # residual drag creeps: the reference must not creep with it
    assert clean.log_drag == pytest.approx(start + 0.10)
    clean.event(EventKind.REPLACED)
    run(start - 0.05)
    assert clean.log_drag == pytest.approx(start - 0.05)
    again = CleanDrag(DESIGN, None)
    again.restore(json.loads(json.dumps(clean.snapshot())))
    assert again.log_drag == clean.log_drag


def test_bends_share_the_curve_between_them() -> None:
    for share in np.linspace(0.0, 1.2, 50):
        assert sum(bend(float(share))) == pytest.approx(1.0)
    for i, knot in enumerate(BEND_KNOTS):
        assert bend(knot)[i] == pytest.approx(1.0)


@pytest.mark.parametrize("sd", [{"inlet_pa": 0.0}, {"inlet_pa": -1.0}])
def test_sensors_refuse_an_impossible_spread(sd: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="must be positive"):
        Sensors(sd)
