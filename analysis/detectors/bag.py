"""The chip bag: full (chips are carried up into the filter), how full by running time, and emptied."""

from __future__ import annotations

import math

from analysis.blocks import Block
from analysis.conditions import Condition
from analysis.detectors.budget import certainty, needed
from analysis.detectors.core import Core, mean_by_curve
from analysis.detectors.drag import LIKELIER
from analysis.detectors.keeping import Keeping
from analysis.detectors.watch import Watch
from analysis.events import EventKind, ShopEvent
from analysis.findings import Evidence, Finding
from analysis.readings import RunState

LEAST_GROWTH = 0.04
"""Growth of the drag (logarithm) before anybody is called: less costs nothing and may be one dusty cut."""
CHANCE_SD = 2.0
"""Within stretches it must exceed so many standard deviations of what the scatter of blocks alone makes of it as well."""
LEVEL_FULL, LEVEL_BLOCKS = 0.9, 3
"""A level sensor's reading that is full, and blocks for which it must stay."""
LEVEL_FELL = 0.3
"""Fall of the level that is an emptying."""
CALM_S = 1800.0
"""Running over which the drag must grow no faster than any ordinary job makes it, across a stop, for a claim to end by itself:
the bag was emptied, whoever knows of it."""
FIRST_SD, INTERVAL_SD, LEAST_RUN_S = 0.5, 0.25, 900.0
"""How far bags differ in the running that fills them, after one emptying and after several; an emptying after less running
teaches nothing (common practice, no source)."""
INTERVAL = 1.645


