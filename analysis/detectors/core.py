"""What the detectors share: one reading of the shop, made once for each block.

Blocks become stretches and looks (:mod:`.stretches`), the drag of the bags is followed through them (:mod:`.drag`), the
shop's own fan curve is learned and watched (:mod:`.isolate`), and where gates are reported so is each setting's usual air
(:mod:`.settings`). Each detector asks for what it needs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from analysis.baseline.model import Baseline
from analysis.blocks import Block
from analysis.detectors.budget import needed
from analysis.detectors.drag import DragTrack
from analysis.detectors.isolate import Isolation
from analysis.detectors.keeping import Keeping
from analysis.detectors.settings import Settings
from analysis.detectors.stretches import Look, Stretches
from analysis.duct.design import DuctDesign
from analysis.events import EventKind, ShopEvent

GRACE_S, GRACE_LOOKS = 2700.0, 10
"""Running seconds and looks before the drag's own habits are known well enough to claim anything."""
CONTRADICTS = 4.0
"""Standard deviations by which estimate and fan curve must differ to contradict each other."""
REGAIN_S = 1800.0
"""Running after a channel came back until the estimate, which had to do without it, counts as evidence again."""
LEAST_FALL_SD = 4.0
"""No fall is smaller than so many times what looks half an hour apart usually differ by in this shop."""
LEAST_SHUT, SHUT_SD = 3, 0.10
"""Looks with every gate shut before the leaking air is known, and how well such a look tells the drag."""
AS_SHUT = 2.5
"""A look whose bags' pressure is so many of these from that of leaking air alone is one with every gate shut, whatever the
estimate, which a wrong channel may mislead, takes it for."""
KEPT_LOOKS = 24
LEAST_BEFORE = 3
"""Looks before a fall, at least."""
CHANGED = 4.5
"""Evidence (a change of three standard deviations) from which a level has changed between looks."""
CURVE_SD = 0.04
"""How well the fan's own curve tells the drag at one look (logarithm)."""
SOON_AFTER_STOP_S = 300.0
"""What falls within so much running after a stop fell across that stop."""


@dataclass(frozen=True, slots=True)
class Memory:
    """A look that is kept: its drag (logarithm), pressure over the bags (logarithm), the gap of the fan's pressure at that drag,
    the drag by the fan's own curve, the variance of the drag, the track's ``climb`` by then, and whether the fan had rested
    before it."""

    t: float
    drag: float
    filter: float
    pressure: float | None
    by_curve: float | None
    variance: float
    climb: float
    rested: bool


@dataclass(frozen=True, slots=True)
class Fall:
    """The drag fell: since when, from what to what (logarithms), whether across a stop, and its evidence."""

    since: float
    before: float
    after: float
    at_stop: bool
    evidence: float


