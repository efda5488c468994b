"""The opening of a port at its machine, as a person writes it ("taper 45", "350 cfm at 2.0 inwg")."""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import dataclass

from analysis import units
from analysis.duct.written import NUMBER, FittingError, FixedLoss, between, meant, plain, size

TAPER_K = {
    "round": ((15, 0.15), (30, 0.08), (45, 0.06), (60, 0.08), (90, 0.15), (120, 0.26), (150, 0.40), (180, 0.50)),
    "rectangular": ((15, 0.25), (30, 0.16), (45, 0.15), (60, 0.17), (90, 0.25), (120, 0.35), (150, 0.48), (180, 0.50)),
}
"""Included angle [deg] and loss of a tapered hood: ACGIH *Industrial Ventilation* figure 6 (from memory)."""

ENTRY_K = {"plain": 0.93, "flanged": 0.49, "bell": 0.04, "orifice": 1.78, "booth": 0.50}
"""Loss of an opening in velocity pressures of its duct: ACGIH *Industrial Ventilation*, hood entry losses (from
memory)."""

ENTRY_FORMS = (
    "'plain', 'flanged', 'bell', 'booth', 'orifice', 'orifice 3 in', 'taper 45', 'taper 45 rectangular', 'machine 1.5'"
    " (loss in velocity pressures), or the flow at a static suction: '350 cfm at 2.0 inwg'"
)

_FORMS = (*ENTRY_K, "orifice 3 in", "taper 45", "taper 45 rectangular", "machine 1.5", "350 cfm at 2.0 inwg")
_ALSO = {
    "bellmouth": "bell", "bell mouth": "bell", "flange": "flanged", "plain end": "plain", "open": "plain",
    "open end": "plain",
}
_MACHINE = re.compile(rf"^(?:machine|hood|k)\s*=?\s*{NUMBER}$", re.IGNORECASE)
_TAPER = re.compile(rf"^taper(?:ed)?\s+{NUMBER}(?:\s+(round|rectangular))?$", re.IGNORECASE)
_ORIFICE = re.compile(r"^orifice\s+(.+)$", re.IGNORECASE)
_FLOW_AT = re.compile(r"^(.+?)\s+(?:at|@)\s+(.+)$", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Entry:
    """The opening at a machine: a :class:`FixedLoss`, or the flow [m3/s] that a static suction [Pa] behind it draws."""

    text: str
    loss: FixedLoss | None
    flow_m3s: float | None = None
    suction_pa: float | None = None


def entry(text: str) -> Entry:
    """The opening as written: one of :data:`ENTRY_FORMS`. Raises :class:`FittingError` naming them.

    >>> entry("flanged").loss.k, round(entry("350 cfm at 2 inwg").suction_pa)
    (0.49, 498)
    """
    written = plain(text)
    low = _ALSO.get(written.lower(), written.lower())
    if low in ENTRY_K:
        return Entry(written, FixedLoss(written, ENTRY_K[low], None, 0.15))
    if match := _MACHINE.match(written):
        return Entry(written, FixedLoss(written, between(text, match.group(1), 0.0, 100.0), None, 0.15))
    if match := _TAPER.match(written):
        angle = between(text, match.group(1), 15.0, 180.0)
        return Entry(written, FixedLoss(written, _taper_k(angle, (match.group(2) or "round").lower()), None, 0.20))
    if match := _ORIFICE.match(written):
        return Entry(written, FixedLoss(written, ENTRY_K["orifice"], size(text, match.group(1)), 0.10))
    if match := _FLOW_AT.match(written):
        try:
            flow, suction = units.parse(match.group(1), "flow"), units.parse(match.group(2), "pressure")
        except units.UnitError as error:
            raise FittingError(f"{text!r}: {error}") from error
        if flow <= 0.0 or suction <= 0.0:
            raise FittingError(f"{text!r}: flow and suction are written as numbers above zero")
        return Entry(written, None, flow, suction)
    raise FittingError(f"{text!r} is not an opening{meant(text, _FORMS)}; allowed: {ENTRY_FORMS}")


def entry_k_from_flow(flow_m3s: float, suction_pa: float, diameter_m: float, density_kgm3: float) -> float:
    """Entry loss F [velocity pressures] of an opening that draws ``flow_m3s`` at a static suction ``suction_pa``
    behind it.

    SPh = (1 + F) VP, so F = SPh/VP - 1 (ACGIH, hood static pressure). Raises ValueError when the suction is less than
    the velocity pressure itself: such a port cannot exist.

    >>> round(entry_k_from_flow(0.144147, 367.16, 0.1016, 1.201385), 2)
    0.93
    """
    velocity_pressure = 0.5 * density_kgm3 * (4.0 * flow_m3s / (math.pi * diameter_m**2)) ** 2
    k = suction_pa / velocity_pressure - 1.0
    if k < 0.0:
        raise ValueError(
            f"a suction of {suction_pa:.0f} Pa is less than the velocity pressure of {velocity_pressure:.0f} Pa that"
            " the stated flow has in this duct: the flow, the suction or the diameter is wrong"
        )
    return k


def _taper_k(angle_deg: float, shape: str) -> float:
    rows = TAPER_K[shape]
    for (low, k_low), (high, k_high) in itertools.pairwise(rows):
        if angle_deg <= high:
            return k_low + (k_high - k_low) * (angle_deg - low) / (high - low)
    return rows[-1][1]
