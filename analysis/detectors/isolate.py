"""Which part departs from the shop's own curve: a sensor's scale, or the fan itself.

Each hypothesis moves the two gaps of :mod:`.curve` in a direction of its own, by a size that is not known. Looks since the
change share that size, so their log-likelihoods add up, ``-min(r' C^-1 r / 2, MOST_PULL)`` with the gaps ``r`` that the size
leaves (any look may rest on a wrong guess), and the size is integrated out over its prior: normal about 0 with what a fault
usually has. Ordinary days have such a size too, only a smaller one: the evidence is the logarithm of that integral over the one
with the day's size. When the change came is not known either: every window that ends now is tried.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.baseline.model import Baseline
from analysis.detectors.budget import needed
from analysis.detectors.curve import FanCurve, Gaps, OwnCurve
from analysis.detectors.keeping import Keeping, kept_number
from analysis.detectors.stretches import Look
from analysis.duct.design import DuctDesign

Floats = npt.NDArray[np.float64]

WINDOWS = (1, 2, 3, 4, 6, 8, 12, 16, 24, 32)
"""Numbers of newest looks that are tried."""
HYPOTHESES: tuple[tuple[str, float, float], ...] = (
    ("inlet_pa", 0.15, 0.016), ("motor_a", 0.20, 0.020), ("fan", 0.06, 0.010), ("filter_pa", 0.30, 0.020))
"""Names with the size that a fault usually has (logarithm: a scale that steps by some 10-20 %, a wheel that slips by some 5 %),
and the size that ordinary days have in common, looks of one day alike: air that is 3 % denser within a day where nobody measures
it, mains that swing by 3 %, a belt that is cold, bags whose drag is followed to 2 % (one standard deviation)."""
LEARN_LOOKS, LEARN_S = 12, 3600.0
"""Looks and running seconds before anything is claimed: the shop's own curve must be known first."""
MOST_PULL = 12.0
"""No look of its own is more evidence than that, however far it is off: what is far off is clear already."""
LEAST_SD = 0.008
"""Nor is a gap of one look known better than that."""
APART = 3.0
"""Evidence by which one cause must exceed another to be named instead of it: odds of twenty to one."""
RETURN, RETURN_LOOKS = 0.4, 8
"""A size below this share of the claimed one, over so many looks, ends the claim."""
LOOK_S = 300.0
LEAST_STRETCHES = 3
"""Settings of the gates that must bear a claim out: two in a row may share a guess that was wrong."""
MISFIT, DRAG_SD = 6.0, 0.02
"""Square that the two gaps may keep where a drag explains them; what the drag by the curve is not better known than."""
DRAG_TILT = 0.08
"""What the learned curve may be off, per unit of the logarithm of the drag, at a drag far from those at which it was learned."""
ALONE_SD = 0.20
"""The pressure alone must tell the drag to that much, so that a wrong current is seen as such."""
NEAR_FULL = 0.95
"""A motor that draws more than this share of its full-load current may be overloaded: its current tells no air."""
PLAINLY_SD = 3.0
"""A current that is so many standard deviations above what the air asks for is an excess."""


@dataclass(frozen=True, slots=True)
class Departure:
    """What departs: ``name`` (a channel, or "fan") by ``size`` (logarithm), since when, with how much ``evidence``; ``others``
    that explain it nearly as well."""

    name: str
    size: float
    since: float
    evidence: float
    others: tuple[str, ...]


