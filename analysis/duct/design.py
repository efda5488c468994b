"""The ducting of a shop as drawn: a tree of runs that carry air towards the fan, with ports as its leaves.

Everything here is SI and says nothing about how it was written in a configuration. A design is not checked when it is
made: :func:`analysis.duct.network.problems` lists what is wrong with it in sentences, and the solver refuses a design
that has an error.

Pressures are gauge. The engine works with *total* pressure: the air at rest around the openings has a total pressure of
zero, every loss lowers it, and static pressure is total less velocity pressure.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from analysis.units import FPM_MS

if TYPE_CHECKING:
    from analysis.air import Air
    from analysis.duct.fan import FanCurve
    from analysis.duct.filter import FilterStage
    from analysis.duct.motor import Motor
    from analysis.duct.separator import Separator

FAN = "fan"
"""What the last run flows into."""

JoinKind = Literal["straight", "wye", "tee", "stated"]


@dataclass(frozen=True, slots=True)
class Join:
    """How a piece meets the run that it flows into: straight on, or from the side at an angle.

    ``angle_deg`` is the angle between the two streams: 0 for ``straight``, 90 for ``tee``, in between for ``wye``. The
    loss then follows from sizes, angle and flows. ``stated`` is for a junction whose loss is given as one number ``k``
    in velocity pressures of the piece itself, whatever the flows, as handbooks of exhaust systems do.
    """

    kind: JoinKind = "straight"
    angle_deg: float = 0.0
    k: float = 0.0

    @classmethod
    def straight(cls) -> Join:
        """Straight through the junction."""
        return cls("straight", 0.0)

    @classmethod
    def wye(cls, angle_deg: float) -> Join:
        """From the side at ``angle_deg`` [deg] to the stream."""
        return cls("wye", angle_deg)

    @classmethod
    def tee(cls) -> Join:
        """From the side at a right angle."""
        return cls("tee", 90.0)

    @classmethod
    def stated(cls, k: float, angle_deg: float = 0.0) -> Join:
        """A junction that loses ``k`` velocity pressures of the joining piece; ``angle_deg`` matters to neighbours."""
        return cls("stated", angle_deg, k)


@dataclass(frozen=True, slots=True)
class FlowAtPressure:
    """A flow [m3/s] that a stated static suction [Pa, positive] draws, in air of ``density_kgm3`` [kg/m3].

    The way in which a machine's port or a gate's leakage is stated when no loss coefficient or area is known; the flow
    goes with the square root of the suction.
    """

    flow_m3s: float
    suction_pa: float
    density_kgm3: float = 1.2


@dataclass(frozen=True, slots=True)
class Hose:
    """Flexible hose between a port's opening and its pipe."""

    diameter_m: float
    roughness_m: float
    length_m: float


@dataclass(frozen=True, slots=True)
class Run:
    """One piece of duct that carries air from its upstream junction into ``into`` (another run, or ``"fan"``).

    ``fittings_k`` is the sum of the loss coefficients of its elbows and other fixed fittings, in velocity pressures of
    this run. The losses of the junction at its downstream end follow from ``join`` and the flows. ``leak_m2`` is the
    leakage area of its joints (0: tight), taken at its upstream end. ``uncertainty`` is one relative standard
    deviation of its loss, None where the design's own applies. ``start_diameter_m`` and ``end_diameter_m`` stand for a
    reducer at an end: the diameter with which it meets other pieces there, None where that is its own (see
    :func:`analysis.duct.fittings.fitted`). ``hydraulic_m`` is the hydraulic diameter (four times area over girth) that
    friction goes by where the duct is not round; ``diameter_m`` is then that of the round duct of the same area.
    """

    name: str
    into: str
    diameter_m: float
    roughness_m: float
    length_m: float
    fittings_k: float = 0.0
    join: Join = field(default_factory=Join)
    leak_m2: float = 0.0
    uncertainty: float | None = None
    start_diameter_m: float | None = None
    end_diameter_m: float | None = None
    hydraulic_m: float | None = None

    @property
    def area_m2(self) -> float:
        """Cross-section, m2."""
        return math.pi / 4 * self.diameter_m**2

    @property
    def start_area_m2(self) -> float:
        """Cross-section where streams meet at its upstream end, m2."""
        return math.pi / 4 * (self.start_diameter_m or self.diameter_m) ** 2

    @property
    def end_area_m2(self) -> float:
        """Cross-section with which it enters the junction at its downstream end, m2."""
        return math.pi / 4 * (self.end_diameter_m or self.diameter_m) ** 2


