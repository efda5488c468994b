"""The plant's fan: a smooth polynomial laid through the stated points, with the fan laws for speed and density."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.plant.shop import REFERENCE_DENSITY, Array, FanPoints


@dataclass(frozen=True, slots=True)
class FanCurve:
    """Fan static pressure and shaft power as polynomials of the share of the largest stated flow.

    At the speed of the points and at ``REFERENCE_DENSITY``. Past the last point both go on along their tangent.
    Fan static pressure is outlet static minus inlet total pressure.
    """

    flow_end_m3s: float
    pressure: Array
    power: Array

    @classmethod
    def through(cls, points: FanPoints) -> FanCurve:
        """Least-squares polynomials (degree 4 in pressure, 3 in power; lower for few points) through the points.

        Raises :class:`ValueError` for fewer than two points or flows that do not rise.
        """
        flow = np.asarray(points.flow_m3s, dtype=float)
        if len(flow) < 2 or np.any(np.diff(flow) <= 0):
            raise ValueError("a fan needs at least two points of rising flow")
        share = flow / flow[-1]
        thick = REFERENCE_DENSITY / points.at_density
        pressure = np.polynomial.polynomial.polyfit(share, thick * np.asarray(points.static_pa), min(4, len(flow) - 1))
        power = np.polynomial.polynomial.polyfit(share, thick * np.asarray(points.power_w), min(3, len(flow) - 1))
        return cls(float(flow[-1]), np.asarray(pressure), np.asarray(power))

    def static_pa(self, flow_m3s: Array) -> Array:
        """Fan static pressure at the flow [Pa]."""
        return self._value(self.pressure, flow_m3s)

    def slope(self, flow_m3s: Array) -> Array:
        """Change of fan static pressure with flow [Pa s/m3]."""
        share = np.minimum(flow_m3s / self.flow_end_m3s, 1.0)
        derivative = np.polynomial.polynomial.polyder(self.pressure)
        return np.asarray(np.polynomial.polynomial.polyval(share, derivative) / self.flow_end_m3s)

    def power_w(self, flow_m3s: Array) -> Array:
        """Shaft power at the flow [W]."""
        return self._value(self.power, flow_m3s)

    def _value(self, coefficients: Array, flow_m3s: Array) -> Array:
        share = flow_m3s / self.flow_end_m3s
        inside = np.minimum(share, 1.0)
        end_slope = np.polynomial.polynomial.polyval(1.0, np.polynomial.polynomial.polyder(coefficients))
        return np.asarray(np.polynomial.polynomial.polyval(inside, coefficients) + (share - inside) * end_slope)