class Isolation(Keeping):
    """After :meth:`look`, ``claim`` is what departs now, if anything; ``why_not`` says why nothing can be judged yet."""

    KEPT = ("pressure", "current", "_seen", "_s", "_drag", "_known_s", "_claim", "_looks", "excess", "_overloaded")

    def __init__(self, design: DuctDesign, baseline: Baseline | None, fitted: frozenset[str]) -> None:
        self._near_full = math.inf if design.motor is None else math.log(NEAR_FULL * design.motor.full_a)
        self.curve = FanCurve(design, baseline)
        first = max(design.uncertainties.fan_pressure, 0.03) + (0.0 if baseline is not None else 0.04)
        self.pressure = OwnCurve(first, 0.012)
        self.current = OwnCurve(2.0 * first, 0.015)
        self.able = {"inlet_pa", "filter_pa"} <= fitted and design.filter.fitted and not design.filter.before_fan
        self.has_current = "motor_a" in fitted and self.curve.has_current
        self.threshold = needed(LOOK_S, len(WINDOWS) * len(HYPOTHESES))
        self._seen: list[list[float]] = []
        self._s = self._known_s = 0.0
        self._looks = 0
        self._drag = 0.0
        self._claim: list[object] = []
        self.excess = 0.0
        """By how much the motor draws more than the air asks for (logarithm), beyond what chance and learning allow."""
        self._overloaded = False

    @property
    def claim(self) -> Departure | None:
        """What departs now."""
        if not self._claim:
            return None
        name, size, since, evidence, others = self._claim
        assert isinstance(size, float)
        assert isinstance(since, float)
        assert isinstance(evidence, float)
        assert isinstance(others, list)
        return Departure(str(name), size, since, evidence, tuple(map(str, others)))

    @property
    def known(self) -> bool:
        """Whether the shop's own curve was learned well enough."""
        return self._looks >= LEARN_LOOKS and self._s - self._known_s >= LEARN_S

    def why_not(self) -> str:
        """Why nothing can be judged, or ""."""
        if not self.able:
            return "it needs both pressures, the suction before the fan and the pressure over bags that are after the fan"
        if not self.known:
            left = max(LEARN_S - self._s + self._known_s, 300.0) / 60.0
            return f"this shop's own fan curve is still being learned: about {left:.0f} more running minutes"
        return ""

    def drag(self, look: Look, log_drag: float) -> tuple[float, float] | None:
        """The drag (logarithm) by the fan's own curve alone, without any gate, and its variance: the drag at which both gaps
        vanish. None where the curve is not learned, where no drag explains both, or where they hardly tell it. A current beyond
        the plate's may be the motor's own trouble and tells no air."""
        if not self.known or not self.able or self._claim or self._overloaded:
            return None
        gaps = self.curve.gaps(look, log_drag)
        rest_p, var_p = self.pressure.residual(gaps.log_flow, gaps.pressure)
        a, b, fit = gaps.to_drag[0] * rest_p / var_p, gaps.to_drag[0] ** 2 / var_p, rest_p**2 / var_p
        by_pressure = b
        if gaps.current is not None and look.current is not None and look.current < self._near_full:
            rest_c, var_c = self.current.residual(gaps.log_flow, gaps.current)
            a += gaps.to_drag[1] * rest_c / var_c
            b += gaps.to_drag[1] ** 2 / var_c
            fit += rest_c**2 / var_c
        if b < 0.15**-2 or by_pressure < ALONE_SD**-2 or fit - a * a / b > MISFIT:
            return None  # where the current alone tells it, it may as well be the current that is wrong
        return log_drag + a / b, 1.0 / b + DRAG_SD**2

    def look(self, look: Look, log_drag: float | None, running_s: float) -> Gaps | None:
        """Take in a look; returns its gaps."""
        if log_drag is None or not self.able:
            return None
        gaps = self.curve.gaps(look, log_drag)
        beyond = (DRAG_TILT * (log_drag - self._drag)) ** 2 if self._looks else 0.0
        rest_p, var_p = self.pressure.residual(gaps.log_flow, gaps.pressure)
        rest_c, var_c = 0.0, 1e9
        if gaps.current is not None:
            rest_c, var_c = self.current.residual(gaps.log_flow, gaps.current)
        self.excess = rest_c if self.known and rest_c > PLAINLY_SD * math.sqrt(var_c + beyond) else 0.0
        row = [look.began_t, look.weight, rest_p, max(var_p + beyond, LEAST_SD**2), rest_c, max(var_c + beyond, LEAST_SD**2)]
        for to in (gaps.to_suction, gaps.to_current, gaps.to_speed, gaps.to_filter):
            row += to
        self._seen = [*self._seen[-(WINDOWS[-1] - 1):], row]
        suspected = self._judge()
        if not suspected and not self._claim:
            passed = min(max(running_s - self._s, 0.0), 3600.0)
            self.pressure.learn(gaps.log_flow, gaps.pressure, passed, look.weight)
            if gaps.current is not None:
                self.current.learn(gaps.log_flow, gaps.current, passed, look.weight)
            self._looks += look.weight == 1.0
            self._drag += (log_drag - self._drag) / min(self._looks + 1.0, 100.0)
        self._s = max(running_s, self._s)
        return gaps

    def overload(self, told: bool) -> None:
        """An overload is told, and that it may be the clamp; after it, what was seen meanwhile is no evidence any more."""
        if self._overloaded and not told:
            self._seen = []
        self._overloaded = told

    def forget_looks(self) -> None:
        """Other channels are known from now on: looks before and after do not compare, and the curve is learned anew."""
        self._seen, self._claim = [], []
        self._looks, self._known_s = 0, self._s
        self.pressure.doubt()
        self.current.doubt()

    def _judge(self) -> bool:
        """Claim, keep or end a claim. Returns whether something is suspected, so that it is not learned."""
        if self._claim:
            at = next(i for i, (name, *_) in enumerate(HYPOTHESES) if name == self._claim[0])
            own = [row for row in self._seen[-RETURN_LOOKS:] if row[0] >= kept_number(self._claim[2])]
            size = GRIDS[at].mean(self._likelihoods(at, own).sum(axis=0)) if own else 0.0
            claimed = self._claim[1]
            assert isinstance(claimed, float)
            if len(own) >= RETURN_LOOKS and size * math.copysign(1.0, claimed) < RETURN * abs(claimed):
                self._claim = []
                self._seen = []
            return True
        tried = [(i, name) for i, (name, _, _) in enumerate(HYPOTHESES) if name != "motor_a" or self.has_current]
        best = sorted((max(self._windows(i, name)) for i, name in tried), reverse=True)
        evidence, size, since, name, _ = best[0]
        if not self.known or evidence < self.threshold or name == "filter_pa":
            return self.known and evidence > 0.5 * self.threshold and name != "filter_pa"
        # Against the bags, whatever was done to them: their drag may have changed without a word.
        if evidence - next(row[-1] for row in best if row[3] == "filter_pa") < APART:
            return True
        if name == "motor_a" and size > 0.0 and self._overloaded:
            return True
        others = [row[3] for row in best[1:] if evidence - row[0] < APART]
        self._claim = [name, size, since, evidence, others]
        return True

    def _likelihoods(self, i: int, rows: list[list[float]]) -> Floats:
        """Log-likelihood of each look (rows) for each size of hypothesis ``i``."""
        table = np.array(rows)
        weight, rest_p, var_p, rest_c, var_c = table[:, 1:6].T[:, :, None]
        to_p, to_c = table[:, 6 + 2 * i: 8 + 2 * i].T[:, :, None]
        size = GRIDS[i].size
        square = (rest_p - to_p * size) ** 2 / var_p + (rest_c - to_c * size) ** 2 / var_c
        return np.asarray(-weight * np.minimum(0.5 * square, MOST_PULL))

    def _windows(self, i: int, name: str) -> list[tuple[float, float, float, str, float]]:
        """Per window: evidence, size, since when, name, and the evidence against no change at all. One or two stretches claim
        nothing."""
        found = [(0.0, 0.0, 0.0, name, 0.0)]
        newest, grid = self._seen[::-1], GRIDS[i]
        sums = np.cumsum(self._likelihoods(i, newest), axis=0)
        stretches = np.cumsum([row[1] == 1.0 for row in newest])
        for count in WINDOWS:
            if count > len(newest) or stretches[count - 1] < LEAST_STRETCHES:
                continue
            total = sums[count - 1]
            size = grid.mean(total)
            if name == "fan" and size > 0.0:
                continue
            whole = grid.integral(total, grid.fault)
            found.append((
                whole - grid.integral(total, grid.day), size, newest[count - 1][0], name,
                whole - float(total[grid.none])))
        return found


class _Grid:
    """Sizes of one hypothesis with the prior weights of a fault's and of an ordinary day's; ``none`` is the place of 0."""

    def __init__(self, tau: float, usual: float) -> None:
        tau = math.hypot(tau, usual)
        near, far = np.linspace(-4.0 * usual, 4.0 * usual, 41), np.linspace(-3.5 * tau, 3.5 * tau, 121)
        self.size = np.unique(np.concatenate([near, far]))
        self.none = int(np.argmin(np.abs(self.size)))
        width = np.gradient(self.size)
        self.fault, self.day = (w / w.sum() for w in (width * np.exp(-0.5 * (self.size / sd) ** 2) for sd in (tau, usual)))

    def integral(self, total: Floats, prior: Floats) -> float:
        """Logarithm of the mean of the likelihoods ``exp(total)`` over a prior."""
        most = float(total.max())
        return most + math.log(float(prior @ np.exp(total - most)))

    def mean(self, total: Floats) -> float:
        """Mean size by the likelihoods and the fault's prior."""
        weight = self.fault * np.exp(total - total.max())
        return float(weight @ self.size / weight.sum())


GRIDS = tuple(_Grid(tau, usual) for _, tau, usual in HYPOTHESES)