class BagFull(Watch):
    """Chips that are carried over from a full bag make the drag grow many times faster than any ordinary job does: the evidence
    is that of :class:`.DragTrack`. How full the bag is by running time is learned from the emptyings and only shown."""

    condition = Condition.BAG_FULL
    KEPT = ("_since", "_rate", "_sure", "_by_level", "_level_blocks", "running_s", "_interval", "_emptyings", "_stopped",
            "_mark")

    def __init__(self, core: Core) -> None:
        super().__init__()
        self._core = core
        self._threshold = needed(60.0, 3)
        self._rate = 0.0
        self._sure = 0.0
        self._by_level = False
        self._level: float | None = None
        self._level_blocks = 0
        self.running_s = 0.0
        self._stopped = False
        self._mark: list[float] | None = None
        self._interval: float | None = None
        self._emptyings = 0

    @property
    def rate(self) -> float:
        """Growth of the drag per running second when it was claimed (logarithm)."""
        return self._rate

    def update(self, block: Block) -> None:
        """Take in a block."""
        self._t = block.t
        self._core.update(block)
        if block.running:
            self.running_s += block.seconds
        sensor = block.stats.get("bag_level")
        self._level = None if sensor is None else sensor.mean
        high = self._level is not None and self._level >= LEVEL_FULL
        self._level_blocks = self._level_blocks + 1 if high else 0
        if not self.standing and self._level_blocks >= LEVEL_BLOCKS:
            self._sure, self._by_level = 0.97, True
            self._set(block.t)
        if self.standing:
            self._watch_for_the_end(block)
            return
        if self._core.stretches.step is None or not self._core.settled:
            return
        track = self._core.track
        evidence, since, grown_to = track.evidence("carried")
        if evidence < max(self._threshold, track.evidence("rose")[0] + LIKELIER):
            return  # what rose across a stop is a hole that was mended, or other bags
        # Cake that fell off at a stop grows again at once: only what goes beyond the drag of before is more dust.
        before = max((one.drag for one in self._core.looks_before(since, 8)), default=grown_to)
        if grown_to - before < LEAST_GROWTH:
            return
        if not self._borne_out(since, grown_to - before):
            return  # a gate that was moved looks like more drag
        self._rate = max((grown_to - before) / max(block.t - since, 60.0), track.ordinary_rates()[1])
        self._sure, self._stopped, self._mark = certainty(evidence, self._threshold), False, None
        self._set(since)

    def _borne_out(self, since: float, growth: float) -> bool:
        """Whether the growth was seen where no gate can make it: within stretches, beyond what their scatter makes, or by the
        fan's own curve."""
        track, later = self._core.track, self._core.looks_after(since)
        chance = CHANCE_SD * math.sqrt(2.0 * len(later) * track.tied_var)
        if not later or track.climb - later[0].climb >= max(LEAST_GROWTH, chance):
            return True
        then, now = mean_by_curve(self._core.looks_before(since, 8), 2), mean_by_curve(later[-3:], 2)
        return then is not None and now is not None and now - then >= max(LEAST_GROWTH, 0.5 * growth)

    def _watch_for_the_end(self, block: Block) -> None:
        """Does the claim end by itself?"""
        drag = self._core.track.log_drag
        if block.state is RunState.OFF:
            self._stopped = True
        if drag is None or not block.running or not self._stopped or self._by_level:
            return
        if self._mark is None:
            self._mark = [self.running_s, drag]
        seconds = self.running_s - self._mark[0]
        if seconds < CALM_S:
            return
        calm = drag - self._mark[1] < self._core.track.ordinary_rates()[0] * 3.0 * seconds
        self._mark = None
        if calm:
            self._stopped = False
            self._set(None)

    def event(self, event: ShopEvent) -> None:
        """An emptying takes the claim back and teaches how much running fills the bag."""
        if event.kind is not EventKind.EMPTIED:
            return
        if self.running_s >= LEAST_RUN_S:
            self._emptyings += 1
            share = 1.0 / min(self._emptyings, 6)
            self._interval = self.running_s if self._interval is None else (
                self._interval * math.exp(share * math.log(self.running_s / self._interval)))
        self.running_s, self._by_level, self._level_blocks = 0.0, False, 0
        self._set(None)
        self._told = None

    def _tell(self) -> tuple[Finding, ...]:
        self._unable = ""
        if self._level is None and not self.standing:
            if self._core.track.log_drag is None:
                self._unable = "it needs both pressures, or a level sensor in the bag"
            elif not self._core.settled:
                self._unable = "how fast the drag usually grows here is still being learned: about an hour of running"
        evidence = {
            "growth": Evidence(600.0 * self._rate, "fraction", "growth of the drag in ten running minutes"),
            "usual_growth": Evidence(600.0 * self._core.track.rate, "fraction", "what ten ordinary running minutes add"),
        } if self.standing and not self._by_level else {}
        forecast = None
        if self._interval is not None:
            fill = self.running_s / self._interval
            evidence["fill"] = Evidence(min(fill, 1.5), "fraction", "of the running time that filled it before")
            sd = FIRST_SD if self._emptyings < 2 else INTERVAL_SD
            if not self.standing:
                middle, low, high = (self._interval * math.exp(z * INTERVAL * sd) - self.running_s for z in (0.0, -1.0, 1.0))
                forecast = max(middle, 0.0), max(low, 0.0), max(high, 0.0)
        if self._level is not None:
            evidence["bag_level"] = Evidence(self._level, "fraction", "level in the chip bag")
        return (self._finding(self._sure if self.standing else 0.9, evidence, (
            "a burst of very fine dust, from sanding for example", "damp dust caking the bags"), forecast=forecast),)


class Emptying(Keeping):
    """Recognises an emptying by a level sensor: the level fell. Without one it cannot be seen; the owner's word is needed."""

    KEPT = ("_high", "_low")

    def __init__(self) -> None:
        self._high: float | None = None
        self._low = 0

    def update(self, block: Block) -> tuple[ShopEvent, ...]:
        """Take in one block; the emptying, once it is seen."""
        sensor = block.stats.get("bag_level")
        if sensor is None:
            return ()
        high = self._high = sensor.mean if self._high is None else max(self._high, sensor.mean)
        self._low = self._low + 1 if sensor.mean < high - LEVEL_FELL else 0
        if self._low < LEVEL_BLOCKS:
            return ()
        self._high, self._low = None, 0
        text = f"The level in the chip bag fell from {100.0 * high:.0f} % to {100.0 * sensor.mean:.0f} %: emptied."
        return (ShopEvent(block.t, EventKind.EMPTIED, by="ductwarden", text=text),)

    def event(self, event: ShopEvent) -> None:
        """The owner wrote it down: nothing is left to recognise."""
        if event.kind is EventKind.EMPTIED:
            self._high, self._low = None, 0
