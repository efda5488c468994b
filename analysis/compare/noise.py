"""How well the mean of a stretch is known: block means scatter, and they are correlated in time.

Scatter and correlation are pooled over all stretches of a comparison, since one stretch of some minutes cannot tell
them. What differs from run to run is not in them; the fit has unknowns of its own for that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.compare.stretch import Stretch
from analysis.estimator.sensors import MEASURED
from analysis.stats.correlated import ar1_effective_size

Floats = npt.NDArray[np.float64]

FLOOR = 0.0007
"""Relative error of a mean that no number of blocks removes: steps of the converter, slow wander (ours)."""
ZERO_SD = {"inlet_pa": 1.0, "filter_pa": 0.6, "motor_a": 0.01, "pitot_pa": 0.6}
"""What the zero found at standstill is wrong by [SI]."""
NO_ZERO_SD = {"inlet_pa": 5.0, "filter_pa": 3.0, "motor_a": 0.02, "pitot_pa": 3.0}
"""The same where the fan never stood still before: the drift of the sensor between two periods [SI]."""
USUAL_SD = 0.004
"""Relative scatter of a block mean where there are too few blocks to tell (ours)."""
_ENOUGH = 8


@dataclass(frozen=True, slots=True)
class Scatter:
    """Relative scatter of block means: ``covariance`` (4, 4) between the readings, and the correlation ``rho`` (4,) of a
    block with the next."""

    covariance: Floats
    rho: Floats

    def of_mean(self, stretch: Stretch, channels: Sequence[int]) -> Floats:
        """Covariance of the logarithms of the stretch's means, for these readings."""
        size, inflated = np.empty(len(channels)), np.empty(len(channels))
        own = np.zeros(len(channels))
        zero = ZERO_SD if stretch.zero_known else NO_ZERO_SD
        for i, c in enumerate(channels):
            name = MEASURED[c]
            n = len(stretch.blocks[name])
            size[i] = abs(stretch.mean(name))
            inflated[i] = 1.0 / ar1_effective_size(float(n), float(self.rho[c]))
            own[i] = FLOOR**2 + (zero[name] / max(size[i], 1e-9)) ** 2
        covariance = self.covariance[np.ix_(channels, channels)] * np.sqrt(np.outer(inflated, inflated))
        for i, c in enumerate(channels):
            error = stretch.errors.get(MEASURED[c])
            if error is not None:
                covariance[i, :] = covariance[:, i] = 0.0
                covariance[i, i] = (error / max(size[i], 1e-9)) ** 2
        return np.asarray(covariance + np.diag(own))


def scatter(stretches: Sequence[Stretch]) -> Scatter:
    """Scatter and correlation pooled over all stretches."""
    sums, counts = np.zeros((4, 4)), np.zeros((4, 4))
    cross, power = np.zeros(4), np.zeros(4)
    for stretch in stretches:
        present = [c for c, name in enumerate(MEASURED) if len(stretch.blocks.get(name, ())) >= 3]
        rows = {}
        for c in present:
            row = np.asarray(stretch.blocks[MEASURED[c]])
            # A slow slope belongs to the loading of the bags, not to the scatter.
            time = np.arange(row.size) - (row.size - 1) / 2.0
            gap = row - row.mean()
            gap -= time * float(time @ gap) / float(time @ time)
            rows[c] = gap / abs(row.mean()) if row.mean() else gap
        for a in present:
            cross[a] += float(rows[a][:-1] @ rows[a][1:])
            power[a] += float(rows[a] @ rows[a])
            for b in present:
                if rows[a].size == rows[b].size:
                    sums[a, b] += float(rows[a] @ rows[b])
                    counts[a, b] += rows[a].size - 2
    usual = np.diag(np.full(4, USUAL_SD**2))
    weight = np.minimum(counts / _ENOUGH, 1.0)
    pooled = sums / np.maximum(counts, 1.0)
    covariance = weight * pooled + (1.0 - weight) * usual
    with np.errstate(invalid="ignore", divide="ignore"):
        rho = np.where((power > 0.0) & (np.diag(counts) >= _ENOUGH), cross / power, 0.3)
    # The slope taken off makes a short row look less correlated than it is; a tenth more is on the safe side.
    return Scatter(covariance, np.clip(rho + 0.1, 0.0, 0.95))
