"""The joint fit: against scipy's least squares, against drawn shops, and on simulated tours."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.optimize import least_squares

from analysis.baseline.fit import FitError, Problem, fit, problem, solve_problem
from analysis.baseline.model import Baseline, BaselineError, bent_design
from analysis.baseline.report import report, sentences
from analysis.baseline.steps import Measured, StepData, TourData
from analysis.duct.design import AsBuilt
from analysis.duct.solve import solve_many
from analysis.estimator.uncertain import names_of, prior_sd, uncertain_parts
from tests.analysis.estimator.shop_days import barn, toured
from tests.bench.shops import drawn_barn, random_shop

DESIGN = drawn_barn()[1]
NAMES = DESIGN.port_names
TOUR = ((), *((n,) for n in NAMES), (NAMES[0], NAMES[2]), (NAMES[1], NAMES[3]))


def measured(built: AsBuilt, drag: float, rng: np.random.Generator | None = None) -> tuple[StepData, ...]:
    """Steps as the engine itself would measure them in a shop built like this, with noise."""
    gates = np.array([[n in s for n in NAMES] for s in TOUR])
    points = solve_many(DESIGN, gates, filter_drag_pasm3=drag, as_built=built)
    steps = []
    for i, opened in enumerate(TOUR):
        values = {"inlet_pa": (points.inlet_pa[i], 4.0), "filter_pa": (points.filter_pa[i], 0.6),
                  "motor_a": (points.motor_a[i], 0.03)}
        noise = {n: (0.0 if rng is None else rng.normal(0, e)) for n, (_, e) in values.items()}
        steps.append(StepData(
            opened, 1000.0 + i, 60.0, {n: Measured(float(v) + noise[n], e) for n, (v, e) in values.items()}, log_volts=0.0))
    return tuple(steps)


@cache
def without_noise() -> Baseline:
    return fit(DESIGN, tour_data(measured(BUILT, DRAG)))


def tour_data(steps: tuple[StepData, ...], *, clean: bool = True) -> TourData:
    return TourData("day one", 1000.0, steps, {"inlet_pa": 1.0, "filter_pa": 0.5}, 0.003, clean)


DRAG = 1.05 * DESIGN.filter.clean_drag_pasm3
BUILT = AsBuilt(
    fan_pressure=1.03, fan_flow=0.98, port_k={"planer": 1.15, "bandsaw": 0.9, "lathe": 1.6, "shaving horse": 1.0},
    run_k={"main": 1.05, "east main": 0.95, "bench run": 1.1}, leak=1.5, motor_current=1.04)


@pytest.mark.parametrize("seed", [1, *(pytest.param(seed, marks=pytest.mark.long) for seed in (2, 3))])
def test_our_solver_reaches_the_minimum_that_scipy_finds(seed: int) -> None:
    """Levenberg-Marquardt of our own against scipy.optimize.least_squares on the same residuals."""
    task = problem(DESIGN, tour_data(measured(BUILT, DRAG, np.random.default_rng(seed))))
    x, covariance, _ = solve_problem(task)
    cost = float(task.residuals(x) @ task.residuals(x))
    reference = least_squares(task.residuals, task.prior_mean, lambda at: central(task, at), x_scale=task.prior)
    assert cost == pytest.approx(2.0 * reference.cost, abs=0.1)
    sd = np.sqrt(np.diag(covariance))
    assert np.abs((x - reference.x) / sd).max() < 0.35  # a tenth in the sum of squares is a third of a deviation
    slopes = central(task, x)
    assert sd == pytest.approx(np.sqrt(np.diag(np.linalg.inv(slopes.T @ slopes))), rel=1e-3)


def central(task: Problem, at: np.ndarray) -> np.ndarray:
    """The residuals' slopes by central differences. Those that scipy takes by itself have steps of 1e-8, at which the engine's
    last digits count: they are 3 to 10 % off."""
    steps = np.diag(1e-3 * task.prior)
    return np.stack([(task.residuals(at + one) - task.residuals(at - one)) / (2.0 * one.sum()) for one in steps], axis=1)


def test_simulated_shops_are_reached_by_scipy_and_us_alike() -> None:
    _, design = random_shop(2)  # a minimum on a kink of the fan curve, where steps only halve
    gates = np.vstack([np.zeros((1, len(design.ports))), np.eye(len(design.ports))]).astype(bool)
    points = solve_many(design, gates, filter_drag_pasm3=900.0, as_built=AsBuilt(fan_pressure=0.96, fan_flow=1.04))
    steps = tuple(
        StepData(tuple(n for n, o in zip(design.port_names, row, strict=True) if o), 0.0, 60.0,
                 {"inlet_pa": Measured(float(points.inlet_pa[i]), 4.0), "filter_pa": Measured(float(points.filter_pa[i]), 0.6)})
        for i, row in enumerate(gates))
    task = problem(design, tour_data(steps, clean=False))
    x = solve_problem(task)[0]
    cost = float(task.residuals(x) @ task.residuals(x))
    reference = least_squares(task.residuals, task.prior_mean, x_scale=task.prior)
    assert cost == pytest.approx(2.0 * reference.cost, abs=0.1)


def test_a_run_that_resists_more_is_found_with_its_uncertainty() -> None:
    baseline = fit(DESIGN, tour_data(measured(BUILT, DRAG, np.random.default_rng(4))))
    lines = {(line.kind, line.name): line for line in report(baseline)}
    lathe = lines["port", "lathe"]
    assert abs(math.log(lathe.ratio / 1.6)) < 2.0 * lathe.sd
    assert lathe.ratio > 1.3
    assert "the run to the lathe resists" in lathe.words
    assert "crushed hose" in lathe.words
    assert lines["port", "shaving horse"].words == ""
    assert any("lathe" in s for s in sentences(baseline))
    for kind, name, true in (("port", "planer", 1.15), ("port", "bandsaw", 0.9), ("fan", "pressure", 1.03)):
        line = lines[kind, name]
        assert abs(math.log(line.ratio / true)) < 2.5 * line.sd


@pytest.mark.long
@pytest.mark.slow
def test_what_the_fit_tells_of_flow_and_drag_is_true_and_honest() -> None:
    """Shops drawn from the prior: errors of flow and drag in the deviations that are told are about standard."""
    rng = np.random.default_rng(8)
    sd = dict(zip(names_of(DESIGN), prior_sd(DESIGN, 1.0, 0.5, 0.003), strict=True))
    flows, drags = [], []
    gates = np.array([[n in s for n in NAMES] for s in TOUR])
    for _ in range(40):
        built = AsBuilt(
            fan_pressure=math.exp(rng.normal(0, sd["fan_pressure"])), fan_flow=math.exp(rng.normal(0, sd["fan_flow"])),
            port_k={n: math.exp(rng.normal(0, sd[f"port:{n}"])) for n in NAMES},
            run_k={n: math.exp(rng.normal(0, sd[f"run:{n}"])) for n in DESIGN.run_names},
            leak=math.exp(rng.normal(0, sd["leak"])), motor_current=math.exp(rng.normal(0, sd["motor"])))
        drag = DESIGN.filter.clean_drag_pasm3 * math.exp(rng.normal(0, DESIGN.filter.uncertainty))
        baseline = fit(DESIGN, tour_data(measured(built, drag, rng)))
        truth = solve_many(DESIGN, gates, filter_drag_pasm3=drag, as_built=built).flow_m3s
        told = [(s.flow_m3s, s.flow_sd) for s in baseline.steps]
        flows.append([(f / t - 1.0) / (s / f) for (f, s), t in zip(told, truth, strict=True)])
        assert baseline.drag_pasm3 is not None
        assert baseline.drag_sd is not None
        drags.append(math.log(baseline.drag_pasm3 / drag) / (baseline.drag_sd / baseline.drag_pasm3))
    # The prior also allows for what the engine itself does not vary here (bends, the model's own misses), so the
    # spread lies below one; 40 draws of four ports know it to 5 %, the drag's to 11 %.
    assert 0.55 < np.sqrt(np.mean(np.square(np.array(flows)[:, 1:5]))) < 1.2
    assert 0.55 < np.sqrt(np.mean(np.square(drags))) < 1.2


@pytest.mark.parametrize("seed", [201, pytest.param(203, marks=pytest.mark.long)])
def test_a_simulated_tour_gives_flows_within_four_percent(seed: int) -> None:
    """On the plant, whose physics are its own. The truth is taken from its network at the air of that day."""
    from analysis.plant.network import Network

    shop, design = barn(seed)
    baseline = toured(seed)
    gates = np.array([[float(n in s.open_ports) for n in design.port_names] for s in baseline.steps])
    truth = Network(shop).solve(gates, np.full(len(gates), shop.bags.clean_drag)).flow_m3s
    for step, flow in zip(baseline.steps, truth, strict=True):
        if step.open_ports:
            # Motor slip and thick winter air move the flow itself by up to two per cent from the reference network.
            assert step.flow_m3s == pytest.approx(float(flow), rel=0.055)
            assert 0.005 < step.flow_sd / step.flow_m3s < 0.04
    assert baseline.misfit is not None
    assert baseline.misfit < 1.5


def test_a_step_measured_with_another_gate_open_is_named() -> None:
    steps = list(measured(BUILT, DRAG))
    wrong = steps[5]
    steps[2] = replace(wrong, open_ports=("bandsaw",))
    baseline = fit(DESIGN, tour_data(tuple(steps)))
    assert any("bandsaw" in note and "another gate open" in note for note in baseline.notes)


def test_pressures_alone_and_one_pressure_alone_can_be_fitted() -> None:
    for keep in (("inlet_pa", "filter_pa"), ("inlet_pa",)):
        steps = tuple(
            replace(s, channels={n: m for n, m in s.channels.items() if n in keep}) for s in measured(BUILT, DRAG))
        baseline = fit(DESIGN, tour_data(steps))
        assert baseline.as_built.port_k["lathe"] > 1.2


def test_after_a_fit_less_is_uncertain_than_before() -> None:
    baseline = without_noise()
    before = uncertain_parts(DESIGN, None, zero_inlet_pa=1.0, zero_filter_pa=1.0, density_sd=0.003)
    after = uncertain_parts(DESIGN, baseline, zero_inlet_pa=1.0, zero_filter_pa=1.0, density_sd=0.003)
    assert (np.diag(after.covariance) <= np.diag(before.covariance) * 1.001).all()
    assert np.linalg.eigvalsh(after.covariance).min() > -1e-12
    place = after.index("port:lathe")
    assert after.covariance[place, place] < 0.7 * before.covariance[place, place]


@pytest.mark.parametrize(("steps", "words"), [
    ((), "0 measured steps"), (measured(BUILT, DRAG)[:1], "two at least"),
    ((*measured(BUILT, DRAG)[:2], replace(measured(BUILT, DRAG)[2], open_ports=("router",))), "router")])
def test_a_tour_that_cannot_carry_a_fit_is_refused_in_words(steps: tuple[StepData, ...], words: str) -> None:
    with pytest.raises(FitError, match=words):
        fit(DESIGN, tour_data(steps))


def test_a_step_without_a_channel_of_the_model_is_refused() -> None:
    steps = measured(BUILT, DRAG)
    with pytest.raises(FitError, match="no channel"):
        fit(DESIGN, tour_data((steps[0], replace(steps[1], channels={"air_c": Measured(20.0, 0.1)}))))


def test_a_baseline_survives_json_and_refuses_what_is_none() -> None:
    baseline = without_noise()
    again = Baseline.from_dict(json.loads(json.dumps(baseline.to_dict())))
    assert again == baseline
    assert again.fits(DESIGN) is None
    with pytest.raises(BaselineError, match="format"):
        Baseline.from_dict({})
    spoiled = baseline.to_dict()
    spoiled["as_built"] = {"fan_pressure": "strong"}
    with pytest.raises(BaselineError, match="lacks or spoils"):
        Baseline.from_dict(spoiled)
    short = baseline.to_dict()
    short["covariance"] = short["covariance"][:-1]
    with pytest.raises(BaselineError, match="covariance"):
        Baseline.from_dict(short)


def test_a_bent_fan_gives_its_points_times_the_bend() -> None:
    bent = bent_design(DESIGN, (1.1, 1.0, 0.9))
    assert bent.fan.points[0].static_pa == pytest.approx(1.1 * DESIGN.fan.points[0].static_pa)
    assert bent.fan.points[-1].static_pa == pytest.approx(0.9 * DESIGN.fan.points[-1].static_pa)
    assert bent_design(DESIGN, (1.0, 1.0, 1.0)) is DESIGN
