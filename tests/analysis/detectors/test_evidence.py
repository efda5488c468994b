"""The arithmetic of evidence against general-purpose references."""

from __future__ import annotations

import math
from random import Random

import numpy as np
import pytest
from scipy import stats

from analysis.detectors.budget import FALSE_ALARMS, RUNNING_S, STATISTICAL, certainty, needed
from analysis.detectors.curve import OwnCurve
from analysis.detectors.isolate import _Grid
from analysis.detectors.keeping import fits, sound


def test_a_sum_of_log_likelihood_ratios_passes_its_threshold_no_more_often_than_the_budget_says() -> None:
    """Page's sum of the ratio of two normals, 400 shops of 720 looks in ordinary running (Wald's inequality: at most the share
    of the budget)."""
    rng, threshold, shift = Random(7), needed(300.0), 1.5
    looks, passed, shops = int(RUNNING_S / 300.0), 0, 400
    for _ in range(shops):
        total = 0.0
        for _ in range(looks):
            total = max(0.0, total + shift * rng.gauss(0.0, 1.0) - 0.5 * shift * shift)
            if total > threshold:
                passed += 1
                break
    assert passed / shops <= FALSE_ALARMS / STATISTICAL


def test_the_evidence_of_a_common_size_is_that_of_two_multivariate_normals() -> None:
    """Three looks that share a size which is normal about 0, with a fault's spread or an ordinary day's: scipy's densities."""
    looks, variances, tau, day = np.array([0.05, 0.07, 0.035]), np.array([0.02, 0.03, 0.025]) ** 2, 0.15, 0.02
    grid = _Grid(tau, day)
    total = -0.5 * ((looks[:, None] - grid.size) ** 2 / variances[:, None]).sum(axis=0)
    shared, usual = (
        stats.multivariate_normal(np.zeros(3), np.diag(variances) + sd**2).logpdf(looks) for sd in (math.hypot(tau, day), day))
    assert grid.integral(total, grid.fault) - grid.integral(total, grid.day) == pytest.approx(shared - usual, abs=0.02)
    precision = float((1.0 / variances).sum()) + 1.0 / (tau**2 + day**2)
    assert grid.mean(total) == pytest.approx(float((looks / variances).sum()) / precision, rel=0.01)


def test_the_own_curve_is_the_line_of_bayesian_least_squares() -> None:
    """Recursive learning without fading, scatter held, against the closed form with the same prior (numpy's solver)."""
    rng = Random(3)
    curve = OwnCurve(0.05, 0.02)
    prior = np.linalg.inv(np.array(curve.cov))
    rows, gaps = [], []
    for _ in range(40):
        x = rng.uniform(-2.0, -0.4)
        u = (x + 1.0) / 0.5
        gap = 0.02 - 0.015 * u + 0.004 * u * u + rng.gauss(0.0, 0.005)
        curve.variance = 0.02**2
        curve.learn(x, gap, 0.0, 1.0)
        rows.append([1.0, u, u * u])
        gaps.append(gap)
    design = np.array(rows)
    best = np.linalg.solve(prior + design.T @ design / 0.02**2, design.T @ np.array(gaps) / 0.02**2)
    assert np.allclose(curve.weights, best, atol=1e-9)


def test_certainty_grows_with_evidence_and_ends_below_one() -> None:
    assert certainty(10.0, 10.0) == pytest.approx(0.9)
    assert 0.9 < certainty(11.0, 10.0) < certainty(100.0, 10.0) <= 0.99


@pytest.mark.parametrize("bad", [math.nan, math.inf, [math.nan], {"a": [1.0, math.inf]}, object()])
def test_what_is_no_plain_finite_value_is_not_taken_back(bad: object) -> None:
    assert not sound(bad)


def test_what_has_another_shape_does_not_fit() -> None:
    assert fits([1.0, 2.0], [0.0, 0.0])
    assert not fits([1.0], [0.0, 0.0])
    assert not fits("x", 0.0)
    assert fits(None, None)
