"""Fittings, openings and gates as a person writes them ("2x elbow 90 r/D 1.5"), turned into loss coefficients.

All coefficients are total-pressure losses in velocity pressures. Most hold on the duct that the fitting sits in;
where a fitting has a size of its own (a reducer, an orifice), the loss is stated there and :meth:`FixedLoss.k_on`
carries it over. """

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from analysis import units
from analysis.duct import elbows
from analysis.duct.stock import StockError, pipe

ELBOW_SD = 0.20
"""One relative standard deviation of an elbow's loss: the spread of the published methods (Crane, Miller, Ito,
Rennels)."""

DEFAULT_RADIUS_RATIO = 1.0
"""r/D of an elbow whose radius is not written: a short moulded drain elbow (common practice, no source)."""

DEFAULT_TAPER_DEG = 60.0
"""Included angle of a reducer whose taper is not written (common practice, no source)."""

TAPER_K = {
    "round": ((15, 0.15), (30, 0.08), (45, 0.06), (60, 0.08), (90, 0.15), (120, 0.26), (150, 0.40), (180, 0.50)),
    "rectangular": ((15, 0.25), (30, 0.16), (45, 0.15), (60, 0.17), (90, 0.25), (120, 0.35), (150, 0.48), (180, 0.50)),
}
"""Included angle [deg] and loss of a tapered hood: ACGIH *Industrial Ventilation* figure 6 (from memory)."""

ENTRY_K = {"plain": 0.93, "flanged": 0.49, "bell": 0.04, "orifice": 1.78, "booth": 0.50}
"""Loss of an opening in velocity pressures of its duct: ACGIH *Industrial Ventilation*, hood entry losses (from
memory)."""

FITTING_FORMS = (
    "'elbow 90', 'elbow 45 r/D 1.5', 'elbow 90 r/D 2 5 pieces', 'mitre 90', 'flex bend 90', 'reducer 6 in to 4 in',"
    " 'reducer 4 in to 6 in taper 30', 'K 0.3'; a count may stand before it: '2x elbow 90'"
)
ENTRY_FORMS = (
    "'plain', 'flanged', 'bell', 'booth', 'orifice', 'orifice 3 in', 'taper 45', 'taper 45 rectangular', 'machine 1.5'"
    " (loss in velocity pressures), or the flow at a static suction: '350 cfm at 2.0 inwg'"
)
GATE_FORMS = "'blast', 'tight', 'butterfly', 'none'; a leakage may follow: 'blast leak 2 %'"


class FittingError(ValueError):
    """A text names no fitting, opening or gate that is known; the message says what was found and what is allowed."""


@dataclass(frozen=True, slots=True)
class FixedLoss:
    """A loss that does not change with flow: ``k`` velocity pressures of a duct of ``at_diameter_m`` [m] inside.

    ``at_diameter_m`` None means the duct that the fitting sits in. ``relative_sd`` is one relative standard deviation.
    """

    text: str
    k: float
    at_diameter_m: float | None = None
    relative_sd: float = ELBOW_SD

    def k_on(self, diameter_m: float) -> float:
        """The loss in velocity pressures of a duct of ``diameter_m`` [m]: k (D/Dat)^4.

        >>> FixedLoss("orifice 3 in", 1.0, 0.0762).k_on(0.1524)
        16.0
        """
        return self.k if self.at_diameter_m is None else self.k * (diameter_m / self.at_diameter_m) ** 4


@dataclass(frozen=True, slots=True)
class Entry:
    """The opening at a machine: a :class:`FixedLoss`, or the flow [m3/s] that a static suction [Pa] behind it draws."""

    text: str
    loss: FixedLoss | None
    flow_m3s: float | None = None
    suction_pa: float | None = None


@dataclass(frozen=True, slots=True)
class Gate:
    """A gate: loss ``open_k`` when open [velocity pressures], None where there is no gate; ``leak_fraction``
    effective leakage area when shut over duct area [-] (flow = area sqrt(2 dp/rho)); ``leak_sd`` its relative
    standard deviation."""

    text: str
    open_k: float | None
    leak_fraction: float
    leak_sd: float = 0.5


GATES = {
    "blast": Gate("blast", 0.15, 0.010),
    "tight": Gate("tight", 0.15, 0.002),
    "butterfly": Gate("butterfly", 0.35, 0.020),
    "none": Gate("none", None, 0.0, 0.0),
}
"""Gates by name: sliding blast gate, gate with a seal, disc that turns in the duct, no gate (common practice, no
source; a fully open gate valve of the Crane method has K of about 0.13)."""

