"""What carries a reading to the table of the design: the air of the day, the speed of the fan, the line voltage."""

from __future__ import annotations

import math
from collections.abc import Mapping

from analysis.duct.design import DuctDesign
from analysis.estimator.ambient import AirState, Ambient

MAINS_SD = 0.02
"""Relative swing of the line voltage where it is not measured (common practice, no source)."""
MEASURED_MAINS_SD = 0.004
"""The same where it is: what the meter and the moment between two readings leave."""
LEAST_SLOWING = 0.012
"""A fan nearer to its usual speed than this (logarithm) turns at the usual one."""


class Carriage:
    """Pressures times ``inverse`` are those in the design's air at the usual speed; the logarithm of the drag plus
    ``shift`` is that of the table's drag. ``log_speed`` is the fan's speed over the usual one, ``log_volts`` the line
    voltage over the plate's, both as logarithms.
    """

    __slots__ = ("_ambient", "_plate_v", "air", "inverse", "log_speed", "log_volts", "shift", "volts_known")

    def __init__(self, design: DuctDesign) -> None:
        self._ambient = Ambient(design.air)
        self._plate_v = None if design.motor is None else design.motor.voltage_v
        self.air = AirState(1.0, 1.0, design.air.density_kgm3, 0.03, ())
        self.shift = 0.0
        self.inverse = 1.0
        self.log_volts = 0.0
        self.volts_known = False
        self.log_speed = 0.0

    def take(self, values: Mapping[str, float]) -> None:
        """Air and voltage of a frame."""
        self.air = air = self._ambient.at(values)
        # A slower fan is like thinner air: pressures go with the square of its speed, the drag over the speed.
        self.inverse = math.exp(-2.0 * self.log_speed) / air.density_ratio
        self.shift = math.log(air.viscosity_ratio / air.density_ratio) - self.log_speed
        volts, plate = values.get("line_v"), self._plate_v
        self.log_volts, self.volts_known = 0.0, False
        if volts is not None and plate is not None and volts > 0.5 * plate:
            self.log_volts, self.volts_known = math.log(volts / plate), True

    @property
    def mains_sd(self) -> float:
        """Relative standard deviation of the voltage at the motor."""
        return MEASURED_MAINS_SD if self.volts_known else MAINS_SD

    @property
    def log_power(self) -> float:
        """Logarithm of what air and fan speed make of the shaft power at the same point of the table."""
        return math.log(self.air.density_ratio) + 3.0 * self.log_speed

    def change_speed(self, change: float) -> float:
        """The fan turns faster by ``change`` (logarithm); returns the factor on pressures that were carried before."""
        self.log_speed += change
        if abs(self.log_speed) < LEAST_SLOWING:
            change -= self.log_speed
            self.log_speed = 0.0
        factor = math.exp(-2.0 * change)
        self.inverse *= factor
        self.shift -= change
        return factor