class Core(Keeping):
    """The shared state. :meth:`update` does its work once for a block, whoever asks first."""

    KEPT = (
        "stretches", "track", "isolation", "settings", "running_s", "_run_s", "_looks", "clean", "clean_sd", "_memories", "blind",
        "_leak", "pending", "_trusted", "_trusted_from_s")

    def __init__(self, design: DuctDesign, baseline: Baseline | None, fitted: frozenset[str]) -> None:
        self.stretches = Stretches()
        self.track = DragTrack()
        self.isolation = Isolation(design, baseline, fitted)
        self.settings = Settings(design, baseline is not None)
        self.running_s = 0.0
        self.clean: float | None = None
        self.toured = baseline is not None
        self.clean_sd = max(design.filter.uncertainty, 0.05) if baseline is None else 0.05
        self.fall: Fall | None = None
        self._fall_threshold = needed(300.0, 3)
        self._run_s = 0.0
        self._looks = 0
        self._memories: list[list[float | None]] = []
        self.blind = False
        self._leak = [0.0, 0.0]
        self.pending = False
        self._trusted, self._trusted_from_s = True, -REGAIN_S
        self._block: Block | None = None

    def update(self, block: Block) -> None:
        """Take in a block."""
        if block is self._block:
            return
        self._block, self.fall = block, None
        self._run_s = block.run_s
        self.stretches.update(block)
        estimate = block.estimate
        if estimate.filter_drag and estimate.drag_ratio:
            self.clean = math.log(estimate.filter_drag / estimate.drag_ratio)
        step, look = self.stretches.step, self.stretches.look
        if step is not None:
            self.running_s += step.seconds
            self.track.step(step)
        if look is not None:
            self._take(look)

    @property
    def look(self) -> Look | None:
        """The look that the last block closed, if any."""
        return self.stretches.look

    @property
    def settled(self) -> bool:
        """Whether the drag's own habits are known."""
        return self._sound and self.running_s >= GRACE_S and (self._looks >= GRACE_LOOKS or self.running_s >= 4.0 * GRACE_S)

    @property
    def _sound(self) -> bool:
        """Whether every channel can be trusted, and could be for a while."""
        return self._trusted and self.running_s - self._trusted_from_s >= REGAIN_S

    def trust(self, trusted: bool) -> None:
        """Whether the channels that drag and flow rest on can be trusted."""
        if trusted and not self._trusted:
            self._trusted_from_s = self.running_s
        self._trusted = trusted

    def looks_after(self, t: float) -> list[Memory]:
        """The looks kept since ``t``, oldest first."""
        return [row for row in map(_memory, self._memories) if row is not None and row.t >= t]

    def looks_before(self, t: float, most: int) -> list[Memory]:
        """The last looks before ``t``."""
        return [row for row in map(_memory, self._memories) if row is not None and row.t < t][-most:]

    def _take(self, look: Look) -> None:
        before = self.track.log_drag
        other = (look.current is None) is not self.blind
        if other:
            # A channel fell silent, or came back: what the estimate gets wrong is another thing now.
            self.blind = look.current is None
            self.isolation.forget_looks()
        if other or not self._sound:  # followed from here anew; while a channel cannot be trusted, nothing is made of it
            self.track.known, before, self._memories = False, None, []
        by_curve = None if before is None else self.isolation.drag(look, before)
        if not look.shut and before is not None and self._leak[0] >= LEAST_SHUT:
            look = replace(look, shut=abs(look.filter - before - self._leak[1]) < AS_SHUT * SHUT_SD)
        fused = self._all_shut(look) if look.shut else self._fused(look, by_curve)
        self.track.look(fused)
        self._looks += look.weight == 1.0
        if not look.shut and self._sound:
            self.isolation.look(look, self.track.likeliest, self.running_s)
        self.settings.look(look, self.track.log_drag)
        if fused.drag is not None:
            gaps = self.isolation.curve.gaps(look, fused.drag)
            gap = self.isolation.pressure.residual(gaps.log_flow, gaps.pressure)[0] if self.isolation.known else None
            row = [look.began_t, fused.drag, look.filter, gap, None if by_curve is None else by_curve[0],
                   self.track.level_var, self.track.climb, float(look.stopped)]
            self._memories = [*self._memories[-(KEPT_LOOKS - 1):], row]
        if before is not None and self.settled and not self.blind:
            self._look_for_fall()

    def _all_shut(self, look: Look) -> Look:
        """With every gate shut the estimate only repeats what it thought before; but the air that leaks in is always the same,
        and is learned: then the pressure over the bags tells the drag that so little air meets."""
        drag = self.track.log_drag
        if drag is None:
            return replace(look, drag=None)
        count, mean = self._leak
        if count >= LEAST_SHUT:
            row = [look.began_t, look.filter - mean, look.filter, None, None, SHUT_SD**2, self.track.climb, float(look.stopped)]
            self._memories = [*self._memories[-(KEPT_LOOKS - 1):], row]
        if not self.pending:
            count = min(count + 1.0, 20.0)
            self._leak = [count, mean + (look.filter - drag - mean) / count]
        return replace(look, drag=None)

    def _fused(self, look: Look, by_curve: tuple[float, float] | None) -> Look:
        """The look with the drag of the estimate (which guesses gates) and of the fan's own curve (which needs none) in one.
        Where they contradict each other the gates were guessed wrong."""
        if by_curve is None or look.drag is None:
            return look
        drag, variance = by_curve
        own = self.track.level_var
        if (look.drag - drag) ** 2 > CONTRADICTS**2 * (own + variance):
            return replace(look, drag=drag)
        return replace(look, drag=(look.drag / own + drag / variance) / (1.0 / own + 1.0 / variance))

    def _look_for_fall(self) -> None:
        evidence, at_stop = max((self.track.evidence(name)[0], name == "fell") for name in ("fell", "torn"))
        risen, from_t, _ = self.track.evidence("rose")
        if risen > max(self._fall_threshold, self.track.evidence("carried")[0]):
            now = self.looks_after(from_t)
            if len(now) >= 2:
                self._move_to(now)
            return
        if evidence < self._fall_threshold:
            return
        looks = self.looks_after(-math.inf)
        at, _ = _change([(one.t, one.drag, one.variance) for one in looks])
        earlier, later = looks[:at], looks[at:]
        if len(earlier) < LEAST_BEFORE or len({one.t for one in later}) < 2:
            return  # one setting of the gates may be a wrong guess
        since, before, after = later[0].t, mean_drag(earlier[-6:]), mean_drag(later)
        if before - after < LEAST_FALL_SD * self.track.habit_sd:
            return
        at_stop = at_stop or self._run_s - (later[-1].t - since) < SOON_AFTER_STOP_S
        if at_stop:
            # The estimate follows slowly while the fan runs and anew after a stop: the fan's curve may have seen it before.
            told = [one for one in earlier if one.by_curve is not None]
            at, fell = _change([(one.t, one.by_curve or 0.0, CURVE_SD**2) for one in told])
            if at < len(told) and not told[at].rested and fell > 0.5 * (before - after):
                since, at_stop, before = told[at].t, False, mean_drag(told[:at][-6:])
        self.fall = Fall(since, before, after, at_stop, evidence)
        self._move_to(later)

    def _move_to(self, looks: list[Memory]) -> None:
        """The drag is what these looks say."""
        self.track.moved_to(mean_drag(looks), max(0.02, math.sqrt(self.track.level_var / len(looks))))

    def event(self, event: ShopEvent) -> None:
        """A cleaning begins a new course of drag; something changed on the ducts begins new habits of the air."""
        if event.kind in (EventKind.CLEANED, EventKind.REPLACED):
            self.track.running_s = 0.0
            if event.by == "owner":
                self.track.known = False
        if event.kind in (EventKind.CHANGED, EventKind.ADDED_RUN, EventKind.BASELINE):
            self.settings.forget()


