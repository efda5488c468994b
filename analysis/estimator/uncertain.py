"""The uncertain parts of a shop, in one fixed order, with their prior: what both the fit and the estimator reckon with.

Every one is the logarithm of a factor (0: as designed) except the zeros, which are in Pa, and the tilt of the motor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.baseline.model import Baseline
from analysis.duct.design import DuctDesign

Floats = npt.NDArray[np.float64]

SHARED = (
    "fan_pressure", "fan_flow", "fan_low", "fan_middle", "fan_high", "motor", "motor_tilt", "pitot", "leak", "ducts",
    "joint", "density", "zero_inlet", "zero_filter",
)
"""Names that every shop has; ``port:NAME`` and ``run:NAME`` follow in the order of the design."""

OF_THE_DAY = ("density", "zero_inlet", "zero_filter")
"""Those that are others each day: no tour knows them, and nothing learned on one day goes with another day's."""

FAN_FLOW_SHARE = 0.8
"""Uncertainty of the fan's flow axis over that of its pressure (ours)."""
BEND_SD = 0.02
"""What a fan's curve differs in shape from its points, beside its scale (ours)."""
MOTOR_TILT_SD = 0.30
"""How far the growth of the current with load differs from the model (ours)."""
MOTOR_FORM_SD = 0.08
"""What a motor's part-load current differs from any model made from its plate, beside the stated uncertainty (ours)."""
SIDE_ENTRY_SD = 0.10
"""Further uncertainty of a port that joins its run from the side: handbooks differ on the loss of such a junction when
nothing else flows, by about this much of the port's whole loss (ours)."""
PITOT_SD = 0.10
"""A single pitot in a main: profile and place (common practice, no source)."""
DUCTS_SD = 0.04
"""What the duct model misses everywhere alike, relative to the loss of the ducts: its correlations are one
handbook's."""
JOINT_SD = 0.08
"""What it misses beside that where several streams meet, where handbooks differ most (ours)."""


@dataclass(frozen=True, slots=True)
class Uncertain:
    """Names and covariance of the uncertain parts."""

    names: tuple[str, ...]
    covariance: Floats

    def index(self, name: str) -> int:
        """Place of ``name``."""
        return self.names.index(name)


def names_of(design: DuctDesign) -> tuple[str, ...]:
    """The names of the uncertain parts of ``design``."""
    return (*SHARED, *(f"port:{p.name}" for p in design.ports), *(f"run:{r.name}" for r in design.runs))


def prior_sd(design: DuctDesign, zero_inlet_pa: float, zero_filter_pa: float, density_sd: float) -> Floats:
    """Standard deviations before anything was measured, in the order of :func:`names_of`."""
    u = design.uncertainties
    fan = max(u.fan_pressure, 1e-3) if not design.fan.generic else max(u.fan_pressure, design.fan.uncertainty)
    shared = {
        "fan_pressure": fan, "fan_flow": FAN_FLOW_SHARE * fan, "fan_low": BEND_SD, "fan_middle": BEND_SD,
        "fan_high": BEND_SD, "motor": math.hypot(u.motor_current, MOTOR_FORM_SD), "motor_tilt": MOTOR_TILT_SD,
        "pitot": PITOT_SD, "leak": u.leak, "ducts": DUCTS_SD, "joint": JOINT_SD, "density": density_sd,
        "zero_inlet": zero_inlet_pa, "zero_filter": zero_filter_pa,
    }
    pieces = []
    for port in design.ports:
        own = u.duct_k if port.uncertainty is None else port.uncertainty
        pieces.append(own if port.join.kind == "straight" else math.hypot(own, SIDE_ENTRY_SD))
    pieces += [u.duct_k if r.uncertainty is None else r.uncertainty for r in design.runs]
    return np.array([shared[name] for name in SHARED] + pieces)


def uncertain_parts(
    design: DuctDesign, baseline: Baseline | None, *, zero_inlet_pa: float, zero_filter_pa: float, density_sd: float
) -> Uncertain:
    """The uncertain parts as known from the design alone, or after a baseline (whose covariance replaces the prior).

    Zeros and density belong to the day, not to the baseline: theirs are always those given here.
    """
    names = names_of(design)
    sd = prior_sd(design, zero_inlet_pa, zero_filter_pa, density_sd)
    covariance = np.diag(sd**2)
    if baseline is not None and baseline.names:
        known = {name: i for i, name in enumerate(baseline.names)}
        ours = [i for i, name in enumerate(names) if name in known and name not in OF_THE_DAY]
        theirs = [known[names[i]] for i in ours]
        covariance[np.ix_(ours, ours)] = np.asarray(baseline.covariance)[np.ix_(theirs, theirs)]
    return Uncertain(names, covariance)
