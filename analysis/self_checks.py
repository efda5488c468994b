"""Checks that need no instrument: what the sensors must show by themselves when the fan stands, runs, or has nothing to draw.

Each check compares a mean with what is known without measuring: nothing at rest, the fan's own shut-off pressure, the signs
of suction and pressure, a motor's current between idle and full load. A check that has nothing to look at says "not yet
known".
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from typing import Literal

from analysis.blocks import Stat
from analysis.duct.design import DuctDesign
from analysis.duct.uncertainty import expectation
from analysis.estimator.rezero import BOUNDS
from analysis.estimator.uncertain import MOTOR_FORM_SD
from analysis.readings import CHANNELS

Verdict = Literal["good", "look", "not yet known"]

ENOUGH = 20
"""No check of a running unit looks at fewer readings."""
ENOUGH_REST = 5
"""The same at rest, where only one reading a minute is kept."""
NEARLY_ZERO_SHARE = 0.02
"""Current at rest, as a share of the motor's full-load current, that is still nothing (ours)."""
IDLE_SHARE_SD = 0.058
"""Idle current is 30 to 50 % of full load (from memory): as one standard deviation of that even spread, a share of full load.
With all gates shut the motor is near idle, where the plate says least."""
DEAD_STEP_PA = 0.5
"""A running unit pulsates: steps from second to second below this mean a plugged or kinked tube (ours)."""


@dataclass(frozen=True, slots=True)
class Check:
    """One comparison: what was ``found`` (None where nothing was), between what ``low`` and ``high`` it should lie [SI of the
    channel], the verdict, and what to do about it."""

    name: str
    channel: str
    verdict: Verdict
    found: float | None
    low: float | None
    high: float | None
    words: str

    @property
    def kind(self) -> str:
        """Kind of quantity, for units."""
        return CHANNELS[self.channel].kind


def stat(values: Iterable[float]) -> Stat | None:
    """Moments of readings in the order of time, None where there are none."""
    column = list(values)
    if not column:
        return None
    steps = [(b - a) ** 2 for a, b in itertools.pairwise(column)]
    rms = math.sqrt(sum(steps) / len(steps)) if len(column) >= 3 else None
    return Stat(len(column), math.fsum(column) / len(column), min(column), max(column), rms)


def _short(name: str, channel: str, what: str) -> Check:
    return Check(name, channel, "not yet known", None, None, None, what)


def zero_at_rest(channel: str, rest: Stat | None, sd: float) -> Check:
    """A pressure with the fan off: nothing, within two standard deviations ``sd`` [SI] of the sensor.

    A zero that is off is taken off by itself as long as it lies within the bound that the estimator believes.
    """
    name = "zero at rest"
    if rest is None or rest.count < ENOUGH_REST:
        return _short(name, channel, "the fan has not stood still for long enough (a minute after coasting down)")
    off, bound = abs(rest.mean), BOUNDS.get(channel, math.inf)
    low, high = -2.0 * sd, 2.0 * sd
    if off <= high:
        return Check(name, channel, "good", rest.mean, low, high, "")
    if off <= bound:
        return Check(name, channel, "good", rest.mean, low, high,
                     "off, but taken off by itself at every standstill; calibrate when it grows")
    return Check(name, channel, "look", rest.mean, low, high,
                 "too far off to be believed: pull both tubes off the sensor; if it stays, calibrate the zero or replace the "
                 "sensor; if it goes, look for wind in the stack, another fan, or water in a tube")


def current_at_rest(rest: Stat | None, full_load_a: float, sd: float) -> Check:
    """The current with the fan off: nothing, within the larger of 2 % of full load and two ``sd`` [A]."""
    name = "current at rest"
    if rest is None or rest.count < ENOUGH_REST:
        return _short(name, "motor_a", "the fan has not stood still for long enough")
    high = max(NEARLY_ZERO_SHARE * full_load_a, 2.0 * sd)
    if abs(rest.mean) <= high:
        return Check(name, "motor_a", "good", rest.mean, -high, high, "")
    return Check(name, "motor_a", "look", rest.mean, -high, high,
                 "something flows while the fan stands: noise on the wire (shorten or shield it), the transformer round the "
                 "wrong conductor, or a bias that is not taken off")


