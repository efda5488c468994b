"""Block bootstrap of a mean, with the block length chosen from the data.

The plain check beside the model: no physics, only the readings themselves. Samples that follow each other are
correlated, so blocks of them are drawn, long enough to hold the correlation.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.compare.mixture import Interval
from analysis.stats.correlated import autocorrelation

Floats = npt.NDArray[np.float64]

DRAWS = 2000
"""Bootstrap samples."""


def block_length(x: Sequence[float] | Floats) -> float:
    """Block length for the circular block bootstrap of the mean of ``x`` [samples], between 1 and a third of them.

    D. N. Politis and H. White, "Automatic block-length selection for the dependent bootstrap", Econometric Reviews 23
    (2004) 53-70, with the correction of A. Patton, Politis and White, ibid. 28 (2009) 372-375:
    ``b = (2 G^2 / D)^(1/3) n^(1/3)``, ``G = sum w(k/M) |k| R(k)``, ``D = 4/3 g(0)^2``, ``g(0) = sum w(k/M) R(k)`` with
    the flat-top window w (1 up to a half, falling to 0 at 1). M is twice the lag from which on
    ``K = max(5, sqrt(log10 n))`` autocorrelations in a row stay within ``2 sqrt(log10(n)/n)``.
    """
    values = np.asarray(x, dtype=np.float64)
    n = values.size
    if n < 8 or not np.ptp(values) > 0.0:
        return 1.0
    quiet = max(5, math.ceil(math.sqrt(math.log10(n))))
    most = min(math.ceil(math.sqrt(n)) + quiet, n - 1)
    rho = autocorrelation(values, most)
    bound = 2.0 * math.sqrt(math.log10(n) / n)
    small = np.abs(rho[1:]) < bound
    last = 0
    for lag in range(small.size - quiet + 1):
        if small[lag : lag + quiet].all():
            last = lag
            break
    else:
        loud = np.flatnonzero(~small)
        last = int(loud[-1]) + 1 if loud.size else 0
    window = min(2 * max(last, 1), most)
    lags = np.arange(-window, window + 1)
    weight = np.clip(2.0 * (1.0 - np.abs(lags) / window), 0.0, 1.0)
    covariance = rho[np.abs(lags)] * float(np.var(values))
    spectrum = float(weight @ covariance)
    slope = float(weight @ (np.abs(lags) * covariance))
    if spectrum <= 0.0:
        return 1.0
    length = (2.0 * slope**2 / (4.0 / 3.0 * spectrum**2)) ** (1.0 / 3.0) * n ** (1.0 / 3.0)
    return float(min(max(length, 1.0), max(n / 3.0, 1.0), math.ceil(3.0 * math.sqrt(n))))


def bootstrap_means(
    x: Sequence[float] | Floats, rng: np.random.Generator, draws: int = DRAWS, length: float | None = None
) -> Floats:
    """Means of ``draws`` circular block-bootstrap samples of ``x``; ``length`` None: :func:`block_length`."""
    values = np.asarray(x, dtype=np.float64)
    n = values.size
    if n == 0:
        raise ValueError("there is nothing to draw from")
    size = min(n, max(1, round(block_length(values) if length is None else length)))
    blocks = -(-n // size)
    starts = rng.integers(0, n, (draws, blocks))
    places = (starts[:, :, None] + np.arange(size)).reshape(draws, -1)[:, :n] % n
    return np.asarray(values[places].mean(axis=1))


@dataclass(frozen=True, slots=True)
class Plain:
    """A measure at its tap in two periods, without any model: means [SI], change relative to the size before, how many
    blocks were drawn together on each side, and how many independent looks the samples are worth."""

    before: float
    after: float
    change: Interval
    lengths: tuple[float, float]
    worth: tuple[float, float]


def plain_change(before: Sequence[float], after: Sequence[float], seed: int = 1) -> Plain:
    """Relative change of a mean with its 95 % interval by the block bootstrap.

    The percentile interval, widened by the ratio of Student's quantile to the normal one for as many independent looks
    as there are, since a bootstrap of few blocks is too narrow.
    """
    rng = np.random.default_rng([seed, 5003])
    rows = [np.asarray(side, dtype=np.float64) for side in (before, after)]
    lengths = [block_length(row) for row in rows]
    means = [bootstrap_means(row, rng, length=length) for row, length in zip(rows, lengths, strict=True)]
    first, second = (float(row.mean()) for row in rows)
    if first == 0.0:
        raise ValueError("the mean before is zero; a relative change has no meaning")
    changes = means[1] / means[0] - 1.0
    value = second / first - 1.0
    low, high = (float(v) for v in np.quantile(changes, (0.025, 0.975)))
    worth = [max(row.size / length, 1.0) for row, length in zip(rows, lengths, strict=True)]
    wider = t_quantile(0.975, max(min(worth) - 1.0, 1.0)) / 1.959964
    sd = float(np.std(changes)) * wider
    p = math.erfc(abs(value) / max(sd, 1e-15) / math.sqrt(2.0))
    return Plain(
        first, second, Interval(value, value + (low - value) * wider, value + (high - value) * wider, sd, p),
        (lengths[0], lengths[1]), (worth[0], worth[1]))


def t_quantile(share: float, freedom: float) -> float:
    """Quantile of Student's distribution (scipy, loaded when first asked)."""
    from scipy.stats import t

    return float(t.ppf(share, freedom))


@dataclass(frozen=True, slots=True)
class Welch:
    """Welch's test: difference of two means, its 95 % interval, t, degrees of freedom and two-sided p."""

    difference: float
    low: float
    high: float
    t: float
    freedom: float
    p: float


def welch(
    means: tuple[float, float], sds: tuple[float, float], counts: tuple[float, float], confidence: float = 0.95
) -> Welch:
    """Second mean less first, for two samples of unequal spread; ``counts`` may be effective sizes.

    B. L. Welch, Biometrika 34 (1947) 28-35. Raises ValueError with fewer than two (effective) samples on a side, or
    without any spread.
    """
    if min(counts) < 2.0:
        raise ValueError(f"{counts[0]:g} and {counts[1]:g} samples; at least 2 on each side are needed")
    parts = [sd * sd / n for sd, n in zip(sds, counts, strict=True)]
    variance = sum(parts)
    if variance <= 0.0:
        raise ValueError("neither sample has any spread")
    freedom = variance**2 / sum(part**2 / (n - 1.0) for part, n in zip(parts, counts, strict=True))
    from scipy.stats import t as student

    difference = means[1] - means[0]
    ratio = difference / math.sqrt(variance)
    reach = float(student.ppf(0.5 + 0.5 * confidence, freedom)) * math.sqrt(variance)
    return Welch(
        difference, difference - reach, difference + reach, ratio, freedom, 2.0 * float(student.sf(abs(ratio), freedom)))
