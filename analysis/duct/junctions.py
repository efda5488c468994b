"""Losses where two streams meet on the way to the fan: what the side branch and what the straight stream lose.

Both coefficients are total-pressure losses in velocity pressures of the *combined* stream, and both may be negative:
a weak stream gains pressure from a strong one. Nothing is clamped. The forms are the momentum balance across the
junction with an empirical factor on the branch, as in Idelchik (*Handbook of Hydraulic Resistance*, converging wyes;
from memory) and Crane TP-410 (2009); the tests hold them against fluids' ``K_branch_converging_Crane`` and
``K_run_converging_Crane``. Two things differ on purpose. The tabulated factor jumps at a flow ratio of 0.4 and at an
area ratio of 0.35; here it passes smoothly, so that a solver can differentiate it. And the straight stream may come
from a duct of another size than the one it flows into.

Symbols: ``share`` q = branch flow over combined flow; ``area_ratio`` a = branch area over combined area;
``straight_ratio`` s = area of the straight duct over combined area.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

RELATIVE_SD = 0.25
"""One relative standard deviation of a junction's loss, where it is not near zero (common practice, no source)."""

KNEE = 0.39
ROUND = 0.03


def _wide(area_ratio: float) -> float:
    """0 for a branch of less than 0.30 of the combined area, 1 above 0.40, smooth in between."""
    s = min(1.0, max(0.0, (area_ratio - 0.30) / 0.10))
    return s * s * (3.0 - 2.0 * s)


def _factor(share: float, wide: float) -> float:
    """The empirical factor on the branch: 1 for small branches; for wide ones 0.9 (1 - q), but not below about 0.55."""
    excess = KNEE - share
    return 1.0 + wide * (0.55 + 0.45 * (excess + math.sqrt(excess * excess + ROUND * ROUND)) - 1.0)


def _tee(angle_deg: float) -> float:
    """How much the linear term of the straight loss falls towards a right angle (2 up to 60 degrees, 1.55 at 90)."""
    return 2.0 - 0.45 * min(1.0, max(0.0, (angle_deg - 60.0) / 30.0))


def branch_k_scalar(share: float, area_ratio: float, angle_deg: float, straight_ratio: float = 1.0) -> float:
    """Loss coefficient of the branch for one flow share; see :func:`branch_k`.

    >>> round(branch_k_scalar(1 / 3, (2 / 3) ** 2, 45.0), 2)
    0.19
    """
    rest = 1.0 - share
    along = share * share / area_ratio * math.cos(math.radians(angle_deg))
    balance = 1.0 + (share / area_ratio) ** 2 - 2.0 * rest * rest / straight_ratio - 2.0 * along
    return _factor(share, _wide(area_ratio)) * balance


def straight_k_scalar(share: float, area_ratio: float, angle_deg: float, straight_ratio: float = 1.0) -> float:
    """Loss coefficient of the straight stream for one flow share of the branch; see :func:`straight_k`."""
    rest = 1.0 - share
    along = share * share / area_ratio * math.cos(math.radians(angle_deg))
    momentum = 1.0 + (rest / straight_ratio) ** 2 - 2.0 * rest * rest / straight_ratio - 2.0 * along
    return momentum + (_tee(angle_deg) - 2.0) * share