_NUMBER = r"(\d+(?:\.\d+)?|\.\d+)"
_COUNT = re.compile(r"^(\d+)\s*[x×]\s*(.+)$", re.IGNORECASE)
_ELBOW = re.compile(
    rf"^elbow\s+{_NUMBER}(?:\s*deg)?(?:\s+r/d\s+{_NUMBER})?(?:\s+(?:(smooth)|([345])[\s-]*pieces?))?$", re.IGNORECASE
)
_FLEX = re.compile(rf"^flex\s+bend\s+{_NUMBER}(?:\s*deg)?(?:\s+r/d\s+{_NUMBER})?$", re.IGNORECASE)
_MITRE = re.compile(rf"^mit(?:re|er)\s+{_NUMBER}(?:\s*deg)?$", re.IGNORECASE)
_REDUCER = re.compile(
    rf"^reducer\s+(.+?)\s+to\s+(.+?)(?:\s+(?:taper\s+{_NUMBER}(?:\s*deg)?|(abrupt)))?$", re.IGNORECASE
)
_PLAIN_K = re.compile(rf"^k\s+{_NUMBER}$", re.IGNORECASE)
_MACHINE = re.compile(rf"^(?:machine|k)\s+{_NUMBER}$", re.IGNORECASE)
_TAPER = re.compile(rf"^taper\s+{_NUMBER}(?:\s*deg)?(?:\s+(round|rectangular))?$", re.IGNORECASE)
_ORIFICE = re.compile(r"^orifice\s+(.+)$", re.IGNORECASE)
_FLOW_AT = re.compile(r"^(.+?)\s+at\s+(.+)$", re.IGNORECASE)
_LEAK = re.compile(r"^(.+?)\s+leak\s+(.+)$", re.IGNORECASE)


def fitting(text: str) -> FixedLoss:
    """The loss of a fitting as written, times its count.

    ``elbow A [r/D x] [smooth | n pieces]``, ``flex bend A [r/D x]`` (a bend laid in wire hose), ``mitre A``,
    ``reducer X to Y [taper A | abrupt]`` (sizes in the direction of the air; pipe names or bare sizes), ``K x``.
    Raises :class:`FittingError` naming the forms.

    >>> round(fitting("2x elbow 90 r/D 1.5").k, 3)
    0.451
    """
    written = " ".join(text.split())
    counted = _COUNT.match(written)
    count, one = (int(counted.group(1)), counted.group(2)) if counted else (1, written)
    if not 1 <= count <= 50:
        raise FittingError(f"{text!r}: the count must lie between 1 and 50")
    for form, read in _READERS:
        match = form.match(one)
        if match:
            loss = read(text, match)
            return FixedLoss(written, count * loss.k, loss.at_diameter_m, loss.relative_sd)
    raise FittingError(f"{text!r} is not a fitting; allowed: {FITTING_FORMS}")


def fittings_k(texts: Iterable[str], diameter_m: float) -> float:
    """Sum of the losses of several fittings, in velocity pressures of a duct of ``diameter_m`` [m].

    >>> round(fittings_k(["elbow 45", "K 0.3"], 0.1), 3)
    0.488
    """
    return sum(fitting(text).k_on(diameter_m) for text in texts)


def entry(text: str) -> Entry:
    """The opening as written: one of :data:`ENTRY_FORMS`. Raises :class:`FittingError` naming them.

    >>> entry("flanged").loss.k, round(entry("350 cfm at 2 inwg").suction_pa)
    (0.49, 498)
    """
    written = " ".join(text.split())
    low = written.lower()
    if low in ENTRY_K:
        return Entry(written, FixedLoss(written, ENTRY_K[low], None, 0.15))
    if match := _MACHINE.match(written):
        return Entry(written, FixedLoss(written, _between(text, match.group(1), 0.0, 100.0), None, 0.15))
    if match := _TAPER.match(written):
        angle = _between(text, match.group(1), 15.0, 180.0)
        return Entry(written, FixedLoss(written, _taper_k(angle, (match.group(2) or "round").lower()), None, 0.20))
    if match := _ORIFICE.match(written):
        return Entry(written, FixedLoss(written, ENTRY_K["orifice"], _size(text, match.group(1)), 0.10))
    if match := _FLOW_AT.match(written):
        try:
            flow, suction = units.parse(match.group(1), "flow"), units.parse(match.group(2), "pressure")
        except units.UnitError as error:
            raise FittingError(f"{text!r}: {error}") from error
        if flow <= 0.0 or suction <= 0.0:
            raise FittingError(f"{text!r}: flow and suction are written as numbers above zero")
        return Entry(written, None, flow, suction)
    raise FittingError(f"{text!r} is not an opening; allowed: {ENTRY_FORMS}")


