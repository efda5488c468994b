"""Weighing gate sets and following the drag: against general Gaussian algebra (scipy) and against drawn shops."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.linalg import solve_discrete_are
from scipy.stats import multivariate_normal

from analysis.estimator.gatesets import gate_sets
from analysis.estimator.response import Response
from analysis.estimator.slow import Belief, Slope, absorb, first_gain, slope_at, steady_gain
from analysis.estimator.uncertain import uncertain_parts
from analysis.estimator.weigh import SMALL_SD, DragGuess, Looks, SetPriors, alternatives, judge
from tests.bench.shops import drawn_barn
from tests.support.thoroughness import draws

DESIGN = drawn_barn()[1]
SETS = gate_sets([p.has_gate for p in DESIGN.ports])
CHANNELS = np.array([0, 1, 2])
NOISE = np.array([36.0, 4.0, 0.01])


@pytest.fixture(scope="module")
def response() -> Response:
    parts = uncertain_parts(DESIGN, None, zero_inlet_pa=3.0, zero_filter_pa=2.0, density_sd=0.01)
    return Response(DESIGN, None, parts, SETS)


def even_priors() -> SetPriors:
    usual = np.full(len(SETS), -math.log(len(SETS)))
    return SetPriors(usual, usual - 5.0, usual - 5.0, usual - 7.0)


def test_weights_are_those_of_the_full_gaussians(response: Response) -> None:
    """Posterior over gate sets against scipy's multivariate normal density with the covariance put together by hand."""
    guess = DragGuess(response.log_clean + 0.5, 0.05**2, 0.0, np.zeros(len(response.uncertain.names)))
    column = response.column(2)
    truth = column.y[3, :3] * np.array([1.01, 0.99, 1.005])
    verdict = judge(response, Looks(CHANNELS, truth, NOISE), [guess], even_priors())
    logs = []
    for i in range(len(SETS)):
        j = np.asarray(column.to_parts[i, :3], dtype=float)
        a, d = column.along[i, :3], column.to_drag[i, :3]
        covariance = j @ response.uncertain.covariance @ j.T + np.diag(NOISE)
        covariance += SMALL_SD**2 * np.outer(a, a) + 0.05**2 * np.outer(d, d)
        logs.append(multivariate_normal(column.y[i, :3], covariance).logpdf(truth))
    wanted = np.exp(np.array(logs) - max(logs))
    assert verdict.weight == pytest.approx(wanted / wanted.sum(), abs=2e-3)


def test_the_true_set_holds_its_share_of_weight(response: Response) -> None:
    """Drawn from the model itself, the probability that is told is the frequency with which it is right."""
    rng = np.random.default_rng(5)
    guess = DragGuess(response.log_clean + 0.5, 0.02**2, 0.0, np.zeros(len(response.uncertain.names)))
    column = response.column(2)
    root = np.linalg.cholesky(response.uncertain.covariance)
    told, right = 0.0, 0
    for _ in range(400):
        row = int(rng.integers(len(SETS)))
        parts = root @ rng.normal(size=root.shape[0])
        y = column.y[row, :3] + np.asarray(column.to_parts[row, :3], dtype=float) @ parts + rng.normal(size=3) * np.sqrt(NOISE)
        y += column.to_drag[row, :3] * rng.normal(0, 0.02) + column.along[row, :3] * rng.normal(0, SMALL_SD)
        verdict = judge(response, Looks(CHANNELS, y, NOISE), [guess], even_priors())
        told += float(verdict.weight[verdict.best])
        right += verdict.best == row
    assert right / 400 == pytest.approx(told / 400, abs=0.07)


def test_a_far_departure_is_told_as_one(response: Response) -> None:
    guess = DragGuess(response.log_clean + 0.5, 0.02**2, 0.0, np.zeros(len(response.uncertain.names)))
    flow = response.column(2).flow[3]
    y, _ = response.curve(guess.mean, np.array([0.5 * flow]))
    priors = even_priors()
    for other in (priors.usual, priors.changed, priors.broken):
        other[[i for i in range(len(SETS)) if i != 3]] = -50.0  # a gate sensor says which gate is open
    priors.departed[[i for i in range(len(SETS)) if i != 3]] = -50.0
    verdict = judge(response, Looks(CHANNELS, y[0, :3], NOISE), [guess], priors)
    assert verdict.best == 3
    assert verdict.departure < -0.3
    start = Belief(
        np.array([guess.mean, verdict.departure]), np.diag([guess.variance, verdict.departure_sd**2]),
        np.zeros((2, guess.cross.size)))
    belief, _, _ = absorb(response, 3, start, Looks(CHANNELS, y[0, :3], NOISE), 0.0)
    assert belief.mean[1] == pytest.approx(-0.5, abs=0.03)
    assert belief.mean[0] == pytest.approx(guess.mean, abs=0.03)


