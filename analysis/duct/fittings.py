"""Fittings as a person writes them ("2x elbow 90 r/D 1.5"), turned into loss coefficients."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from analysis.duct import elbows
from analysis.duct.written import NUMBER, FittingError, FixedLoss, between, meant, plain, size

DEFAULT_RADIUS_RATIO = 1.0
"""r/D of an elbow whose radius is not written: a short moulded drain elbow (common practice, no source)."""

DEFAULT_TAPER_DEG = 60.0
"""Included angle of a reducer whose taper is not written (common practice, no source)."""

FITTING_FORMS = (
    "'elbow 90', 'elbow 45 r/D 1.5', 'elbow 90 r/D 2 5 pieces', 'mitre 90', 'flex bend 90', 'reducer 6 in to 4 in',"
    " 'reducer 4 in to 6 in taper 30', 'K 0.3'; a count may stand before it: '2x elbow 90'"
)
_FORMS = (
    "elbow 90", "elbow 45", "elbow 90 r/d 1.5", "elbow 90 r/d 2 5 pieces", "mitre 90", "flex bend 90",
    "reducer 6 in to 4 in", "k 0.3", "2x elbow 90",
)
_COUNT = re.compile(r"^(\d+)(?:\s*x\s*|\s+(?=[a-z]+s?\s|\d+\s+[a-z]))(.+)$", re.IGNORECASE)
_TURNED = re.compile(rf"^{NUMBER}\s+(elbows?|bends?|mit(?:re|er)s?|flex\s+bends?)\b(?!\s+\d+(?!\s*pieces?))(.*)$", re.IGNORECASE)
_ELBOW = re.compile(
    rf"^(?:elbow|bend)s?\s+{NUMBER}(?:\s+r/d\s*=?\s*{NUMBER})?(?:\s+(?:(smooth)|([345])[\s-]*pieces?))?$", re.IGNORECASE
)
_FLEX = re.compile(rf"^flex\s+bends?\s+{NUMBER}(?:\s+r/d\s*=?\s*{NUMBER})?$", re.IGNORECASE)
_MITRE = re.compile(rf"^mit(?:re|er)s?\s+{NUMBER}$", re.IGNORECASE)
_REDUCER = re.compile(
    rf"^reducer\s+(.+?)\s+to\s+(.+?)(?:\s+(?:taper\s+{NUMBER}|(abrupt)))?$", re.IGNORECASE
)
_PLAIN_K = re.compile(rf"^k\s*=?\s*{NUMBER}$", re.IGNORECASE)


def fitting(text: str) -> FixedLoss:
    """The loss of a fitting as written, times its count.

    ``elbow A [r/D x] [smooth | n pieces]``, ``flex bend A [r/D x]`` (a bend laid in wire hose), ``mitre A``,
    ``reducer X to Y [taper A | abrupt]`` (sizes in the direction of the air; pipe names or bare sizes), ``K x``.
    Raises :class:`FittingError` naming the forms.

    >>> round(fitting("2x elbow 90 r/D 1.5").k, 3)
    0.451
    """
    count, one = _counted(text)
    if not 1 <= count <= 50:
        raise FittingError(f"{text!r}: the count must lie between 1 and 50")
    for form, read in _READERS:
        match = form.match(one)
        if match:
            loss = read(text, match)
            return FixedLoss(" ".join(text.split()), count * loss.k, loss.at_diameter_m, loss.relative_sd)
    raise FittingError(f"{text!r} is not a fitting{meant(text, _FORMS)}; allowed: {FITTING_FORMS}")


def _counted(text: str) -> tuple[int, str]:
    """Count and fitting: "2 90° elbows" is two of "elbow 90", and "90 elbow" one."""
    written = plain(text)
    counted = None if _TURNED.match(written) else _COUNT.match(written)
    count, one = (int(counted.group(1)), counted.group(2)) if counted else (1, written)
    turned = _TURNED.match(one)
    return count, f"{turned.group(2)} {turned.group(1)}{turned.group(3)}" if turned else one


@dataclass(frozen=True, slots=True)
class Reducer:
    """A reducer in the direction of the air: inside diameters [m] before and after it, and its loss in velocity pressures
    of the smaller one."""

    before_m: float
    after_m: float
    k: float


@dataclass(frozen=True, slots=True)
class Fitted:
    """What the fittings of a piece amount to: ``k`` in velocity pressures of its pipe, and the diameters [m] with which
    it meets other pieces where a reducer sits at that end (None: its own)."""

    k: float
    start_m: float | None = None
    end_m: float | None = None


SAME_SIZE = 0.08
"""Two sizes that differ by less are one and the same: bores of pipes of one nominal size to different standards."""


def same_size(one_m: float, other_m: float) -> bool:
    """Whether two diameters are one nominal size."""
    return abs(one_m / other_m - 1.0) < SAME_SIZE


def fitted(texts: Iterable[str], diameter_m: float) -> Fitted:
    """The fittings of a piece of ``diameter_m`` [m], each charged once.

    A reducer from the piece's own size to another ends the piece, one from another size to its own begins it; the
    piece then meets its neighbours there with the other size. A widening end has no loss of its own: its taper is the
    part of the widening that comes without loss, and the junction books the rest as its abrupt step. So a taper that
    loses as much as a step is the same as none, and a better one never makes the piece lose more.

    >>> round(fitted(["elbow 45", "K 0.3"], 0.1).k, 3), fitted(["reducer 4 in to 6 in"], 0.1016).end_m
    (0.488, 0.1016)
    """
    texts = list(texts)
    found = [reducer(text) for text in texts]
    ends = [one for one in found if one and same_size(one.before_m, diameter_m) and not same_size(one.after_m, diameter_m)]
    starts = [one for one in found if one and same_size(one.after_m, diameter_m) and not same_size(one.before_m, diameter_m)]
    if len(ends) > 1 or len(starts) > 1 or (ends and starts and same_size(ends[0].after_m, starts[0].before_m)):
        # A neck along the way: it begins and ends in the piece itself.
        ends, starts = [], []
    k, start_m, end_m = 0.0, None, None
    for text, one in zip(texts, found, strict=True):
        if one is not None and one in starts:
            start_m = one.before_m
        if one is not None and one in ends:
            end_m = one.after_m
            if one.after_m > one.before_m:
                ratio = (one.before_m / one.after_m) ** 2
                end_m = diameter_m / math.sqrt(ratio + math.sqrt(one.k))
                continue
        k += fitting(text).k_on(diameter_m)
    return Fitted(k, start_m, end_m)


def reducer(text: str) -> Reducer | None:
    """The reducer as written; None for any other fitting, or for several at once.

    >>> round(reducer("reducer 4 in to 6 in").after_m, 4)
    0.1524
    """
    count, one = _counted(text)
    match = _REDUCER.match(one)
    if match is None or count > 1:
        return None
    return Reducer(*_sizes(text, match), _reducer(text, match).k)


def _sizes(text: str, match: re.Match[str]) -> tuple[float, float]:
    """Both ends of a reducer; "6 to 4 in" has its unit once."""
    before, after = match.group(1), match.group(2)
    if re.fullmatch(NUMBER, before):
        before += re.sub(r"^[\d.,/ ]+", " ", after)
    return size(text, before), size(text, after)


def _elbow(text: str, match: re.Match[str]) -> FixedLoss:
    angle = between(text, match.group(1), 5.0, 180.0)
    ratio = between(text, match.group(2), 0.5, 10.0) if match.group(2) else DEFAULT_RADIUS_RATIO
    if match.group(4):
        return FixedLoss(text, elbows.pieced_elbow(angle, ratio, int(match.group(4))))
    return FixedLoss(text, elbows.smooth_bend(angle, ratio))


def _flex_bend(text: str, match: re.Match[str]) -> FixedLoss:
    ratio = between(text, match.group(2), 0.5, 10.0) if match.group(2) else 2.0
    angle = between(text, match.group(1), 5.0, 360.0)
    return FixedLoss(text, elbows.smooth_bend(angle, ratio, elbows.HOSE_FACTOR), None, 0.3)


def _mitre(text: str, match: re.Match[str]) -> FixedLoss:
    return FixedLoss(text, elbows.mitre(between(text, match.group(1), 5.0, 120.0)))


def _reducer(text: str, match: re.Match[str]) -> FixedLoss:
    before, after = _sizes(text, match)
    taper = DEFAULT_TAPER_DEG
    if match.group(3):
        taper = between(text, match.group(3), 5.0, 180.0)
    elif match.group(4):
        taper = 180.0
    if before == after:
        raise FittingError(f"{text!r}: both ends are the same size")
    small, large = min(before, after), max(before, after)
    k = elbows.contraction(small / large, taper) if before > after else elbows.expansion(small / large, taper)
    return FixedLoss(text, k, small, 0.25)


def _stated(text: str, match: re.Match[str]) -> FixedLoss:
    return FixedLoss(text, between(text, match.group(1), 0.0, 100.0), None, 0.10)


_READERS: tuple[tuple[re.Pattern[str], Callable[[str, re.Match[str]], FixedLoss]], ...] = (
    (_ELBOW, _elbow), (_FLEX, _flex_bend), (_MITRE, _mitre), (_REDUCER, _reducer), (_PLAIN_K, _stated),
)
