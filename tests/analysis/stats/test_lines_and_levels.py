"""Theil-Sen against scipy, the local level against Durbin and Koopman's Nile example, and the rest."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats as scipy_stats

from analysis.stats.correlated import LagOne, ar1_effective_size, autocorrelation, effective_size
from analysis.stats.kalman import LocalLevel
from analysis.stats.running import FadingMoments, Moments
from analysis.stats.theil_sen import theil_sen


@pytest.fixture(scope="module")
def nile() -> np.ndarray:
    """Annual flow of the Nile at Aswan 1871-1970, the data set that comes with statsmodels."""
    from statsmodels.datasets import nile as data

    return np.asarray(data.load_pandas().data["volume"], dtype=np.float64)


def test_theil_sen_on_the_nile_is_what_scipy_gives(nile: np.ndarray) -> None:
    years = np.arange(1871, 1971, dtype=np.float64)
    line = theil_sen(nile.tolist(), years.tolist())
    reference = scipy_stats.theilslopes(nile, years, 0.95)
    assert line is not None
    assert (line.slope, line.intercept) == pytest.approx((reference.slope, reference.intercept), rel=1e-9)
    assert (line.slope_low, line.slope_high) == pytest.approx((reference.low_slope, reference.high_slope), rel=1e-9)
    assert line.slope == pytest.approx(-2.6)


@pytest.mark.parametrize("seed", range(8))
def test_theil_sen_agrees_with_scipy_on_tied_and_repeated_points(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x = np.sort(rng.integers(0, 12, 25)).astype(float)
    y = np.round(0.7 * x + rng.normal(0, 2, 25))
    line, reference = theil_sen(y.tolist(), x.tolist()), scipy_stats.theilslopes(y, x, 0.95)
    assert line is not None
    assert (line.slope, line.intercept, line.slope_low, line.slope_high) == pytest.approx(
        (reference.slope, reference.intercept, reference.low_slope, reference.high_slope))


@pytest.mark.parametrize("y", [[1, 2, 3, 4, 100], [0, 1, 2, 100, 4]])
def test_one_wild_point_in_five_does_not_bend_the_line(y: list[float]) -> None:
    line = theil_sen(y, [0, 1, 2, 3, 4])
    assert line is not None
    assert line.slope == 1.0


def test_theil_sen_knows_nothing_from_one_abscissa_and_refuses_ragged_rows() -> None:
    assert theil_sen([1.0, 2.0], [3.0, 3.0]) is None
    with pytest.raises(ValueError, match="same length"):
        theil_sen([1.0, 2.0], [3.0])


def test_long_rows_are_thinned_and_keep_their_slope() -> None:
    x = np.arange(5000.0)
    line = theil_sen(3.0 + 0.25 * x, x)
    assert line is not None
    assert line.slope == pytest.approx(0.25)


def test_local_level_reproduces_durbin_and_koopman_on_the_nile(nile: np.ndarray) -> None:
    """sigma2_eps 15099 and sigma2_eta 1469.1 (Durbin and Koopman 2012, section 2.10); steady variance 4032.16.

    The steady state is checked by its closed form too: P^2 = q P + q s.
    """
    level = LocalLevel(0.0, 1e7)  # the book's own start, section 2.2.5
    filtered, variances, loglik = [], [], 0.0
    for i, y in enumerate(nile.tolist()):
        if i:
            level.predict(1469.1)
            loglik += level.log_likelihood(y, 15099.0)  # the first year only starts the diffuse level
        level.update(y, 15099.0)
        filtered.append(level.mean)
        variances.append(level.variance)
    q, s = 1469.1, 15099.0
    predicted = (q + math.sqrt(q * q + 4 * q * s)) / 2
    assert variances[-1] == pytest.approx(predicted * s / (predicted + s), rel=1e-9)
    assert variances[-1] == pytest.approx(4032.16, abs=0.01)

    from statsmodels.tsa.statespace.structural import UnobservedComponents

    model = UnobservedComponents(nile, "llevel")
    model.ssm.initialize_known(np.array([0.0]), np.array([[1e7]]))
    reference = model.ssm
    model.update([s, q])
    result = reference.filter()
    assert filtered == pytest.approx(result.filtered_state[0].tolist(), rel=1e-9)
    assert variances == pytest.approx(result.filtered_state_cov[0, 0].tolist(), rel=1e-9)
    assert loglik == pytest.approx(float(result.llf), rel=1e-9)


def test_missing_years_only_widen_the_level(nile: np.ndarray) -> None:
    """Durbin and Koopman section 2.7: leaving out the update is the whole treatment of a missing observation."""
    level = LocalLevel(nile[0], 15099.0)
    for _ in range(20):
        level.predict(1469.1)
    assert level.mean == nile[0]
    assert level.variance == pytest.approx(15099.0 + 20 * 1469.1)


def test_moments_are_numpys_even_on_a_large_mean() -> None:
    rng = np.random.default_rng(1)
    x = 1e9 + rng.normal(0, 1, 1000)
    m = Moments()
    for value in x.tolist():
        m.update(value)
    assert m.mean == pytest.approx(float(x.mean()), rel=1e-15)
    assert m.sd() == pytest.approx(float(x.std(ddof=1)), rel=1e-5)
    again = Moments.restored(m.snapshot())
    assert (again.n, again.mean, again.sd()) == (m.n, m.mean, m.sd())


def test_weighted_moments_equal_repeated_samples() -> None:
    one, other = Moments(), Moments()
    for value, weight in ((1.0, 2.0), (5.0, 1.0), (2.0, 3.0)):
        one.update(value, weight)
        for _ in range(int(weight)):
            other.update(value)
    assert (one.mean, one.variance()) == pytest.approx((other.mean, other.variance()))


def test_one_sample_has_no_spread() -> None:
    m = Moments()
    assert m.sd() is None
    m.update(3.0)
    assert m.sd() is None


def test_fading_moments_forget_at_their_time_constant_whatever_the_frame_period() -> None:
    for period in (0.5, 1.0, 5.0):
        m = FadingMoments(60.0)
        for _ in range(int(600 / period)):
            m.update(0.0, period)
        for _ in range(int(60 / period)):
            m.update(1.0, period)
        assert m.mean == pytest.approx(1.0 - math.exp(-1.0), abs=1e-6)


def test_effective_size_of_an_ar1_row_is_the_textbook_value() -> None:
    """n (1 - rho) / (1 + rho) for a long first-order row (any time-series text, e.g. Box and Jenkins)."""
    rng = np.random.default_rng(5)
    for rho in (0.0, 0.5, 0.8):
        sizes = []
        for _ in range(30):
            x = np.empty(4000)
            x[0] = rng.normal()
            steps = rng.normal(0.0, math.sqrt(1 - rho * rho), x.size).tolist()
            for i in range(1, x.size):
                x[i] = rho * x[i - 1] + steps[i]
            sizes.append(effective_size(x))
        assert np.mean(sizes) == pytest.approx(ar1_effective_size(4000, rho), rel=0.12)


def test_autocorrelation_matches_statsmodels(nile: np.ndarray) -> None:
    from statsmodels.tsa.stattools import acf

    assert autocorrelation(nile, 12) == pytest.approx(acf(nile, nlags=12, fft=False), abs=1e-12)


def test_lag_one_of_a_stream_finds_its_correlation_and_says_nothing_early() -> None:
    rng = np.random.default_rng(11)
    stream, x = LagOne(0.002), 0.0
    assert stream.rho is None
    for step in rng.normal(0.0, 0.6, 20_000).tolist():
        x = 0.8 * x + step
        stream.update(x)
    assert stream.rho == pytest.approx(0.8, abs=0.05)


def test_short_or_flat_rows_do_not_break() -> None:
    assert effective_size([1.0, 2.0]) == 2.0
    assert effective_size([3.0] * 50) == 50.0
    with pytest.raises(ValueError, match="at least 2"):
        autocorrelation([1.0], 1)
