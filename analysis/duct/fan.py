"""The fan: its curve from measured points, the fan laws, and a generic radial wheel where the owner has no curve.

``static`` is the *fan static pressure*: static pressure at the outlet less total pressure at the inlet. So the network
closes with ``total at the inlet + fan static pressure = pressure in the filter plenum``.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from analysis.air import STANDARD_DENSITY_KGM3
from analysis.duct.pchip import Cubic, shape_preserving

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class FanPoint:
    """One point of a fan's curve: flow [m3/s], fan static pressure [Pa], shaft power [W] (None where not known)."""

    flow_m3s: float
    static_pa: float
    shaft_w: float | None = None


@dataclass(frozen=True, slots=True)
class FanCurve:
    """A fan's curve at ``at_speed_rpm`` in air of ``at_density_kgm3``, turning at ``speed_rpm``.

    ``points`` in order of flow, three at least. ``at_speed_rpm`` None: not known, the points hold as they stand.
    ``uncertainty`` is one relative standard deviation of its static
    pressure at given flow; ``generic`` marks a curve that was scaled from a wheel and not measured. ``speed_rpm`` None
    means the speed of the points. All methods take ``speed_ratio``, a further factor on the speed (1: as designed),
    and ``density`` [kg/m3] (None: the density of the points).

    The fan laws carry the points to other speeds and densities: flow goes with speed n, pressure with density and n^2,
    power with density and n^3. Between the points a shape-preserving cubic runs (it never overshoots); beyond the last
    point the curve goes on along a straight line at the steepness of its last stretch, through zero and below; at
    negative flow it rises gently, so that a solver always finds one answer.

    Raises ValueError when there are fewer than three points, flows do not increase, power is given only at some, or a
    speed is given but not that of the points.
    """

    points: tuple[FanPoint, ...]
    at_speed_rpm: float | None = None
    speed_rpm: float | None = None
    at_density_kgm3: float = STANDARD_DENSITY_KGM3
    uncertainty: float = 0.05
    generic: bool = False
    _static: Cubic = field(init=False, repr=False, compare=False)
    _power: Cubic | None = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if len(self.points) < 3:
            raise ValueError(f"a fan curve needs at least three points, found {len(self.points)}")
        if self.speed_rpm is not None and self.at_speed_rpm is None:
            raise ValueError("the fan's speed is given, but not the speed that its points hold at")
        flows = [point.flow_m3s for point in self.points]
        for before, after in itertools.pairwise(flows):
            if not after > before:
                raise ValueError(f"fan points must increase in flow: {after:g} m3/s follows {before:g} m3/s")
        if flows[0] < 0.0:
            raise ValueError(f"the flow of a fan point cannot be negative: {flows[0]:g} m3/s")
        static = shape_preserving(flows, [point.static_pa for point in self.points])
        last = min(static.slopes[-1], (static.values[-1] - static.values[-2]) / (flows[-1] - flows[-2]))
        # Below zero flow a mild fall keeps the curve single-valued; a real fan is never run there by this shop.
        first = -0.25 * max(static.values) / flows[-1]
        object.__setattr__(self, "_static", static.with_ends(first, last))
        shafts = [point.shaft_w for point in self.points if point.shaft_w is not None]
        if shafts and len(shafts) != len(self.points):
            raise ValueError(
                f"shaft power is given at {len(shafts)} of {len(self.points)} fan points; give it at all or at none"
            )
        power = shape_preserving(flows, shafts) if shafts else None
        object.__setattr__(self, "_power", None if power is None else power.with_ends(0.0, power.slopes[-1]))

    @property
    def has_power(self) -> bool:
        """Whether shaft power is known (and so motor current can be expected)."""
        return self._power is not None

    @property
    def speed_factor(self) -> float:
        """Designed speed over the speed of the points."""
        if self.speed_rpm is None or self.at_speed_rpm is None:
            return 1.0
        return self.speed_rpm / self.at_speed_rpm

    @property
    def most_pa(self) -> float:
        """The highest fan static pressure of its points, at the designed speed [Pa]."""
        return max(point.static_pa for point in self.points) * self.speed_factor**2

    def free_flow_m3s(self, speed_ratio: float = 1.0) -> float:
        """Flow at which the fan static pressure has fallen to zero [m3/s], by extrapolation if need be."""
        spline = self._static
        low, high = spline.knots[-1], spline.knots[-1]
        if spline.values[-1] > 0.0:
            high = low + spline.values[-1] / -spline.end_slopes[1] if spline.end_slopes[1] < 0.0 else math.inf
            return high * self.speed_factor * speed_ratio
        low = spline.knots[0]
        for _ in range(60):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if spline.scalar(middle)[0] > 0.0 else (low, middle)
        return low * self.speed_factor * speed_ratio

    def pressure_scalar(
        self, flow_m3s: float, speed_ratio: float = 1.0, density: float | None = None
    ) -> tuple[float, float]:
        """Fan static pressure [Pa] and its slope [Pa s/m3] at one flow."""
        n = self.speed_factor * speed_ratio
        d = 1.0 if density is None else density / self.at_density_kgm3
        value, slope = self._static.scalar(flow_m3s / n)
        return d * n * n * value, d * n * slope

    def pressure_and_slope(
        self, flow_m3s: npt.ArrayLike, speed_ratio: npt.ArrayLike = 1.0, density: npt.ArrayLike | None = None
    ) -> tuple[Array, Array]:
        """Fan static pressure [Pa] at ``flow_m3s`` [m3/s] and its slope [Pa s/m3]; all arguments broadcast."""
        flow, n, d = self._laws(flow_m3s, speed_ratio, density)
        value, slope = self._static.array(flow)
        return d * n * n * value, d * n * slope

    def pressure_pa(
        self, flow_m3s: npt.ArrayLike, speed_ratio: npt.ArrayLike = 1.0, density: npt.ArrayLike | None = None
    ) -> Array:
        """Fan static pressure [Pa] at ``flow_m3s`` [m3/s]; all arguments broadcast."""
        return self.pressure_and_slope(flow_m3s, speed_ratio, density)[0]

    def pressure_slope(
        self, flow_m3s: npt.ArrayLike, speed_ratio: npt.ArrayLike = 1.0, density: npt.ArrayLike | None = None
    ) -> Array:
        """Slope of :meth:`pressure_pa` with flow [Pa s/m3]."""
        return self.pressure_and_slope(flow_m3s, speed_ratio, density)[1]

    def power_scalar(self, flow_m3s: float, speed_ratio: float = 1.0, density: float | None = None) -> float | None:
        """Shaft power [W] at one flow, None where the curve has no power."""
        if self._power is None:
            return None
        n = self.speed_factor * speed_ratio
        d = 1.0 if density is None else density / self.at_density_kgm3
        return d * n**3 * self._power.scalar(flow_m3s / n)[0]

    def power_w(
        self, flow_m3s: npt.ArrayLike, speed_ratio: npt.ArrayLike = 1.0, density: npt.ArrayLike | None = None
    ) -> Array | None:
        """Shaft power [W] at ``flow_m3s`` [m3/s], None where the curve has no power; all arguments broadcast."""
        if self._power is None:
            return None
        flow, n, d = self._laws(flow_m3s, speed_ratio, density)
        return d * n**3 * self._power.array(flow)[0]

    def _laws(
        self, flow_m3s: npt.ArrayLike, speed_ratio: npt.ArrayLike, density: npt.ArrayLike | None
    ) -> tuple[Array, Array, Array]:
        """The flow at the curve's own speed, the speed and the density over the curve's own."""
        import numpy as np

        n = np.asarray(speed_ratio, dtype=float) * self.speed_factor
        d = np.asarray(1.0) if density is None else np.asarray(density, dtype=float) / self.at_density_kgm3
        return np.asarray(flow_m3s, dtype=float) / n, n, d


