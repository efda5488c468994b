"""Correlated samples against statsmodels (on the Nile data that it ships) and textbook values."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.stats.correlated import LagOne, ar1_effective_size, autocorrelation, effective_size


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


@pytest.fixture(scope="module")
def nile() -> np.ndarray:
    """Annual flow of the Nile at Aswan 1871-1970, the data set that comes with statsmodels."""
    from statsmodels.datasets import nile as data

    return np.asarray(data.load_pandas().data["volume"], dtype=np.float64)


def test_autocorrelation_matches_statsmodels(nile: np.ndarray) -> None:
    from statsmodels.tsa.stattools import acf

    assert autocorrelation(nile, 12) == pytest.approx(acf(nile, nlags=12, fft=False), abs=1e-12)
