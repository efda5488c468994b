"""The plant's motor: the equivalent circuit of an induction machine, from slip to current and shaft power.

Three-phase: the textbook circuit of one phase. Single-phase: the double revolving field, whose backward field is why
such a motor draws so much more when idle. The magnetising branch saturates, so idle current rises faster than voltage.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from analysis.plant.shop import Array, Nameplate


@dataclass(frozen=True, slots=True)
class Circuit:
    """Resistances and reactances per phase [ohm], phase voltage [V], losses that turn with the shaft [W].

    ``saturation`` is the share of the magnetising current that belongs to saturated iron when the air-gap voltage is
    93 % of rated (0: none); that part goes with the seventh power of the air-gap voltage.
    """

    phases: int
    volts: float
    r1: float
    x1: float
    r2: float
    x2: float
    xm: float
    rotating_w: float
    synchronous_rpm: float
    saturation: float = 0.0

    def run(self, slip: npt.ArrayLike, voltage_ratio: npt.ArrayLike = 1.0) -> MotorPoint:
        """What the motor draws and gives at a slip (0 to 1) and a share of its rated voltage."""
        s = np.maximum(np.asarray(slip, dtype=float), 1e-6)
        v = self.volts * np.asarray(voltage_ratio, dtype=float)
        xm: Array | float = self.xm
        for _ in range(12 if self.saturation else 1):
            forward, backward = self._fields(s, xm)
            impedance = complex(self.r1, self.x1) + forward + backward
            current = v / impedance
            gap = np.abs(current * forward)
            xm = self.xm / (1.0 - self.saturation + self.saturation * (gap / (0.93 * self.volts)) ** 6)
        amps = np.abs(current)
        gap_power = amps**2 * np.real(forward) - amps**2 * np.real(backward)
        shaft = self.phases * gap_power * (1.0 - s) - self.rotating_w * np.minimum((1.0 - s) / 0.9, 1.0)
        drawn = self.phases * amps**2 * np.real(impedance)
        return MotorPoint(
            np.asarray(amps),
            np.asarray(shaft),
            np.asarray(drawn),
            np.asarray(np.cos(np.angle(impedance))),
            np.asarray(self.synchronous_rpm * (1.0 - s)),
        )

    def _fields(self, s: Array, xm: Array | float) -> tuple[Array, Array]:
        def rotor(slip: Array) -> Array:
            branch = self.r2 / slip + 1j * self.x2
            return np.asarray(1j * xm * branch / (branch + 1j * xm))

        if self.phases == 3:
            return rotor(s), np.zeros_like(s, dtype=complex)
        return 0.5 * rotor(s), 0.5 * rotor(2.0 - s)


@dataclass(frozen=True, slots=True)
class MotorPoint:
    """Line current [A], shaft power [W], drawn power [W], power factor and shaft speed [rpm]."""

    current_a: Array
    shaft_w: Array
    drawn_w: Array
    power_factor: Array
    rpm: Array


def motor_from_plate(plate: Nameplate, slip: float = 0.0417) -> Circuit:
    """The circuit that gives the plate's power at its full-load current, at ``slip`` (or the plate's speed).

    Stator resistance is 8 % and leakage reactance 7 % of rated impedance (common practice, no source). Rotor
    resistance, magnetising reactance and the loss that turns with the shaft are fitted so that power, full-load current
    and idle current come out; efficiency and power factor follow. Raises :class:`ValueError` if no such machine can
    exist (too little current for the power).
    """
    poles = 2 if plate.rpm is None or plate.rpm > 1.05 * 60.0 * plate.frequency_hz / 2.0 else 4
    synchronous = 120.0 * plate.frequency_hz / poles
    if plate.rpm is not None:
        slip = 1.0 - plate.rpm / synchronous
    volts = plate.voltage_v / (np.sqrt(3.0) if plate.phases == 3 else 1.0)
    if plate.power_w / (plate.phases * volts * plate.full_load_a) > 0.85:
        raise ValueError(
            f"{plate.full_load_a:g} A at {plate.voltage_v:g} V is too little current for a shaft power of "
            f"{plate.power_w:.0f} W"
        )
    z = volts / plate.full_load_a
    start = Circuit(
        plate.phases, volts, 0.08 * z, 0.07 * z, 0.05 * z, 0.07 * z, 1.8 * z, 0.05 * plate.power_w, synchronous, 0.25
    )

    def circuit(at: Array) -> Circuit:
        rotor, magnetising, losses = np.exp(at)
        return replace(
            start,
            r2=float(start.r2 * rotor),
            xm=float(start.xm * magnetising),
            rotating_w=float(start.rotating_w * losses),
        )

    def miss(at: Array) -> Array:
        point = circuit(at).run(np.array([slip, 1e-4]))
        return np.array(
            [
                point.shaft_w[0] / plate.power_w - 1.0,
                point.current_a[0] / plate.full_load_a - 1.0,
                point.current_a[1] / (plate.idle_share * plate.full_load_a) - 1.0,
            ]
        )

    logs = np.zeros(3)
    for _ in range(60):
        now = miss(logs)
        if np.max(np.abs(now)) < 1e-9:
            return circuit(logs)
        slope = np.column_stack([(miss(logs + h) - now) / 1e-5 for h in 1e-5 * np.eye(3)])
        logs = logs + np.clip(np.linalg.solve(slope, -now), -0.3, 0.3)
    raise ValueError(f"no induction motor fits {plate}")


def typical_plate(power_w: float, voltage_v: float, phases: int) -> Nameplate:
    """A nameplate with the efficiency and power factor usual for the size (common practice, no source).

    Efficiency ``0.80 + 0.025 ln(kW)`` and power factor 0.80 for three phases, ``0.70 + 0.03 ln(kW)`` and 0.77 for one;
    0.5 to 10 kW.
    """
    size = float(np.log(power_w / 1000.0))
    share = (0.80 + 0.025 * size) * 0.80 * float(np.sqrt(3.0)) if phases == 3 else (0.70 + 0.03 * size) * 0.77
    return Nameplate(power_w, voltage_v, power_w / (share * voltage_v), phases)


class MotorTable:
    """Slip and current against shaft power and voltage, ready for whole arrays of seconds."""

    POWER_STEPS = 40
    VOLT_LOW, VOLT_HIGH, VOLT_STEPS = 0.70, 1.16, 24

    def __init__(self, circuit: Circuit, rated_w: float) -> None:
        self.circuit = circuit
        self.power_end = 1.8 * rated_w
        power = np.linspace(0.0, self.power_end, self.POWER_STEPS)
        slips = np.geomspace(1e-4, 0.25, 400)
        volts = np.linspace(self.VOLT_LOW, self.VOLT_HIGH, self.VOLT_STEPS)
        self.slip = np.empty((self.VOLT_STEPS, self.POWER_STEPS))
        self.current = np.empty_like(self.slip)
        for row, ratio in enumerate(volts):
            point = circuit.run(slips, ratio)
            top = int(np.argmax(point.shaft_w))
            first = int(np.argmin(np.abs(point.shaft_w[: top + 1]))) if point.shaft_w[0] > 0 else 0
            given, at, amps = point.shaft_w[first : top + 1], slips[first : top + 1], point.current_a[first : top + 1]
            self.slip[row] = np.interp(power, given, at)
            self.current[row] = np.interp(power, given, amps)

    def look_up(self, shaft_w: Array, voltage_ratio: Array) -> tuple[Array, Array]:
        """Slip and line current [A] for shaft powers [W] and voltages (share of rated); outside, the nearest edge."""
        x = np.clip(shaft_w / self.power_end, 0.0, 1.0) * (self.POWER_STEPS - 1)
        y = np.clip((voltage_ratio - self.VOLT_LOW) / (self.VOLT_HIGH - self.VOLT_LOW), 0.0, 1.0) * (
            self.VOLT_STEPS - 1
        )
        column = np.minimum(x.astype(int), self.POWER_STEPS - 2)
        row = np.minimum(y.astype(int), self.VOLT_STEPS - 2)
        fx, fy = x - column, y - row
        weights = ((1 - fy) * (1 - fx), (1 - fy) * fx, fy * (1 - fx), fy * fx)
        at = row * self.POWER_STEPS + column
        places = (at, at + 1, at + self.POWER_STEPS, at + self.POWER_STEPS + 1)
        slip, current = self.slip.ravel(), self.current.ravel()
        return (
            sum((w * slip[p] for w, p in zip(weights, places, strict=True)), np.zeros_like(x)),
            sum((w * current[p] for w, p in zip(weights, places, strict=True)), np.zeros_like(x)),
        )


@dataclass(frozen=True, slots=True)
class StartUp:
    """Share of full fan speed and current at tenths of a second after switching on, and how it coasts when off.

    ``coast_s`` is the time in which windage alone halves the speed.
    """

    speed: Array
    current_a: Array
    coast_s: float


def start_up(circuit: Circuit, rated_w: float, load_w: float, inertia_s: float = 1.5) -> StartUp:
    """Runs the motor up against the fan (torque with the square of speed).

    ``inertia_s`` is twice the rotor's energy over rated power [s]: the time in which rated torque would bring the wheel
    to full speed (1 to 3 s for a heavy steel wheel; common practice, no source). The start winding or capacitor is
    taken to give 1.8 times rated torque below 75 % of speed.
    """
    slips = np.concatenate([np.geomspace(1e-3, 1.0, 300)])
    point = circuit.run(slips)
    torque_of = np.maximum(point.shaft_w, 0.0) / np.maximum(1.0 - slips, 1e-3) / rated_w
    speeds, currents = [], []
    speed, step = 0.0, 0.01
    for tick in range(1500):
        slip = 1.0 - speed
        torque = float(np.interp(slip, slips, torque_of))
        if slip > 0.25:
            torque = max(torque, 1.8)
        if tick % 10 == 0:
            speeds.append(speed)
            currents.append(float(np.interp(slip, slips, point.current_a)))
        speed = min(speed + step * (torque - load_w / rated_w * speed**2) / inertia_s, 0.999)
    run = np.array(speeds)
    return StartUp(np.minimum(run / run[-1], 1.0), np.array(currents), inertia_s * rated_w / load_w)