@pytest.mark.parametrize("speed", [0.97, 0.92])
def test_a_slow_fan_is_told_from_gates_and_drag(response: Response, speed: float) -> None:
    guess = DragGuess(response.log_clean + 0.5, 0.02**2, 0.0, np.zeros(len(response.uncertain.names)))
    tight = Response(DESIGN, None, response.uncertain.__class__(
        response.uncertain.names, response.uncertain.covariance * 0.05), SETS)
    local = tight.at(guess.mean - math.log(speed))
    y = local.y[3, :3] * speed**2
    column = tight.column(tight.node(guess.mean))
    y[2] = local.y[3, 2] + 3.0 * math.log(speed) * column.to_power[3]
    priors = even_priors()
    priors.usual[3] = -4.0  # readings stepped: the same set in the usual way is unlikely
    verdict = judge(tight, Looks(CHANNELS, y, NOISE), [guess], priors)
    assert verdict.best == 3
    assert math.exp(verdict.log_speed) == pytest.approx(speed, abs=0.012)


def test_one_wrong_channel_is_doubted_and_named(response: Response) -> None:
    guess = DragGuess(response.log_clean + 0.5, 0.02**2, 0.0, np.zeros(len(response.uncertain.names)))
    tight = Response(DESIGN, None, response.uncertain.__class__(
        response.uncertain.names, response.uncertain.covariance * 0.02), SETS)
    y = tight.at(guess.mean).y[3, :3].copy()
    y[0] += 320.0
    priors = even_priors()
    for array in (priors.usual, priors.changed, priors.departed, priors.broken):
        array[[i for i in range(len(SETS)) if i != 3]] = -50.0
    priors.usual[3] = -4.0
    verdict = judge(tight, Looks(CHANNELS, y, NOISE), [guess], priors)
    assert (verdict.best, verdict.doubt) == (3, 0)


def test_alternatives_are_the_smallest_group() -> None:
    weight = np.array([0.05, 0.5, 0.0, 0.4, 0.05])
    assert alternatives(weight, share=0.85) == [1, 3]
    assert len(alternatives(np.full(100, 0.01), most=8)) == 8


def test_the_consider_update_knows_its_own_error(response: Response) -> None:
    """Shops drawn from the prior of the linear model: the variance that is told is that of the errors."""
    rng = np.random.default_rng(9)
    row, shift = 3, 0.0
    covariance = response.uncertain.covariance * 0.15  # small, so that the model stays linear
    linear = Response(DESIGN, None, response.uncertain.__class__(response.uncertain.names, covariance), SETS)
    centre = response.log_clean + 0.5
    slope = slope_at(linear, row, centre, 0.0, Looks(CHANNELS, np.zeros(3), NOISE))
    j = np.asarray(linear.column(2).to_parts[row, :3], dtype=float)
    root = np.linalg.cholesky(covariance)
    errors, told = [], 0.0
    for _ in range(draws(2400)):
        drag, departure = rng.normal(0, 0.08), rng.normal(0, SMALL_SD)
        y = np.array(slope.y) + np.array(slope.to_drag) * drag + np.array(slope.along) * departure
        y += j @ (root @ rng.normal(size=root.shape[0])) + rng.normal(size=3) * np.sqrt(NOISE)
        prior = Belief(np.array([centre, 0.0]), np.diag([0.08**2, SMALL_SD**2]), np.zeros((2, root.shape[0])))
        post, _, _ = absorb(linear, row, prior, Looks(CHANNELS, y, NOISE), shift)
        errors.append(post.mean[0] - centre - drag)
        told = float(post.variance[0, 0])
    assert np.std(errors) == pytest.approx(math.sqrt(told), rel=0.08)  # 600 draws know it to 3 %
    assert abs(np.mean(errors)) < 0.2 * math.sqrt(told)  # the model curves a little over eight per cent of drag