def signs(channel: str, running: Stat | None) -> Check:
    """While the fan runs the inlet is below the room and the plenum above it."""
    name = "sign while running"
    if running is None or running.count < ENOUGH:
        return _short(name, channel, "the fan has not run long enough")
    below = channel == "inlet_pa"
    low, high = (-math.inf, 0.0) if below else (0.0, math.inf)
    if low < running.mean < high:
        return Check(name, channel, "good", running.mean, low, high, "")
    return Check(name, channel, "look", running.mean, low, high,
                 "the sign is wrong: swap the two tubes at the sensor, or write a negative scale")


def pulsation(channel: str, running: Stat | None) -> Check:
    """A pressure that does not move from second to second while the fan runs is not the fan's."""
    name = "alive while running"
    if running is None or running.count < ENOUGH or running.step_rms is None:
        return _short(name, channel, "the fan has not run long enough")
    if running.step_rms >= DEAD_STEP_PA:
        return Check(name, channel, "good", running.step_rms, DEAD_STEP_PA, math.inf, "")
    return Check(name, channel, "look", running.step_rms, DEAD_STEP_PA, math.inf,
                 "it hardly moves: a plugged, kinked or pinched tube, water in it, or a sensor that averages for very long")


def current_in_range(running: Stat | None, full_load_a: float, service_factor: float) -> Check:
    """The current of a running motor lies between a light idle (a quarter of full load) and its plate."""
    name = "current while running"
    if running is None or running.count < ENOUGH:
        return _short(name, "motor_a", "the fan has not run long enough")
    low, high = 0.25 * full_load_a, full_load_a * service_factor
    if running.mean < low:
        words = ("too little for this motor: the ratio of the transformer or the burden is written wrong, it is not closed, or "
                 "it sits round a neutral that carries only a part")
    elif running.mean > high:
        words = ("more than the plate allows: if a clamp meter agrees, stop and find out why; if not, the ratio or the burden "
                 "is written wrong, or the conductor passes twice")
    else:
        return Check(name, "motor_a", "good", running.mean, low, high, "")
    return Check(name, "motor_a", "look", running.mean, low, high, words)


def shut_off(design: DuctDesign, values: dict[str, Stat], sds: dict[str, float]) -> tuple[Check, ...]:
    """With every gate shut the fan works near its shut-off pressure, which its curve states: the one pressure that needs no
    flow to be known. ``values`` are the means over that minute, ``sds`` the sensors' standard deviations [SI].

    The curve at that point is known to its own uncertainty (5 % unless stated), so this finds a wrong span of a tenth, a
    wrong unit, a fan that turns backwards or slowly, and a main that leaks; it does not replace the U-tube.
    """
    found = expectation(design, ())
    checks = []
    for channel in ("inlet_pa", "filter_pa", "motor_a"):
        expected = found.values.get(channel)
        have = values.get(channel)
        if expected is None:
            continue
        name = "all gates shut"
        if have is None or have.count < ENOUGH:
            checks.append(_short(name, channel, "shut every gate for a minute with the fan on, and say when (--all-shut)"))
            continue
        idle = IDLE_SHARE_SD * design.motor.full_a if channel == "motor_a" and design.motor is not None else 0.0
        room = 2.0 * math.hypot(expected.sd, sds.get(channel, 0.0), idle, MOTOR_FORM_SD * expected.value if idle else 0.0)
        low, high = expected.value - room, expected.value + room
        good = low <= have.mean <= high
        checks.append(Check(name, channel, "good" if good else "look", have.mean, low, high,
                            "" if good else _SHUT_WORDS[channel, have.mean > high]))
    return tuple(checks)


_SHUT_WORDS = {
    ("inlet_pa", True): "less suction than the fan's curve promises: a leak, a gate that does not shut, a slow or backward "
                        "fan, thinner air than assumed, or a span that is too small: check against the U-tube",
    ("inlet_pa", False): "more suction than the fan's curve promises: the curve or its speed is written wrong, or the span is "
                         "too large: check against the U-tube",
    ("filter_pa", True): "air still flows through the bags: a gate does not shut, a duct leaks, or the zero is off",
    ("filter_pa", False): "below the room: the zero is off, or the tubes are swapped",
    ("motor_a", True): "more current than the fan's curve asks for: air still flows, a bearing drags, the mains are low, or "
                       "the ratio is written wrong",
    ("motor_a", False): "less current than the fan's curve asks for: the fan turns slowly, or the ratio is written wrong",
}


def looks(checks: Collection[Check]) -> int:
    """How many checks ask for a look."""
    return sum(check.verdict == "look" for check in checks)