def _change(rows: list[tuple[float, float, float]]) -> tuple[int, float]:
    """Where the one fall of level that explains (time, value, variance) best begins, and how far it falls. Steps say that the
    drag changed, and are vague about when where gates move in between. Without a plain one: the number of rows, and 0."""
    best, at, by = CHANGED, len(rows), 0.0
    for i in range(LEAST_BEFORE, len(rows)):
        if rows[i][0] == rows[i - 1][0]:
            continue
        weights, means = [], []
        for part in (rows[:i], rows[i:]):
            weights.append(sum(1.0 / variance for _, _, variance in part))
            means.append(sum(value / variance for _, value, variance in part) / weights[-1])
        fell = means[0] - means[1]
        evidence = 0.5 * fell * fell * weights[0] * weights[1] / (weights[0] + weights[1])
        if fell > 0.0 and evidence > best:
            best, at, by = evidence, i, fell
    return at, by


def mean_drag(looks: list[Memory]) -> float:
    """Mean drag (logarithm) of some looks, by how well each tells it."""
    return sum(one.drag / one.variance for one in looks) / sum(1.0 / one.variance for one in looks)


def mean_by_curve(looks: list[Memory], least: int = 1) -> float | None:
    """Mean drag (logarithm) by the fan's own curve, where it told it at ``least`` of these looks."""
    told = [one.by_curve for one in looks if one.by_curve is not None]
    return sum(told) / len(told) if len(told) >= least else None


def _memory(row: list[float | None]) -> Memory | None:
    t, drag, bags, pressure, by_curve, variance, climb, rested = row if len(row) == 8 else [None] * 8
    if t is None or drag is None or bags is None or variance is None or climb is None:
        return None
    return Memory(t, drag, bags, pressure, by_curve, variance, climb, bool(rested))
