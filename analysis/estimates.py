"""Estimate: what the shop is doing now, what the design expects, and the gap, each with its uncertainty."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from analysis.quick import quick


@quick
@dataclass(frozen=True, slots=True)
class Expected:
    """What the design (or the baseline) expects one channel to read, with one standard deviation."""

    value: float
    sd: float


@dataclass(frozen=True, slots=True)
class GateSet:
    """One hypothesis: these ports are open, with this probability."""

    open_ports: tuple[str, ...]
    probability: float


@quick
@dataclass(frozen=True, slots=True)
class Estimate:
    """The state of the shop at one frame. Anything unknown is None, and ``notes`` says why.

    ``flow_m3s``/``flow_sd`` total flow through the fan; ``filter_drag``/``filter_drag_sd`` drag of the bags
    (Pa s/m3: filter pressure divided by flow) as tracked slowly; ``drag_ratio`` drag over the clean drag;
    ``duct_resistance`` inlet suction over flow squared (Pa s2/m6). ``gates`` is the open-port set that explains the
    readings best, None where unknown; ``gate_probability`` its probability; ``alternatives`` the others that cannot be
    told apart from it. ``expected`` is what the design expects per channel *for that gate set and a clean filter state
    as tracked*; ``residual`` measured minus expected. ``along`` and ``off`` split the residuals: ``along`` is the
    relative change of flow along the curve that gate changes trace (gate, block, leak), ``off`` the distance from it
    in standard deviations (filter, bag, fan, motor, sensor). ``flow_lost`` is the share of flow that the present
    drag costs against the clean filter at the same gates. ``fan_strength`` is the fan's pressure over the expected one
    at the same gates and drag, told only where readings stepped off the whole curve (1 otherwise); ``doubtful`` names
    channels that no state of the shop explains beside the others, so that they were left out.
    """

    t: float
    flow_m3s: float | None = None
    flow_sd: float | None = None
    filter_drag: float | None = None
    filter_drag_sd: float | None = None
    drag_ratio: float | None = None
    flow_lost: float | None = None
    duct_resistance: float | None = None
    gates: tuple[str, ...] | None = None
    gate_probability: float | None = None
    alternatives: tuple[GateSet, ...] = ()
    expected: Mapping[str, Expected] = field(default_factory=dict)
    residual: Mapping[str, float] = field(default_factory=dict)
    along: float | None = None
    along_sd: float | None = None
    off: float | None = None
    air_density_kgm3: float | None = None
    notes: tuple[str, ...] = ()
    fan_strength: float | None = None
    doubtful: tuple[str, ...] = ()
