"""What the solver answers: one operating point, or many as a structure of arrays."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]
    Bools = npt.NDArray[np.bool_]

RemarkKind = Literal["below_carrying_velocity", "short_of_need", "outside_fan_points", "blows_back"]


@dataclass(frozen=True, slots=True)
class Remark:
    """Something that a gate set brings about by design: worth telling once, never an alarm.

    ``value`` and ``limit`` are SI (m/s for velocities, m3/s for flows) so that the screen can show them in its own
    units; ``words`` carries no number.
    """

    kind: RemarkKind
    where: str
    value: float
    limit: float
    words: str


@dataclass(frozen=True, slots=True)
class SectionState:
    """The air in one run or port pipe.

    ``static_pa`` and ``total_pa`` are gauge pressures at its downstream end, just before the junction.
    ``velocity_share`` is velocity over the carrying velocity that applies there; ``need_share`` the flow over what the
    machine needs, None for runs and for ports whose need is not stated. ``in_use`` says whether an open port feeds it.
    """

    name: str
    flow_m3s: float
    velocity_ms: float
    velocity_pa: float
    static_pa: float
    total_pa: float
    carrying_ms: float
    velocity_share: float
    need_share: float | None
    in_use: bool


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """Where fan and ducts meet for one gate set.

    ``inlet_pa`` is the static gauge pressure in the last run just before the fan (negative), ``filter_pa`` the pressure
    over the bags (drag times flow), ``fan_static_pa`` the rise of the fan, outlet static less inlet total.
    ``motor_a`` is None where the design has no motor. ``steps`` is the number of Newton steps taken.
    """

    open_ports: tuple[str, ...]
    flow_m3s: float
    inlet_pa: float
    filter_pa: float
    fan_static_pa: float
    shaft_w: float | None
    motor_a: float | None
    filter_drag_pasm3: float
    density_kgm3: float
    runs: Mapping[str, SectionState]
    ports: Mapping[str, SectionState]
    remarks: tuple[Remark, ...]
    steps: int


@dataclass(frozen=True, slots=True)
class OperatingPoints:
    """Operating points of ``n`` gate sets, as arrays.

    One-dimensional arrays have length ``n``; ``port_...`` are (n, ports) and ``run_...`` (n, runs), columns in the
    order of the design. ``run_static_pa`` and ``port_static_pa`` are static gauge pressures at the downstream ends.
    ``steps`` is the number of Newton steps of the slowest.
    """

    port_names: tuple[str, ...]
    run_names: tuple[str, ...]
    gates: Bools
    flow_m3s: Floats
    inlet_pa: Floats
    filter_pa: Floats
    fan_static_pa: Floats
    shaft_w: Floats | None
    motor_a: Floats | None
    filter_drag_pasm3: Floats
    density_kgm3: float
    port_flow_m3s: Floats
    port_velocity_ms: Floats
    port_static_pa: Floats
    run_flow_m3s: Floats
    run_velocity_ms: Floats
    run_static_pa: Floats
    steps: int

    def __len__(self) -> int:
        return len(self.flow_m3s)

    def open_ports(self, index: int) -> tuple[str, ...]:
        """The names of the ports open in gate set ``index``."""
        return tuple(name for name, is_open in zip(self.port_names, self.gates[index], strict=True) if is_open)