@dataclass(frozen=True, slots=True)
class Port:
    """A leaf: the opening at a machine, an optional hose, a gate, and the pipe that flows into the run ``into``.

    ``entry_k`` is the loss of the opening in velocity pressures of the section that it opens into (the hose where there
    is one, else the pipe); where ``entry_flow`` is given it is used instead: the static suction just behind the
    opening that draws that flow. ``gate_k`` is the loss of the open gate in velocity pressures of the pipe, None for a
    port without a gate (it is always open). What the shut gate lets through is ``leak_m2`` (effective leakage
    area: flow = area x sqrt(2 suction / density)) or, where given, ``leak_flow``. ``needs_m3s`` is the flow that the
    machine needs, None where the owner has not said. ``start_diameter_m``, ``end_diameter_m`` and ``hydraulic_m`` as in
    :class:`Run`; the opening or the hose sits on the start.
    """

    name: str
    into: str
    diameter_m: float
    roughness_m: float
    length_m: float
    fittings_k: float = 0.0
    join: Join = field(default_factory=Join)
    hose: Hose | None = None
    entry_k: float = 0.0
    entry_flow: FlowAtPressure | None = None
    gate_k: float | None = 0.15
    leak_m2: float = 6e-5
    leak_flow: FlowAtPressure | None = None
    needs_m3s: float | None = None
    uncertainty: float | None = None
    start_diameter_m: float | None = None
    end_diameter_m: float | None = None
    hydraulic_m: float | None = None

    @property
    def area_m2(self) -> float:
        """Cross-section of the pipe, m2."""
        return math.pi / 4 * self.diameter_m**2

    @property
    def end_area_m2(self) -> float:
        """Cross-section with which it enters the junction at its downstream end, m2."""
        return math.pi / 4 * (self.end_diameter_m or self.diameter_m) ** 2

    @property
    def has_gate(self) -> bool:
        """Whether the port can be shut."""
        return self.gate_k is not None


@dataclass(frozen=True, slots=True)
class Material:
    """What the air carries, and the velocities [m/s] below which it settles in mains and in branches."""

    name: str
    main_velocity_ms: float
    branch_velocity_ms: float


WOOD_DUST = Material("wood dust and shavings", 3500 * FPM_MS, 4000 * FPM_MS)
"""Mains 3500 fpm, branches 4000 fpm: the usual figures for woodworking hoods (ACGIH VS-95 series, from memory). Published
ranges: wood flour and lint 2500-3000 fpm, light shavings 3000-4000, average industrial dust 3500-4000, heavy or wet
sawdust 4000-4500 (ACGIH, seen in a copy); dry sawdust 15 m/s, shavings 20, damp waste 25 (HSE HSG258, from memory)."""


@dataclass(frozen=True, slots=True)
class Uncertainties:
    """One relative standard deviation of each uncertain part of a design that nobody has measured yet."""

    fan_pressure: float = 0.05
    duct_k: float = 0.15
    leak: float = 0.5
    filter_drag: float = 0.15
    motor_current: float = 0.05


@dataclass(frozen=True, slots=True)
class DuctDesign:
    """A shop's ducting with its fan, filter and motor. ``air`` is what it breathes when nothing better is known.

    ``discharge`` is the duct after the fan, piece by piece as the air goes, up to the filter, a separator or the open;
    nothing joins there, and ``into`` of its pieces says nothing.
    """

    runs: tuple[Run, ...]
    ports: tuple[Port, ...]
    fan: FanCurve
    filter: FilterStage
    material: Material
    air: Air
    separator: Separator | None = None
    motor: Motor | None = None
    discharge: tuple[Run, ...] = ()
    uncertainties: Uncertainties = field(default_factory=Uncertainties)

    @property
    def port_names(self) -> tuple[str, ...]:
        """The ports in the order of the design: the column order of every gate array."""
        return tuple(port.name for port in self.ports)

    @property
    def run_names(self) -> tuple[str, ...]:
        """The runs in the order of the design."""
        return tuple(run.name for run in self.runs)


@dataclass(frozen=True, slots=True)
class AsBuilt:
    """Factors that turn the design into what stands in the shop; 1 everywhere is the design itself.

    ``fan_pressure`` multiplies the fan's static pressure at the same flow, ``fan_flow`` stretches its flow axis (the
    shaft power goes with both); ``port_k`` and ``run_k`` multiply every loss of a port or run except its junction's;
    ``leak`` multiplies what every shut gate and every leaking run lets through at the same suction; ``motor_current``
    multiplies the current; ``filter_drag`` multiplies the clean drag where no drag is given.
    """

    fan_pressure: float = 1.0
    fan_flow: float = 1.0
    port_k: Mapping[str, float] = field(default_factory=dict)
    run_k: Mapping[str, float] = field(default_factory=dict)
    leak: float = 1.0
    motor_current: float = 1.0
    filter_drag: float = 1.0


@dataclass(frozen=True, slots=True)
class Faults:
    """What is wrong in the ducts at the moment: input for simulation and for testing a suspicion.

    ``blockage`` names runs and ports of which only a fraction (0 < fraction <= 1) of the cross-section is left free;
    ``gate_opening`` names ports whose gate stands only partly open (fraction of the area, 0 < fraction <= 1);
    ``leak_m2`` names runs (at their upstream end) and ports (behind the gate, at their downstream end) with an extra
    opening of that effective area [m2]; ``hose_off`` names ports whose hose has come off the pipe, so that the
    pipe itself stands open behind its gate.
    """

    blockage: Mapping[str, float] = field(default_factory=dict)
    gate_opening: Mapping[str, float] = field(default_factory=dict)
    leak_m2: Mapping[str, float] = field(default_factory=dict)
    hose_off: frozenset[str] = frozenset()


NO_FAULTS = Faults()
AS_DRAWN = AsBuilt()