_GENERIC_FLOW = (0.0, 0.15, 0.33, 0.50, 0.65, 0.80, 0.90, 1.0)
_GENERIC_STATIC = (0.95, 0.985, 1.0, 0.93, 0.78, 0.53, 0.29, 0.0)
_GENERIC_POWER = (0.35, 0.4475, 0.5645, 0.675, 0.7725, 0.87, 0.935, 1.0)
_GENERIC_HEAD = 0.62
_GENERIC_EFFICIENCY = 0.55

GENERIC_UNCERTAINTY = 0.20
"""One relative standard deviation of a generic wheel's static pressure (ours, wide on purpose; no source)."""


def generic_radial(wheel_diameter_m: float, speed_rpm: float, motor_w: float) -> FanCurve:
    """A curve for a radial-blade wheel of which only the size, the speed and the motor are known.

    Peak static pressure = 0.62 rho u^2 with the tip speed u = pi D n; it peaks at a third of free delivery and falls
    from there; shaft power rises in a straight line from 35 % to 100 % of the motor's power at free delivery; the
    free flow then follows from a best static efficiency of 55 %. Shape after the textbook description of radial
    wheels (from memory); head coefficient and efficiency are common practice, no source. Good to about 20 % in
    pressure and flow (one standard deviation): enough to see what is possible, not to judge a fan by.

    ``wheel_diameter_m`` [m] 0.1 to 1.5, ``speed_rpm`` [1/min] 500 to 7200, ``motor_w`` [W] above zero; ValueError
    outside.

    >>> fan = generic_radial(0.33, 3450.0, 1491.0)
    >>> round(float(fan.pressure_pa(fan.free_flow_m3s() / 3)))
    2647
    """
    if not 0.1 <= wheel_diameter_m <= 1.5:
        raise ValueError(f"wheel diameter {wheel_diameter_m:g} m is outside 0.1 to 1.5 m")
    if not 500.0 <= speed_rpm <= 7200.0:
        raise ValueError(f"fan speed {speed_rpm:g} rpm is outside 500 to 7200 rpm")
    if not motor_w > 0.0:
        raise ValueError(f"motor power {motor_w:g} W must be more than zero")
    tip = math.pi * wheel_diameter_m * speed_rpm / 60.0
    peak = _GENERIC_HEAD * STANDARD_DENSITY_KGM3 * tip * tip
    best = max(x * y / w for x, y, w in zip(_GENERIC_FLOW, _GENERIC_STATIC, _GENERIC_POWER, strict=True))
    free = _GENERIC_EFFICIENCY * motor_w / (best * peak)
    shape = zip(_GENERIC_FLOW, _GENERIC_STATIC, _GENERIC_POWER, strict=True)
    points = tuple(FanPoint(x * free, y * peak, w * motor_w) for x, y, w in shape)
    return FanCurve(points, speed_rpm, uncertainty=GENERIC_UNCERTAINTY, generic=True)


