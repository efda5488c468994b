"""Recognises an emptying of the chip bag: the level fell, or chips are no longer carried over after a stop."""

from __future__ import annotations

from collections.abc import Mapping

from analysis.blocks import Block
from analysis.detectors.bag_full import BagFull
from analysis.detectors.numbers import number
from analysis.events import EventKind, ShopEvent
from analysis.readings import RunState

LEVEL_FELL, LEVEL_BLOCKS = 0.3, 3
"""Fall of the level [0..1] that is an emptying, and blocks for which it must stay low."""
STOP_S = 60.0
"""A stop shorter than this is too short to empty a bag."""
WORK_S = 600.0
"""Running after the stop over which the growth is judged."""
CALM = 0.35
"""Share of the growth at the claim below which chips are no longer carried over."""
QUIET = 1.35
"""Pulsation over its usual size above which chips still shake the air."""
STILL = 0.8
"""Share of it above which they still are, and the judgement begins anew."""


class Emptying:
    """With a level sensor: the level is lower than before by a third of the bag. Without: while the claim of
    :class:`.BagFull` stands, the drag has grown far more slowly since a stop than when it was claimed. An emptying that
    ends no carry-over cannot be seen without a sensor; the owner's word is needed for it.
    """

    def __init__(self, bag: BagFull | None) -> None:
        self._bag = bag
        self._high: float | None = None
        self._low_blocks = 0
        self._off_t: float | None = None
        self._stopped_t: float | None = None
        self._work_s = 0.0
        self._grown = 0.0

    def update(self, block: Block) -> tuple[ShopEvent, ...]:
        """Take in one block; the emptying, once it is seen."""
        found = self._by_level(block) or self._by_growth(block)
        if found is None:
            return ()
        self._forget()
        return (found,)

    def _by_level(self, block: Block) -> ShopEvent | None:
        sensor = block.stats.get("bag_level")
        if sensor is None:
            return None
        level = sensor.mean
        if self._high is None or level > self._high:
            self._high = level
        self._low_blocks = self._low_blocks + 1 if level < self._high - LEVEL_FELL else 0
        if self._low_blocks < LEVEL_BLOCKS:
            return None
        text = f"The level in the chip bag fell from {100.0 * self._high:.0f} % to {100.0 * level:.0f} %: emptied."
        return ShopEvent(block.t, EventKind.EMPTIED, by="ductwarden", text=text)

    def _by_growth(self, block: Block) -> ShopEvent | None:
        bag = self._bag
        if bag is None or not bag.standing:
            self._stopped_t, self._work_s, self._grown, self._off_t = None, 0.0, 0.0, None
            return None
        if block.state is RunState.OFF:
            if self._off_t is None or block.t < self._off_t:
                self._off_t = block.began_t
            if block.t - self._off_t >= STOP_S:
                self._stopped_t = block.t
                self._work_s = self._grown = 0.0
            return None
        if not block.running:
            return None
        self._off_t = None
        if self._stopped_t is None or not bag.growth.update(block):
            return None
        self._work_s += block.seconds
        self._grown += bag.growth.share
        if self._work_s < WORK_S:
            return None
        rate = self._grown / self._work_s
        shaken = bag.pulse_ratio
        if rate < CALM * bag.claimed_rate and (shaken is None or shaken < QUIET):
            text = "Chips are no longer carried over since the fan stood still: the chip bag was emptied."
            return ShopEvent(self._stopped_t, EventKind.EMPTIED, by="ductwarden", text=text)
        if rate > STILL * bag.claimed_rate:
            self._stopped_t = None
        self._work_s = self._grown = 0.0
        return None

    def _forget(self) -> None:
        self._high, self._low_blocks = None, 0
        self._stopped_t, self._work_s, self._grown = None, 0.0, 0.0

    def event(self, event: ShopEvent) -> None:
        """The owner has told: nothing is left to recognise."""
        if event.kind is EventKind.EMPTIED:
            self._forget()

    def snapshot(self) -> dict[str, object]:
        """What is being watched."""
        return {
            "high": self._high, "low_blocks": self._low_blocks, "off_t": self._off_t, "stopped_t": self._stopped_t,
            "work_s": self._work_s, "grown": self._grown,
        }

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a snapshot."""
        self._high = number(data.get("high"))
        self._low_blocks = int(number(data.get("low_blocks")) or 0)
        self._stopped_t = number(data.get("stopped_t"))
        self._off_t = number(data.get("off_t"))
        self._work_s, self._grown = (number(data.get(key)) or 0.0 for key in ("work_s", "grown"))
