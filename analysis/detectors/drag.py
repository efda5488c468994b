"""The drag of the bags, followed through gates that nobody reports, and the evidence for what a drag may do.

The state is the logarithm of the drag and, within a stretch, the constant by which the ducts shift ``tied`` from it. Each
block sees their sum (precisely: gates, fan and mains drop out while nothing is moved), each stretch sees the drag itself by
the estimate (roughly: the gates are guessed). One Kalman filter serves several hypotheses at once, because they differ in
drift and jumps alone and so share every covariance: ordinary loading at the usual and at the dustiest rate, carry-over,
a bag that comes loose, a fall across a stop. The evidence for a hypothesis is the sum of its log-likelihood ratio against
the *best* ordinary one, from the moment that favours it most.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.detectors.keeping import Keeping
from analysis.detectors.stretches import Look, Step

USUAL_RATE = 0.0003 / 60.0
"""Growth of the logarithm of the drag per running second before any is learned: clean to 1.75 times in 30 running hours
(common practice, no source)."""
DUSTIEST = 12.0
"""How many times faster than usual the dustiest ordinary job loads the bags: a sander against a day's mean (the contract's
fifty times between sander and lathe, seen from a mean that holds both)."""
MOST_ORDINARY = 0.0025 / 60.0
"""No ordinary job doubles the drag in less than five running hours [1/s] (common practice, no source)."""
CARRIED = (0.005 / 60.0, 0.012 / 60.0, 0.03 / 60.0)
"""Growth when chips are carried over [1/s]: the drag doubles in 140, 60 and 23 running minutes."""
FALLS = (-0.15, -0.3, -0.6, -1.2)
"""Sudden falls of the logarithm of the drag: what a cleaning, a loose bag or a torn one takes."""
RISES = (0.3, 0.9)
"""Sudden rises across a stop: a hole or a tube that was mended, other bags, bags that got damp."""
TEARING = (-0.01 / 60.0, -0.05 / 60.0)
"""Falls while the fan runs [1/s]."""
WANDER, MOST_WANDER = 4e-4, 2.5e-3
"""Random wander of the drag [1/sqrt(s)] before it is learned, which is also the least: 1 % in ten minutes, as weather and resting
cake make it; and the most that is believed, 15 % in an hour: more would hide every fault (ours)."""
LAG = 8
"""Looks between which wander is learned, beside the scatter from each look to the next."""
TOUCHED = 5.0
"""What it costs to think that a gate was touched unnoticed in a block: one block in 150 (ours)."""
LIKELIER = 3.0
"""Evidence from which on another course of the drag is reckoned with: odds of twenty to one."""
OUTLIER = 3.0
"""One measurement moves the state no further than if it were so many standard deviations off: a wrongly guessed gate is no news
of the drag, and what is news is seen again."""
STOP_SD = 0.03
"""What a stop changes before this shop has taught it: cake falls off, cloth relaxes (ours)."""
MOST_STOP_SD = 0.12
"""Nor can it teach more: cartridges that shed a quarter at every stop would hide every cleaning."""
LEVEL_SD = 0.05
"""Scatter of the estimate's drag from stretch to stretch before it is learned (measured 2 to 7 % on foreign shops)."""
TIED_SD = 0.012
"""Scatter of a block's ``tied`` before it is learned."""
MOST_PULL = 5.0
"""One look moves no evidence by more: one in a hundred rests on gates that were guessed wrong (measured on foreign shops)."""
BLOCK_PULL = 1.5
"""Nor does one block: a gate that was touched in it is no slide."""
SEEN = 0.02
"""Share of the newest squared scatter in the learned one: about fifty looks."""
RATE_S = 5.0 * 3600.0
"""Running over which the usual rate is learned."""


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """``rate`` [1/s], ``jump`` at its beginning; ``at_stop`` whether it begins with a stop (else while running)."""

    name: str
    rate: float
    jump: float = 0.0
    at_stop: bool = False


BANK: tuple[Hypothesis, ...] = (
    *(Hypothesis("carried", rate) for rate in CARRIED),
    *(Hypothesis("tearing", rate) for rate in TEARING),
    *(Hypothesis("torn", 0.0, jump) for jump in FALLS),
    *(Hypothesis("fell", 0.0, jump, at_stop=True) for jump in FALLS),
    *(Hypothesis("rose", 0.0, jump, at_stop=True) for jump in RISES),
)
NULLS = 2


