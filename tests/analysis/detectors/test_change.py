"""Where a level changed: the maximum-likelihood change point (D. V. Hinkley, Biometrika 57 (1970) 1-17, from memory)."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.detectors.core import LEAST_BEFORE, _change


@pytest.mark.parametrize("at", [4, 9, 18])
def test_the_change_is_where_a_least_squares_fit_of_two_levels_puts_it(at: int) -> None:
    """Weighted least squares by numpy over every place."""
    rng = np.random.default_rng(at)
    sd = rng.uniform(0.01, 0.1, 22)
    values = np.where(np.arange(22) < at, 6.7, 6.3) + sd * rng.standard_normal(22)

    def left(i: int) -> float:
        return sum(
            float((((part := values[s]) - np.average(part, weights=sd[s] ** -2)) ** 2 / sd[s] ** 2).sum())
            for s in (slice(0, i), slice(i, 22))
        )

    best = min(range(LEAST_BEFORE, 22), key=left)
    found, fell = _change([(float(i), float(v), float(s) ** 2) for i, (v, s) in enumerate(zip(values, sd, strict=True))])
    assert found == best
    assert fell == pytest.approx(0.4, abs=0.06)


def test_a_rise_or_chance_is_no_fall_and_one_look_is_never_split() -> None:
    rising = [(float(i), 6.0 + 0.4 * (i > 9), 0.02**2) for i in range(20)]
    assert _change(rising) == (20, 0.0)
    one_look = [(float(i), 6.7, 0.02**2) for i in range(5)] + [(5.0, 6.7, 0.02**2), (5.0, 6.2, 0.02**2)]
    assert _change(one_look)[0] in (5, 7)