def branch_k(
    share: npt.ArrayLike, area_ratio: npt.ArrayLike, angle_deg: npt.ArrayLike, straight_ratio: npt.ArrayLike = 1.0
) -> Array:
    """Total-pressure loss from the branch into the combined stream, in velocity pressures of the combined stream.

    K = A [1 + (q/a)^2 - 2 (1 - q)^2/s - 2 q^2/a cos(angle)], where A is 1 for a < 0.30 and passes, for a > 0.40, from
    0.9 (1 - q) to 0.55 at q = 0.4. ``share`` q is the branch's share of the flow [-], ``area_ratio`` a [-],
    ``angle_deg`` the angle between the streams [deg], ``straight_ratio`` s [-]. The pressure lost is K rho Vc^2/2.
    Data behind the form cover 15 to 90 degrees, a from 0.1 to 1 and q from 0 to 1; it stays smooth outside. Negative
    where the straight stream draws the branch along. All arguments broadcast.

    >>> branch_k([0.0, 0.5], 0.444, 45.0).round(2).tolist()
    [-0.9, 0.54]
    """
    q, a, angle, s = _floats(share, area_ratio, angle_deg, straight_ratio)
    step = np.clip((a - 0.30) / 0.10, 0.0, 1.0)
    wide = step * step * (3.0 - 2.0 * step)
    excess = KNEE - q
    factor = 1.0 + wide * (0.55 + 0.45 * (excess + np.sqrt(excess**2 + ROUND**2)) - 1.0)
    balance = 1.0 + (q / a) ** 2 - 2.0 * (1.0 - q) ** 2 / s - 2.0 * q * q / a * np.cos(np.radians(angle))
    return np.asarray(factor * balance)


def straight_k(
    share: npt.ArrayLike, area_ratio: npt.ArrayLike, angle_deg: npt.ArrayLike, straight_ratio: npt.ArrayLike = 1.0
) -> Array:
    """Total-pressure loss of the straight stream at the junction, in velocity pressures of the combined stream.

    K = 1 + ((1 - q)/s)^2 - 2 (1 - q)^2/s - 2 q^2/a cos(angle) - c q, with c = 0 up to 60 degrees, 0.45 at 90, so that
    a tee of equal ducts gives 1.55 q - q^2 (Idelchik, Crane). With q = 0 and s < 1 it is the abrupt expansion
    (1 - 1/s)^2 of Borda and Carnot. Arguments as in :func:`branch_k`, all broadcast.

    >>> straight_k([0.0, 0.3, 1.0], 1.0, 90.0).round(3).tolist()
    [0.0, 0.375, 0.55]
    """
    q, a, angle, s = _floats(share, area_ratio, angle_deg, straight_ratio)
    rest = 1.0 - q
    tee = np.clip((angle - 60.0) / 30.0, 0.0, 1.0)
    along = q * q / a * np.cos(np.radians(angle))
    return np.asarray(1.0 + (rest / s) ** 2 - 2.0 * rest * rest / s - 2.0 * along - 0.45 * tee * q)


def two_sides_k(
    share: npt.ArrayLike,
    area_ratio: npt.ArrayLike,
    angle_deg: npt.ArrayLike,
    other_ratio: npt.ArrayLike,
    other_angle_deg: npt.ArrayLike,
) -> Array:
    """Loss of one of two streams that both enter from the side (a fork), in velocity pressures of the combined stream.

    The momentum balance alone, with no empirical factor: K = 1 + (q/a)^2 - 2 q^2/a cos(angle) - 2 (1 - q)^2/b
    cos(other). ``share``, ``area_ratio`` and ``angle_deg`` belong to the stream asked about; ``other_ratio`` b and
    ``other_angle_deg`` to its neighbour. Call it with the two exchanged for the other stream.

    >>> float(two_sides_k(0.5, 0.5, 30.0, 0.5, 30.0)).__round__(3)
    0.268
    """
    q, a, angle, b, other = _floats(share, area_ratio, angle_deg, other_ratio, other_angle_deg)
    own = q * q / a * np.cos(np.radians(angle))
    beside = (1.0 - q) ** 2 / b * np.cos(np.radians(other))
    return np.asarray(1.0 + (q / a) ** 2 - 2.0 * own - 2.0 * beside)


def two_sides_k_scalar(
    share: float, area_ratio: float, angle_deg: float, other_ratio: float, other_angle_deg: float
) -> float:
    """Loss of one of two streams that both enter from the side, for one flow share; see :func:`two_sides_k`."""
    own = share * share / area_ratio * math.cos(math.radians(angle_deg))
    beside = (1.0 - share) ** 2 / other_ratio * math.cos(math.radians(other_angle_deg))
    return 1.0 + (share / area_ratio) ** 2 - 2.0 * own - 2.0 * beside


def _floats(*values: npt.ArrayLike) -> list[Array]:
    return [np.asarray(value, dtype=float) for value in values]
