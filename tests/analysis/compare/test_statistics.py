"""The statistics of the comparison against libraries, an open data set and what is known of a correlated series."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats
from statsmodels.datasets import nile
from statsmodels.stats.multitest import multipletests

from analysis.compare.changes import splits
from analysis.compare.mixture import Mixture, holm, together
from analysis.compare.resample import block_length, bootstrap_means, plain_change, t_quantile, welch


def ar1(rng: np.random.Generator, n: int, rho: float) -> np.ndarray:
    """A stationary series with unit variance and lag-one correlation ``rho``."""
    x = np.empty(n)
    x[0] = rng.standard_normal()
    for i in range(1, n):
        x[i] = rho * x[i - 1] + math.sqrt(1.0 - rho * rho) * rng.standard_normal()
    return x


def test_the_nile_fell_after_1898() -> None:
    """Annual flow at Aswan 1871-1970 (statsmodels' copy of the open data set): the best single split leaves 28 years
    before it (G. W. Cobb, Biometrika 65 (1978) 243-251, places the change there as well; from memory)."""
    flow = nile.load_pandas().data["volume"].to_numpy()
    (found,) = splits(flow)
    assert found.at == 28
    assert found.low <= 28 <= found.high
    # The two means, recomputed: 1097.75 and 849.97.
    assert found.step.value == pytest.approx(849.9722 - 1097.75, rel=0.05)


@pytest.mark.parametrize("seed", range(12))
def test_a_row_without_a_step_has_none(seed: int) -> None:
    rng = np.random.default_rng([seed, 41])
    assert splits(ar1(rng, 80, 0.3 if seed % 2 else 0.0)) == []


def test_welch_is_scipys() -> None:
    rng = np.random.default_rng(3)
    a, b = rng.normal(10.0, 1.0, 12), rng.normal(10.8, 2.5, 31)
    ours = welch((a.mean(), b.mean()), (a.std(ddof=1), b.std(ddof=1)), (12, 31))
    theirs = scipy.stats.ttest_ind(b, a, equal_var=False)
    interval = theirs.confidence_interval(0.95)
    assert (ours.t, ours.p, ours.freedom) == pytest.approx((theirs.statistic, theirs.pvalue, theirs.df))
    assert (ours.low, ours.high) == pytest.approx((interval.low, interval.high))


def test_welch_on_the_sleep_data() -> None:
    """Student's sleep data (W. S. Gosset, Biometrika 6 (1908) 1-25, as R ships it; values from memory): two drugs, ten
    patients each. R's documentation of t.test prints t = -1.8608, df = 17.776, p = 0.07939 (from memory)."""
    one = np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0])
    two = np.array([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])
    found = welch((two.mean(), one.mean()), (two.std(ddof=1), one.std(ddof=1)), (10, 10))
    assert found.t == pytest.approx(-1.8608, abs=1e-4)
    assert found.freedom == pytest.approx(17.776, abs=1e-3)
    assert found.p == pytest.approx(0.07939, abs=1e-5)


def test_student_and_holm_are_those_of_the_libraries() -> None:
    assert t_quantile(0.975, 7.0) == pytest.approx(scipy.stats.t.ppf(0.975, 7.0))
    p = [0.001, 0.2, 0.011, 0.04, 0.012]
    assert holm(p) == pytest.approx(list(multipletests(p, method="holm")[1]))


def test_claims_that_hang_together_are_corrected_by_what_they_share() -> None:
    """Independent claims: Sidak's formula, as statsmodels has it. The same claim six times: no correction at all. In
    between, the probability of scipy's multivariate normal distribution."""
    p = [0.01, 0.04, 0.3, 0.02, 0.5, 0.07]
    # The standard error of 20 000 draws is 0.0035 at most.
    assert together(p, np.eye(6)) == pytest.approx(
        [min(a, b) for a, b in zip(multipletests(p, method="sidak")[1], holm(p), strict=True)], abs=0.012)
    assert together(p, np.ones((6, 6))) == pytest.approx(p, abs=0.012)
    covariance = np.array([[1.0, 0.9], [0.9, 1.0]])
    z = scipy.stats.norm.isf(0.015)
    inside = scipy.stats.multivariate_normal(cov=covariance).cdf([z, z], lower_limit=[-z, -z])
    assert together([0.03, 0.9], covariance)[0] == pytest.approx(1.0 - inside, abs=0.004)
    assert together([1e-9, 0.0], covariance) == holm([1e-9, 0.0])
    three = np.kron(np.ones((3, 3)), 4.0 * covariance)
    assert all(a <= b + 1e-12 for a, b in zip(together(p, three), holm(p), strict=True))


def test_a_mixture_has_the_quantiles_of_its_parts() -> None:
    found = Mixture((0.3, 0.7), (-1.0, 2.0), (0.5, 1.0))
    at = found.quantile(0.8)
    below = 0.3 * scipy.stats.norm.cdf(at, -1.0, 0.5) + 0.7 * scipy.stats.norm.cdf(at, 2.0, 1.0)
    assert below == pytest.approx(0.8, abs=1e-6)


def test_blocks_grow_with_the_correlation() -> None:
    rng = np.random.default_rng(5)
    lengths = [np.median([block_length(ar1(rng, 400, rho)) for _ in range(20)]) for rho in (0.0, 0.5, 0.9)]
    assert lengths[0] < 4.0 < lengths[1] + 1.0
    assert lengths[0] < lengths[1] < lengths[2]


def test_the_block_bootstrap_knows_how_far_a_correlated_mean_strays() -> None:
    """The standard error of the mean of a first-order autoregression is known: 1/sqrt(n) sqrt((1+rho)/(1-rho))."""
    rng = np.random.default_rng(7)
    n, rho = 600, 0.6
    known = math.sqrt((1.0 + rho) / (1.0 - rho) / n)
    told = np.mean([bootstrap_means(ar1(rng, n, rho), rng, 400).std() for _ in range(25)])
    naive = 1.0 / math.sqrt(n)
    assert told == pytest.approx(known, rel=0.2)
    assert naive < 0.6 * told


def test_a_plain_change_covers_the_truth() -> None:
    rng = np.random.default_rng(11)
    inside = 0
    for trial in range(200):
        before, after = 100.0 + 2.0 * ar1(rng, 120, 0.6), 103.0 + 2.0 * ar1(rng, 120, 0.6)
        found = plain_change(before, after, trial).change
        inside += found.low <= 0.03 <= found.high
    # 95 % of 200, with three standard deviations of a binomial count (3.1 each) either way.
    assert 181 <= inside <= 199
