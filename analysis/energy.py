"""Electrical power and energy from motor current: the motor's model read backwards.

Current is not power: an idle induction motor draws 30 to 50 % of its full-load current but only a small part of its
power. So the shaft power that fits the measured current is sought first (:class:`analysis.duct.motor.Motor`), and the
power drawn for it is what is counted.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from analysis.duct.motor import Motor

Array = npt.NDArray[np.float64]

MOST_LOAD = 3.0
"""Currents that would need more than this many times the rated shaft power are taken as that."""
HALVINGS = 40
UNCERTAINTY = 0.25
"""A power so found is right to about this share from 40 % load on (found on equivalent circuits of single- and
three-phase machines); below that it is too high, idle by up to a factor of three. A meter measures better."""


def power_drawn_w(motor: Motor, current_a: npt.ArrayLike, line_v: npt.ArrayLike | None = None) -> Array:
    """Electrical power [W] that ``motor`` draws at ``current_a`` [A] and ``line_v`` [V] (None: the plate's voltage).

    P such that I(P) = ``current_a``, by bisection; then power in = P + losses(P). The current grows with the load
    throughout, so there is one answer. Below the idle current it is what the motor draws idle; no current, no power.
    An unknown current (nan) gives nan.

    >>> from analysis.duct.motor import Motor
    >>> motor = Motor(1491.4, 1, 230.0, 11.2)
    >>> [round(float(p)) for p in power_drawn_w(motor, [11.2, 4.48, 0.0])]
    [1937, 200, 0]
    """
    current = np.asarray(current_a, dtype=float)
    volts = None if line_v is None else np.where(np.isfinite(line_v), np.asarray(line_v, dtype=float), motor.voltage_v)
    shape = np.broadcast_shapes(current.shape, () if volts is None else volts.shape)
    low, high = np.zeros(shape), np.full(shape, MOST_LOAD * motor.power_w)
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        above = motor.current_a(middle, volts) > current
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    shaft = 0.5 * (low + high)
    load = shaft / motor.power_w
    idle_w, full_w = motor.power_in_w(0.0), motor.power_in_w(motor.power_w)
    power = shaft + idle_w + (full_w - idle_w - motor.power_w) * load * load
    return np.asarray(np.where(current > 0.0, power, np.where(np.isnan(current), np.nan, 0.0)))
