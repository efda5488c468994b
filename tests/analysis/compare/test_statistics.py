"""The statistics of the comparison against scipy and statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats

from analysis.compare.mixture import Mixture, holm


def test_a_mixture_has_the_quantiles_of_its_parts() -> None:
    found = Mixture((0.3, 0.7), (-1.0, 2.0), (0.5, 1.0))
    at = found.quantile(0.8)
    below = 0.3 * scipy.stats.norm.cdf(at, -1.0, 0.5) + 0.7 * scipy.stats.norm.cdf(at, 2.0, 1.0)
    assert below == pytest.approx(0.8, abs=1e-6)


def test_holm_is_statsmodels() -> None:
    from statsmodels.stats.multitest import multipletests  # takes seconds to load

    p = np.random.default_rng(5).uniform(0.0, 0.1, 9).tolist()
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1].tolist())
