"""The plant's own description of a shop: a tree of runs, ports at its leaves, fan, motor, bags and sensors.

Plain numbers in SI. ``analysis.plant.asbuilt`` draws the shop as it was really built from the one that was drawn.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

FAN = "fan"
"""The name of the root that the last run flows into."""

REFERENCE_DENSITY = 1.2
"""Air density at which the tables of operating points are made [kg/m3]."""
REFERENCE_VISCOSITY = 1.82e-5
"""Air viscosity at which the tables of operating points are made [Pa s]."""


@dataclass(frozen=True, slots=True)
class Pipe:
    """A run of pipe: where it flows, how it joins, its size and the sum of its fittings' coefficients.

    ``angle_deg`` is the angle at which it enters the run it flows into (0 goes straight through). ``fittings_k`` is in
    velocity heads of this pipe. ``leak_m2`` is the effective area (discharge coefficient included) of the leaks at its
    upstream joint. ``loss_factor`` multiplies all of its losses: what building it made of the drawing. ``blocked`` is
    the share of its section that chips have filled at one place.
    """

    name: str
    into: str
    diameter_m: float
    length_m: float
    roughness_m: float
    angle_deg: float = 0.0
    fittings_k: float = 0.0
    leak_m2: float = 0.0
    loss_factor: float = 1.0
    blocked: float = 0.0

    @property
    def area_m2(self) -> float:
        """Section of the pipe [m2]."""
        return float(np.pi / 4.0 * self.diameter_m**2)


@dataclass(frozen=True, slots=True)
class PlantPort:
    """A leaf: its own pipe, gate, hose and machine opening.

    ``entry_k`` and ``gate_k`` are in velocity heads of the pipe, ``gate_leak_m2`` is the effective area that a shut
    gate leaves. ``hose_off`` means that the hose has come off at the pipe, so the air enters by a plain end.
    ``chips_kg_min`` is what the machine throws while it cuts, ``fines`` the share of it that is fine enough to reach
    the filter bags. ``gated`` False: a port without a gate, always open.
    """

    name: str
    pipe: Pipe
    entry_k: float
    gate_k: float = 0.2
    gate_leak_m2: float = 1.0e-4
    hose_diameter_m: float = 0.0
    hose_length_m: float = 0.0
    hose_roughness_m: float = 0.0
    hose_off: bool = False
    gated: bool = True
    needs_m3s: float = 0.165
    chips_kg_min: float = 0.2
    fines: float = 0.003


@dataclass(frozen=True, slots=True)
class FanPoints:
    """Fan static pressure and shaft power against flow at one speed and density; the speed it really turns."""

    flow_m3s: tuple[float, ...]
    static_pa: tuple[float, ...]
    power_w: tuple[float, ...]
    at_rpm: float = 3450.0
    rpm: float = 3450.0
    at_density: float = 1.2014


@dataclass(frozen=True, slots=True)
class Nameplate:
    """What the motor's plate says, the mains frequency, and the idle current as a share of the full-load current.

    ``rpm`` None: the usual speed of a two-pole motor. Idle current is 30 to 50 % of full load, a little more for
    one phase (common practice, no source).
    """

    power_w: float
    voltage_v: float
    full_load_a: float
    phases: int = 1
    frequency_hz: float = 60.0
    rpm: float | None = None
    idle_share: float = 0.55


@dataclass(frozen=True, slots=True)
class Bags:
    """Filter bags and chip bag.

    ``clean_drag`` is pressure over flow of the clean bags [Pa s/m3] at reference viscosity. ``cake_k2`` is the specific
    resistance of the dust cake [Pa/((m/s)(kg/m2))]; published values for wood dust are 63e3 and 253e3 1/s (6.3 and 25.2
    inWC/((lb/ft2)(ft/min)), an air-pollution handbook's table of 2004 after older manuals). ``chip_bag_kg`` is what the
    chip bag holds; above it a share ``carry_over`` of the chips goes up into the filter bags, where a kilogram of them
    resists ``coarse`` times as much as fines. ``slump`` is the share of the cake that falls when the fan stops,
    ``left_after_cleaning`` the share that cleaning leaves, ``blinding`` the share of the rest that goes into the cloth
    for good.
    """

    area_m2: float
    clean_drag: float
    cake_k2: float = 80e3
    chip_bag_kg: float = 22.0
    carry_over: float = 0.03
    coarse: float = 0.6
    slump: float = 0.01
    left_after_cleaning: float = 0.03
    blinding: float = 0.004


@dataclass(frozen=True, slots=True)
class Sensor:
    """One sensor as it is: ``measured = span * true + offset + drift_per_k (T - 20 C)``, lag, noise and step size."""

    offset: float = 0.0
    span: float = 1.0
    drift_per_k: float = 0.0
    noise: float = 0.0
    step: float = 0.0
    lag_s: float = 0.0


def plain_sensors() -> dict[str, Sensor]:
    """Sensors of ordinary quality for every channel, without offset or span error."""
    return {
        "inlet_pa": Sensor(drift_per_k=0.35, noise=2.0, step=1.0, lag_s=0.6),
        "filter_pa": Sensor(drift_per_k=0.15, noise=0.8, step=0.5, lag_s=0.6),
        "motor_a": Sensor(noise=0.02, step=0.01, lag_s=0.5),
        "pitot_pa": Sensor(drift_per_k=0.1, noise=1.5, step=0.5, lag_s=0.6),
        "bag_level": Sensor(noise=0.01, step=0.01, lag_s=2.0),
        "exhaust_ugm3": Sensor(noise=2.0, step=1.0, lag_s=8.0),
        "air_c": Sensor(noise=0.03, step=0.1, lag_s=20.0),
        "air_rh": Sensor(noise=0.002, step=0.001, lag_s=20.0),
        "barometer_pa": Sensor(noise=3.0, step=1.0),
        "line_v": Sensor(noise=0.1, step=0.1),
        "motor_c": Sensor(noise=0.05, step=0.1, lag_s=10.0),
    }


@dataclass(frozen=True, slots=True)
class PlantShop:
    """A whole shop. ``runs`` are the mains (every name once), ``ports`` the leaves; all flow, in the end, into ``FAN``.

    ``separator_pa_s2m6`` is the loss of a separator stage (pressure over flow squared), ``collar_k`` an obstacle
    between the inlet tap and the fan (velocity heads of the last run), ``collar_leak_m2`` a leak there.
    """

    name: str
    runs: tuple[Pipe, ...]
    ports: tuple[PlantPort, ...]
    fan: FanPoints
    motor: Nameplate
    bags: Bags
    site_pressure_pa: float = 101_325.0
    mean_air_c: float = 14.0
    separator_pa_s2m6: float = 0.0
    collar_k: float = 0.0
    collar_leak_m2: float = 0.0
    sensors: Mapping[str, Sensor] = field(default_factory=plain_sensors)

    @property
    def port_names(self) -> tuple[str, ...]:
        """Names of the ports, in order: bit ``i`` of a gate mask is the gate of port ``i``."""
        return tuple(port.name for port in self.ports)

    @property
    def always_open(self) -> int:
        """The gate mask of the ports that have no gate."""
        return sum(1 << i for i, port in enumerate(self.ports) if not port.gated)

    def mask(self, open_ports: tuple[str, ...] | list[str] | frozenset[str]) -> int:
        """The gate mask with these ports open. Raises :class:`ValueError` for a name that is no port."""
        names = self.port_names
        mask = 0
        for name in open_ports:
            if name not in names:
                raise ValueError(f"{name!r} is no port of {self.name!r}; ports: {', '.join(names)}")
            mask |= 1 << names.index(name)
        return mask

    def with_pipe(self, name: str, **changes: float) -> PlantShop:
        """The same shop with fields of one run's or port's pipe changed."""
        if any(run.name == name for run in self.runs):
            return replace(self, runs=tuple(replace(r, **changes) if r.name == name else r for r in self.runs))  # type: ignore[arg-type]
        port = self.port(name)
        return self.with_port(replace(port, pipe=replace(port.pipe, **changes)))  # type: ignore[arg-type]

    def port(self, name: str) -> PlantPort:
        """The port of that name. Raises :class:`ValueError` if there is none."""
        for port in self.ports:
            if port.name == name:
                return port
        raise ValueError(f"{name!r} is no port or run of {self.name!r}")

    def with_port(self, port: PlantPort) -> PlantShop:
        """The same shop with the port of that name replaced."""
        return replace(self, ports=tuple(port if p.name == port.name else p for p in self.ports))
