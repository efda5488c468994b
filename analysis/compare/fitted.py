"""What a fit of two periods found: the most probable vectors, how sure they are, and what they belong to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.baseline.model import Baseline
from analysis.compare.grid import Grid
from analysis.compare.stretch import Gates, Stretch
from analysis.compare.surface import Axis
from analysis.compare.unknowns import Layout
from analysis.duct.design import DuctDesign

Floats = npt.NDArray[np.float64]

HOSE_SDS = (0.008, 0.014, 0.025, 0.044, 0.078, 0.14, 0.25)
"""Spreads of a port's losses that are weighed."""


@dataclass(frozen=True, slots=True)
class Fit:
    """The end of the fit. ``at`` is the vector that the grids belong to; ``x`` and ``covariance`` are those of each spread
    of the hoses in turn, ``weight`` how probable each is, ``best`` the most probable. ``prior`` is the inverse covariance
    of the shared unknowns before the data, ``information`` what the data add to it; ``misfit`` the root mean square of the
    residuals in standard deviations; ``groups`` are the gate sets, by their number; ``dropped`` stretches that fit
    nothing."""

    design: DuctDesign
    baseline: Baseline | None
    layout: Layout
    axis: Axis
    groups: tuple[tuple[Gates, ...], ...]
    stretches: tuple[Stretch, ...]
    side: tuple[int, ...]
    before: Grid
    after: Grid
    at: Floats
    x: tuple[Floats, ...]
    covariance: tuple[Floats, ...]
    weight: Floats
    best: int
    evidence: float
    prior: Floats
    information: Floats
    misfit: float
    dropped: tuple[Stretch, ...] = ()
    steps: int = 0

    @property
    def value(self) -> Floats:
        """The most probable vector."""
        return self.x[self.best]

    @property
    def hose_sd(self) -> float:
        """Spread of a port's losses from run to run, as far as the data tell."""
        return float(np.exp(self.weight @ np.log(HOSE_SDS)))


@dataclass(frozen=True, slots=True)
class Fits:
    """One fit for each run that may have been cut into, with its probability; a single one where that was said."""

    fits: tuple[Fit, ...]
    weight: Floats

    @property
    def best(self) -> Fit:
        """The most probable one."""
        return self.fits[int(np.argmax(self.weight))]