class DragTrack(Keeping):
    """``log_drag`` with ``sd`` as ordinary running has it (None before the first look), the usual ``rate`` [1/s], the running
    seconds since the last cleaning, and for each name of :data:`BANK` its :meth:`evidence`. ``climb`` is what the drag gained
    within all stretches together beyond the dustiest ordinary job: no guess of gates is in it."""

    KEPT = (
        "known", "mean", "tie", "cov", "sums", "began", "rate_sums", "tied_var", "creep_var", "level_var", "stop_var", "looks",
        "running_s", "minute", "before", "last", "last_look", "wander", "_touch", "_recent", "_lags", "_stops",
        "climb")

    def __init__(self) -> None:
        count = NULLS + len(BANK)
        self.known = False
        self.mean, self.tie = [0.0] * count, [0.0] * count
        self.cov = [1.0, 0.0, 1.0]
        self.sums = [[0.0] * NULLS for _ in BANK]
        self.began = [0.0] * len(BANK)
        self.rate_sums = [0.5 * RATE_S * USUAL_RATE, 0.5 * RATE_S]
        self.tied_var, self.creep_var = TIED_SD**2, 0.25 * TIED_SD**2
        self.level_var, self.stop_var = LEVEL_SD**2, STOP_SD**2
        self.looks = 0
        self.running_s = 0.0
        self.minute = [0.0, 0.0]
        self.before: float | None = None
        self.last: float | None = None
        self.last_look: list[float] | None = None
        self.wander = WANDER**2
        self.climb = 0.0
        self._touch: list[float] | None = None
        self._recent: list[list[float]] = []
        self._lags: list[float] = []
        self._stops = 0

    @property
    def log_drag(self) -> float | None:
        """The drag (logarithm, Pa s/m3)."""
        return self.mean[0] if self.known else None

    @property
    def sd(self) -> float:
        """How well it is known against its own past, relative."""
        return math.sqrt(max(self.cov[0], 0.0))

    @property
    def likeliest(self) -> float | None:
        """The drag (logarithm) by the hypothesis that explains best: the ordinary one unless another is ahead by its price."""
        if not self.known:
            return None
        evidence, i = max((min(sums), i) for i, sums in enumerate(self.sums))
        return self.mean[NULLS + i] if evidence > LIKELIER else self.mean[0]

    @property
    def habit_sd(self) -> float:
        """What looks half an hour apart usually differ by in this shop (logarithm)."""
        return math.sqrt(max(self._lags[0] if self._lags else 0.0, 2.0 * self.level_var))

    @property
    def rate(self) -> float:
        """Usual growth of the logarithm per running second."""
        return min(max(self.rate_sums[0] / self.rate_sums[1], 0.1 * USUAL_RATE), MOST_ORDINARY / 3.0)

    def ordinary_rates(self) -> tuple[float, float]:
        """The usual rate, and that of the dustiest job [1/s]."""
        return self.rate, min(max(DUSTIEST * self.rate, 0.3 * MOST_ORDINARY), MOST_ORDINARY)

    def evidence(self, name: str) -> tuple[float, float, float]:
        """Of the strongest hypothesis of that name: its evidence against the best ordinary one, the event time from which it
        holds, and the drag (logarithm) by it."""
        value, i = max((min(sums), i) for i, (one, sums) in enumerate(zip(BANK, self.sums, strict=True)) if one.name == name)
        return value, self.began[i], self.mean[NULLS + i]

    def step(self, step: Step) -> None:
        """One more block of a stretch."""
        if not self.known:
            return
        self.running_s += step.seconds
        cov = self.cov
        cov[0] += self.wander * step.seconds + (self.stop_var if step.stopped else 0.0)
        self._stops += step.stopped
        rates = (*self.ordinary_rates(), *(one.rate for one in BANK))
        self.mean = [mean + rate * step.seconds for mean, rate in zip(self.mean, rates, strict=True)]
        if step.began:
            # The constant of a new stretch is unknown: its first block fixes it and judges nothing.
            self.tie = [step.tied - mean for mean in self.mean]
            self.cov = [cov[0], -cov[0], cov[0] + self.tied_var]
            self.minute, self.before, self.last, self._touch = [0.0, 0.0], None, step.tied, None
            return
        if self.last is not None:
            self.climb += step.tied - self.last - rates[1] * step.seconds
        self._learn_scatter(step.tied)
        cov[2] += self.creep_var * step.seconds / 60.0
        to_mean, to_tie = cov[0] + cov[1], cov[1] + cov[2]
        variance = to_mean + to_tie + self.tied_var
        gaps = [step.tied - m - c for m, c in zip(self.mean, self.tie, strict=True)]
        self._think_of_a_touch(gaps, variance)
        self._absorb(gaps, to_mean, to_tie, variance, step.t, BLOCK_PULL)

    def _think_of_a_touch(self, gaps: list[float], variance: float) -> None:
        """A gate that somebody touched unnoticed shifts the constant of the stretch once and for good, carried dust shifts
        it on and on. Ordinary running takes it to be a touch as soon as that explains more, its price paid."""
        pull = min(gaps[0] ** 2 / (2.0 * variance), 2.0 * TOUCHED)
        if self._touch is not None:
            shift, ahead = self._touch
            self._touch = [shift, ahead + pull - min((gaps[0] - shift) ** 2 / (2.0 * variance), 2.0 * TOUCHED)]
        if self._touch is None or self._touch[1] < pull - TOUCHED:
            self._touch = [gaps[0], pull - TOUCHED]
        shift, ahead = self._touch
        if ahead <= 0.0:
            return
        self._touch = None
        self.climb -= shift
        self.tie[0] += shift
        gaps[0] -= shift
        self.mean[1], self.tie[1], gaps[1] = self.mean[0], self.tie[0], gaps[0]
        self.sums = [[max(sums[0] - ahead, 0.0)] * NULLS for sums in self.sums]

    def look(self, look: Look) -> float | None:
        """A look at the drag itself. Returns its gap to what was followed (None where there is nothing to compare)."""
        if look.drag is None:
            return None
        if not self.known:
            self.moved_to(look.drag, max(LEVEL_SD, look.drag_sd))
            return None
        cov = self.cov
        gaps = [look.drag - mean for mean in self.mean]
        gap, variance = gaps[0], cov[0] + self.level_var / look.weight
        for i, one in enumerate(BANK):
            if one.jump and one.at_stop is look.stopped:
                self._begin_jump(i, one.jump, look.drag, gaps, variance)
        if look.weight == 1.0:
            self._learn_level(gap, look.stopped)
            self._learn_wander(look.drag)
        self._absorb(gaps, cov[0], cov[1], variance, look.began_t, MOST_PULL)
        self.looks += 1
        if self.last_look is not None and not look.stopped and max(min(s) for s in self.sums) < MOST_PULL:
            seconds = self.running_s - self.last_look[0]
            fade = math.exp(-seconds / RATE_S)
            self.rate_sums = [fade * self.rate_sums[0] + self.mean[0] - self.last_look[1], fade * self.rate_sums[1] + seconds]
        self.last_look = [self.running_s, self.mean[0]]
        return gap

    def moved_to(self, log_drag: float, sd: float) -> None:
        """The drag is this now (the first look, a cleaning, a bag gone): begin from it."""
        self.known = True
        self.mean, self.tie = [log_drag] * len(self.mean), [self.tie[0] + self.mean[0] - log_drag] * len(self.mean)
        self.cov = [sd * sd, -sd * sd, sd * sd + self.tied_var]
        self.sums = [[0.0] * NULLS for _ in BANK]
        self.last_look, self._touch, self._recent = None, None, []

    def _begin_jump(self, i: int, jump: float, drag: float, gaps: list[float], variance: float) -> None:
        """A jump may have come just now, at a stop or while the fan ran: begin here where that explains more than having
        begun before."""
        fresh = drag - self.mean[0] - jump
        gained = min(max((gaps[0] ** 2 - fresh**2) / (2.0 * variance), -MOST_PULL), MOST_PULL)
        going_on = min(max((gaps[0] ** 2 - gaps[NULLS + i] ** 2) / (2.0 * variance), -MOST_PULL), MOST_PULL)
        if gained > min(self.sums[i]) + going_on:
            self.sums[i] = [0.0] * NULLS
            self.mean[NULLS + i], self.tie[NULLS + i] = self.mean[0] + jump, self.tie[0] - jump
            gaps[NULLS + i] = fresh

    def _absorb(
        self, gaps: list[float], to_mean: float, to_tie: float, variance: float, t: float, most: float
    ) -> None:
        """A measurement with these gaps: evidence first, then the state."""
        for i in range(len(BANK)):
            own = gaps[NULLS + i] ** 2
            sums = [s + min(max((gaps[k] ** 2 - own) / (2.0 * variance), -most), most)
                    for k, s in enumerate(self.sums[i])]
            if min(self.sums[i]) <= 0.0:
                self.began[i] = t
            self.sums[i] = sums if min(sums) > 0.0 else [0.0] * NULLS
        a, b = to_mean / variance, to_tie / variance
        far = OUTLIER * math.sqrt(variance)
        gaps = [min(max(gap, -far), far) for gap in gaps]
        self.mean = [m + a * gap for m, gap in zip(self.mean, gaps, strict=True)]
        self.tie = [c + b * gap for c, gap in zip(self.tie, gaps, strict=True)]
        for i, sums in enumerate(self.sums):
            if min(sums) <= 0.0:
                self.mean[NULLS + i], self.tie[NULLS + i] = self.mean[0], self.tie[0]
        # The dustiest ordinary job is a job, not a state: it begins anew from the usual one whenever that explains as much.
        if abs(gaps[0]) <= abs(gaps[1]):
            self.mean[1], self.tie[1] = self.mean[0], self.tie[0]
        cov = self.cov
        self.cov = [cov[0] - a * to_mean, cov[1] - a * to_tie, cov[2] - b * to_tie]

    def _learn_scatter(self, tied: float) -> None:
        """How far blocks scatter, and how far minutes do beside that (slow eddies, mains, chips in the ducts)."""
        if self.last is not None:
            self.tied_var = max(_follow(self.tied_var, 0.5 * (tied - self.last) ** 2, SEEN), 1e-6)
        self.last = tied
        self.minute = [self.minute[0] + tied, self.minute[1] + 1.0]
        if self.minute[1] >= 6.0:
            mean = self.minute[0] / self.minute[1]
            if self.before is not None:
                slow = max((mean - self.before) ** 2 - self.tied_var / 3.0, 0.0)
                self.creep_var = max(_follow(self.creep_var, slow, 2.0 * SEEN), 1e-7)
            self.before, self.minute = mean, [0.0, 0.0]

    def _learn_level(self, gap: float, stopped: bool) -> None:
        """How far guessed gates scatter the drag from stretch to stretch, and what stops change beside that."""
        share = max(SEEN, 1.0 / (self.looks + 4.0))
        own = max(self.cov[0] - (self.stop_var if stopped else 0.0), 0.0)
        if stopped:
            self.stop_var = min(max(_follow(self.stop_var, max(gap * gap - own - self.level_var, 0.0), SEEN), 0.01**2),
                                MOST_STOP_SD**2)
        else:
            self.level_var = max(_follow(self.level_var, max(gap * gap - own, 0.0), share), 0.01**2)


    def _learn_wander(self, drag: float) -> None:
        """How far the drag wanders in this shop, as it is seen: what looks far apart differ by beyond looks side by side."""
        now = [self.running_s, drag, float(self._stops)]
        self._recent = [*self._recent[-LAG:], now]
        if len(self._recent) <= LAG:
            return
        (s8, drag8, stops8), (s1, drag1, stops1) = self._recent[0], self._recent[-2]
        ramp = self.rate
        far = max((drag - drag8 - ramp * (now[0] - s8)) ** 2 - self.stop_var * (now[2] - stops8), 0.0)
        near = max((drag - drag1 - ramp * (now[0] - s1)) ** 2 - self.stop_var * (now[2] - stops1), 0.0)
        row = [far, near, now[0] - s8, now[0] - s1]
        if not self._lags:
            self._lags = [2.0 * self.level_var + WANDER**2 * row[2], 2.0 * self.level_var + WANDER**2 * row[3], row[2], row[3]]
        pairs = enumerate(zip(self._lags, row, strict=True))
        self._lags = [old + SEEN * ((min(new, 9.0 * old) if i < 2 else new) - old) for i, (old, new) in pairs]
        far, near, long, short = self._lags
        self.wander = min(max((far - near) / max(long - short, 60.0), WANDER**2), MOST_WANDER**2)


def _follow(variance: float, square: float, share: float) -> float:
    """A running variance that single wild looks cannot carry away."""
    return variance + share * (min(square, 9.0 * variance) - variance)
