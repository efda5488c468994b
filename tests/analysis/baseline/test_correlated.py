"""Correlated samples against statsmodels (on the Nile data that it ships) and textbook values."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.baseline.steps import ar1_effective_size, autocorrelation


def test_effective_size_of_an_ar1_row_is_the_textbook_value() -> None:
    """n (1 - rho) / (1 + rho) for a first-order row (any time-series text, e.g. Box and Jenkins): so much its mean scatters."""
    rng = np.random.default_rng(5)
    for rho in (0.0, 0.5, 0.8):
        x = np.zeros((600, 400))
        x[:, 0] = rng.normal(size=600)
        steps = rng.normal(0.0, np.sqrt(1 - rho * rho), x.shape)
        for i in range(1, x.shape[1]):
            x[:, i] = rho * x[:, i - 1] + steps[:, i]
        assert 1.0 / x.mean(axis=1).var() == pytest.approx(ar1_effective_size(400, rho), rel=0.15)


def test_short_or_flat_rows_do_not_break() -> None:
    assert autocorrelation([3.0] * 50, 2).tolist() == [1.0, 0.0, 0.0]
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
