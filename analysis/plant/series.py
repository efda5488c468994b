"""Whole-array recursions: first-order filters and correlated noise without a loop over seconds."""

from __future__ import annotations

import numpy as np

from analysis.plant.shop import Array


def recursion(drive: Array, keep: float, before: Array | float) -> Array:
    """``y[k] = keep * y[k-1] + drive[k]`` along the last axis, with ``y[-1] = before``, in log2(n) array steps.

    keep : 0 <= keep < 1.

    >>> recursion(np.array([1.0, 0.0, 0.0]), 0.5, 4.0).tolist()
    [3.0, 1.5, 0.75]
    """
    y = np.array(drive, dtype=float)
    n = y.shape[-1]
    if n == 0 or keep == 0.0:
        return y
    y[..., 0] += keep * np.asarray(before)
    width, factor = 1, keep
    while width < n and factor > 1e-13:
        y[..., width:] = y[..., width:] + factor * y[..., :-width]
        width *= 2
        factor *= factor
    return y


def lag(target: Array, time_constant_s: float, before: Array | float, step_s: float = 1.0) -> Array:
    """First-order lag of ``target``, samples ``step_s`` apart; ``before`` is the output one step before the first."""
    if time_constant_s <= 0.0:
        return np.asarray(target, dtype=float)
    keep = float(np.exp(-step_s / time_constant_s))
    return recursion((1.0 - keep) * target, keep, before)


def coloured(white: Array, correlation_s: float, before: Array | float, step_s: float = 1.0) -> Array:
    """Noise of unit variance whose autocorrelation falls as ``exp(-lag / correlation_s)`` from unit white noise."""
    keep = float(np.exp(-step_s / correlation_s))
    return recursion(white * np.sqrt(1.0 - keep * keep), keep, before)