def curve_fault(points: tuple[FanPoint, ...]) -> str | None:
    """Why these points cannot be a fan's curve, in a sentence; None when they can.

    Pressure may dip and rise again where the wheel stalls, in the first 60 % of the flow range and by a quarter of the
    highest pressure at most, and must fall from there on; anything else is a slip of the pen. Shaft power must be above
    zero, pressure above zero at shutoff.
    """
    flows = [point.flow_m3s for point in points]
    statics = [point.static_pa for point in points]
    if statics[0] <= 0.0:
        return "the first point has no pressure: pressures are written as positive numbers"
    most = max(statics)
    for i in range(1, len(points)):
        rise = statics[i] - min(statics[:i])
        if statics[i] > statics[i - 1] and (flows[i] > 0.6 * flows[-1] or rise > 0.25 * most):
            return (
                f"pressure rises from point {i} to point {i + 1}; a fan's curve rises in the first 60 % of its flow range"
                " only, by a quarter of its highest pressure at most"
            )
    if any(point.shaft_w is not None and point.shaft_w <= 0.0 for point in points):
        return "shaft power must be above zero at every point"
    return None


def dips(points: tuple[FanPoint, ...]) -> bool:
    """Whether the pressure falls and rises again, as where a wheel stalls."""
    statics = [point.static_pa for point in points]
    fell = False
    for before, after in itertools.pairwise(statics):
        fell = fell or after < before
        if fell and after > before:
            return True
    return False