def test_a_thousand_looks_do_not_make_the_drag_surer_than_the_shop(response: Response) -> None:
    parts = len(response.uncertain.names)
    belief = Belief(np.array([response.log_clean + 0.5, 0.0]), np.diag([0.3**2, 1e-8]), np.zeros((2, parts)))
    y = response.at(response.log_clean + 0.5).y[3, :3]
    seen = []
    for _ in range(1000):
        belief, _, _ = absorb(response, 3, belief, Looks(CHANNELS, y, NOISE), 0.0)
        seen.append(math.sqrt(belief.variance[0, 0]))
    column = response.column(2)
    # With everything else perfectly repeated, what remains is what the uncertain parts do to drag = pressure / flow.
    floor = np.asarray(column.to_parts[3, :3], dtype=float)
    assert seen[-1] > 0.01
    assert seen[-1] == pytest.approx(seen[100], rel=0.05)
    assert floor.shape == (3, parts)


def test_the_steady_gain_solves_the_riccati_equation() -> None:
    """Against scipy's solver of the discrete algebraic Riccati equation."""
    slope = Slope(7.0, 0.0, (-2000.0, 400.0), (-2000.0, 400.0), (330.0, 370.0), (900.0, 400.0), -1.0, -1.0, -0.08)
    noise, wander = (100.0, 4.0), (4e-6, 2.5e-6)
    h = np.array([[330.0, 900.0], [370.0, 400.0]])
    predicted = solve_discrete_are(np.eye(2), h.T, np.diag(wander), np.diag(noise))
    wanted = predicted @ h.T @ np.linalg.inv(h @ predicted @ h.T + np.diag(noise))
    found = steady_gain(slope, noise, *wander)
    assert np.array([found.drag, found.departure]) == pytest.approx(wanted, rel=0.02)
    posterior = predicted - wanted @ h @ predicted
    assert (found.drag_var, found.departure_var) == pytest.approx((posterior[0, 0], posterior[1, 1]), rel=0.02)


def test_a_single_gain_is_the_textbook_kalman_gain() -> None:
    slope = Slope(7.0, 0.0, (-2000.0, 400.0), (-2000.0, 400.0), (330.0, 370.0), (900.0, 400.0), -1.0, -1.0, -0.08)
    h, p, r = np.array([[330.0, 900.0], [370.0, 400.0]]), np.diag([1e-3, 2e-4]), np.diag([100.0, 4.0])
    wanted = p @ h.T @ np.linalg.inv(h @ p @ h.T + r)
    found = first_gain(slope, (100.0, 4.0), 1e-3, 2e-4)
    assert np.array([found.drag, found.departure]) == pytest.approx(wanted)


def test_the_model_at_a_point_is_the_table_and_its_slopes(response: Response) -> None:
    looks = Looks(CHANNELS, np.zeros(3), NOISE, log_density=0.03, log_volts=0.02)
    at = slope_at(response, 5, response.log_clean + 0.4, -0.2, looks)
    more = slope_at(response, 5, response.log_clean + 0.401, -0.2, looks)
    wider = slope_at(response, 5, response.log_clean + 0.4, -0.199, looks)
    assert at.to_drag == pytest.approx(((np.array(more.y) - np.array(at.y)) / 1e-3).tolist(), rel=0.03, abs=0.02)
    assert at.along == pytest.approx(((np.array(wider.y) - np.array(at.y)) / 1e-3).tolist(), rel=0.03)
    assert math.exp(at.log_flow - at.plain_log_flow) == pytest.approx(0.8)


def test_a_belief_survives_json_and_refuses_another_shop(response: Response) -> None:
    import json

    belief = Belief(np.array([7.0, 0.1]), np.diag([0.1, 0.2]), np.ones((2, 4)))
    again = Belief.restored(json.loads(json.dumps(belief.snapshot())), 4)
    assert again is not None
    assert again.mean.tolist() == [7.0, 0.1]
    assert Belief.restored(belief.snapshot(), 5) is None
    assert Belief.restored({"mean": "x"}, 4) is None
    unknown = {"mean": [float("nan"), 0.0], "variance": [[1, 0], [0, 1]], "cross": np.ones((2, 4)).tolist()}
    assert Belief.restored(unknown, 4) is None