def gate(text: str) -> Gate:
    """The gate as written: one of :data:`GATE_FORMS`. Raises :class:`FittingError` naming them.

    >>> gate("blast leak 2 %").leak_fraction
    0.02
    """
    written = " ".join(text.split())
    low, leak = written.lower(), None
    if match := _LEAK.match(low):
        low = match.group(1)
        try:
            leak = units.parse(match.group(2), "fraction")
        except units.UnitError as error:
            raise FittingError(f"{text!r}: {error}") from error
        if not 0.0 <= leak <= 0.5:
            raise FittingError(f"{text!r}: the leakage area must lie between 0 % and 50 % of the duct's area")
    if low not in GATES or (low == "none" and leak is not None):
        raise FittingError(f"{text!r} is not a gate; allowed: {GATE_FORMS}")
    known = GATES[low]
    return known if leak is None else Gate(written, known.open_k, leak, known.leak_sd)


def reducer_ends(text: str) -> tuple[float, float]:
    """Smaller and larger inside diameter [m] of a reducer as written. Raises :class:`FittingError` for anything else.

    >>> [round(end, 4) for end in reducer_ends("reducer 4 in to 6 in")]
    [0.1016, 0.1524]
    """
    written = " ".join(text.split())
    counted = _COUNT.match(written)
    match = _REDUCER.match(counted.group(2) if counted else written)
    if match is None:
        raise FittingError(f"{text!r} is not a reducer; allowed: 'reducer 6 in to 4 in'")
    ends = sorted((_size(text, match.group(1)), _size(text, match.group(2))))
    return ends[0], ends[1]


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


def _elbow(text: str, match: re.Match[str]) -> FixedLoss:
    angle = _between(text, match.group(1), 5.0, 180.0)
    ratio = _between(text, match.group(2), 0.5, 10.0) if match.group(2) else DEFAULT_RADIUS_RATIO
    if match.group(4):
        return FixedLoss(text, elbows.pieced_elbow(angle, ratio, int(match.group(4))))
    return FixedLoss(text, elbows.smooth_bend(angle, ratio))


def _flex_bend(text: str, match: re.Match[str]) -> FixedLoss:
    ratio = _between(text, match.group(2), 0.5, 10.0) if match.group(2) else 2.0
    angle = _between(text, match.group(1), 5.0, 360.0)
    return FixedLoss(text, elbows.smooth_bend(angle, ratio, elbows.HOSE_FACTOR), None, 0.3)


def _mitre(text: str, match: re.Match[str]) -> FixedLoss:
    return FixedLoss(text, elbows.mitre(_between(text, match.group(1), 5.0, 120.0)))


def _reducer(text: str, match: re.Match[str]) -> FixedLoss:
    before, after = _size(text, match.group(1)), _size(text, match.group(2))
    taper = DEFAULT_TAPER_DEG
    if match.group(3):
        taper = _between(text, match.group(3), 5.0, 180.0)
    elif match.group(4):
        taper = 180.0
    if before == after:
        raise FittingError(f"{text!r}: both ends are the same size")
    small, large = min(before, after), max(before, after)
    k = elbows.contraction(small / large, taper) if before > after else elbows.expansion(small / large, taper)
    return FixedLoss(text, k, small, 0.25)


def _stated(text: str, match: re.Match[str]) -> FixedLoss:
    return FixedLoss(text, _between(text, match.group(1), 0.0, 100.0), None, 0.10)


_READERS: tuple[tuple[re.Pattern[str], Callable[[str, re.Match[str]], FixedLoss]], ...] = (
    (_ELBOW, _elbow), (_FLEX, _flex_bend), (_MITRE, _mitre), (_REDUCER, _reducer), (_PLAIN_K, _stated),
)


def _taper_k(angle_deg: float, shape: str) -> float:
    rows = TAPER_K[shape]
    for (low, k_low), (high, k_high) in itertools.pairwise(rows):
        if angle_deg <= high:
            return k_low + (k_high - k_low) * (angle_deg - low) / (high - low)
    return rows[-1][1]


def _between(text: str, written: str, low: float, high: float) -> float:
    number = float(written)
    if not low <= number <= high:
        raise FittingError(f"{text!r}: {written} is outside {low:g} to {high:g}")
    return number


def _size(text: str, written: str) -> float:
    """Inside diameter [m] of a bare size ("4 in") or a pipe ("D2729 4 in")."""
    try:
        diameter = units.parse(written, "length")
    except units.UnitError:
        try:
            return pipe(written).inside_diameter_m
        except StockError as error:
            raise FittingError(f"{text!r}: {written!r} is neither a size such as '4 in' nor a known pipe") from error
    if not 0.01 <= diameter <= 2.0:
        raise FittingError(f"{text!r}: {written} is outside 10 mm to 2 m")
    return diameter
