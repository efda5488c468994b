"""One channel under watch: what a block shows to be wrong with it, and how long that has lasted."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from analysis.blocks import Block, Stat
from analysis.detectors.numbers import number
from analysis.readings import Quality

BAD_SHARE = 0.5
"""Share of a block's frames without a value that makes the block a bad one."""
WORDS = {
    Quality.SILENT: "sends nothing",
    Quality.STUCK: "repeats itself to the digit while the fan runs",
    Quality.OUT_OF_RANGE: "is out of the range that can be believed",
    Quality.JUMP: "jumps further than anything in the shop can",
    Quality.DOUBLED: "is sent by two senders that say different things",
    Quality.UNREADABLE: "sends what is no number",
}
HEARD = (WORDS[Quality.SILENT], WORDS[Quality.UNREADABLE])
"""What is over as soon as the channel speaks again, whatever the fan does."""
HEARD_BLOCKS = 3
"""So many blocks of it are enough: a node that started again after a minute is no fault."""
PULSING = ("inlet_pa", "filter_pa", "pitot_pa")
STILL, STILL_BLOCKS = 0.35, 6
"""A running pressure whose pulsation stays below this share of its usual one hangs on a plugged or kinked tube; blocks."""
WILD, WILD_BLOCKS = 5.0, 6
"""One whose reading shakes this many times more than usual, while the others do not, is noisy; blocks."""
CALM_OTHERS = 2.5
CALMER = 0.65
"""Another pressure whose pulsation is below this share of its usual one says that the air itself has calmed down."""
FLAT_BLOCKS = 12
"""Blocks without any change, to the digit, of a channel that otherwise moves."""
SMOOTH = 0.4
FLOOR = math.log(0.1)
"""The smoothed pulsation goes no lower than this share (logarithm) of the usual one."""
LEARN_UP, LEARN_DOWN = 0.01, 0.005
LEARN_WITHIN = 2.0
"""What shakes more than this many times the usual is no example of it."""
LEARNED_BLOCKS = 30


@dataclass(slots=True)
class ChannelWatch:
    """``bad``/``good`` blocks in a row; ``since``/``why`` the standing claim; ``value`` the last good mean."""

    name: str
    bad: int = 0
    good: int = 0
    still: int = 0
    wild: int = 0
    flat: int = 0
    seen: bool = False
    running: bool = False
    at_rest: int = 0
    moved: bool = False
    usual: float | None = None
    learned: int = 0
    size: float | None = None
    since: float | None = None
    began: float | None = None
    why: str = ""
    value: float | None = None

    def quality(self, block: Block) -> str | None:
        """What vetting says of the block: words, "" for nothing wrong, None where there is nothing to look at."""
        counts = block.bad.get(self.name)
        if counts:
            worst = max(counts, key=lambda quality: counts[quality])
            if sum(counts.values()) > BAD_SHARE * block.frames:
                return WORDS.get(worst, str(worst))
        return "" if self.name in block.stats else None

    def constant(self, stat: Stat) -> str:
        """Is it flat to the digit although it used to move? (Vetting finds this too, after a time of its own.)"""
        if stat.count < 3:
            return ""
        if stat.high > stat.low:
            self.moved, self.flat = True, 0
            return ""
        self.flat += 1
        return WORDS[Quality.STUCK] if self.moved and self.flat >= FLAT_BLOCKS else ""

    def liveliness(self, stat: Stat, others_calm: bool, others_calmer: bool = False) -> str:
        """Does a running pressure pulsate as it usually does? Learns what is usual while nothing is wrong.

        Where another has become calmer as well (``others_calmer``) it is the air that calmed down, as it does when an
        overfull chip bag was emptied, and not a tube.
        """
        if self.name not in PULSING or stat.step_rms is None:
            return ""
        size = math.log(max(stat.step_rms / max(abs(stat.mean), 1.0), 1e-7))
        self.size = size if self.size is None else self.size + SMOOTH * (size - self.size)
        if self.usual is None:
            self.usual = size
        # A channel that was stuck is lively again within a minute of coming back.
        self.size = max(self.size, self.usual + FLOOR)
        apart = self.size - self.usual
        known = self.learned >= LEARNED_BLOCKS
        self.still = self.still + 1 if known and apart < math.log(STILL) and not others_calmer else 0
        self.wild = self.wild + 1 if known and apart > math.log(WILD) and others_calm else 0
        if self.still >= STILL_BLOCKS:
            return "no longer pulsates: the tube is plugged or kinked"
        if self.wild >= WILD_BLOCKS:
            return "shakes far more than usual while the others do not"
        if not self.still and self.since is None and (not known or apart < math.log(LEARN_WITHIN)):
            self.learned = min(self.learned + 1, LEARNED_BLOCKS)
            gain = max(LEARN_UP if size > self.usual else LEARN_DOWN, 1.0 / (self.learned + 1.0) if not known else 0.0)
            self.usual += gain * (size - self.usual)
        return ""

    @property
    def shaking(self) -> bool:
        """Whether it shakes clearly more than usual."""
        return self.size is not None and self.usual is not None and self.size - self.usual > math.log(CALM_OTHERS)

    @property
    def calmer(self) -> bool:
        """Whether it pulsates clearly less than usual."""
        return self.size is not None and self.usual is not None and self.size - self.usual < math.log(CALMER)

    def begin_anew(self) -> None:
        """Another sensor, or another tube: what was usual is to be learned again."""
        self.usual, self.size, self.learned, self.moved = None, None, 0, False
        self.still = self.wild = self.flat = 0

    def judge(self, why: str, running: bool, began_t: float, to_claim: int, to_release: int) -> bool:
        """Take in the verdict on a block; True where a claim was raised or taken back. What was found with the fan running
        is taken back by running only, and what was found at rest (even if running showed it as well: the pressure behind a
        plug bleeds off and then looks lively) by rest only; silence by being heard."""
        before = self.since
        if why:
            if self.bad == 0:
                self.began = began_t
            self.at_rest += why not in HEARD and not running
            self.bad, self.good, self.why = self.bad + 1, 0, why
            self.running = running and self.at_rest < to_claim
            if self.since is None and self.bad >= to_claim:
                self.since = self.began
        elif self.since is None or running is self.running or self.why in HEARD:
            self.good += 1
            if self.since is None or self.good >= (HEARD_BLOCKS if self.why in HEARD else to_release):
                self.bad, self.since, self.began, self.at_rest = 0, None, None, 0
        return (self.since is None) is not (before is None)

    def snapshot(self) -> dict[str, object]:
        """Plain JSON values."""
        return {
            "bad": self.bad, "good": self.good, "still": self.still, "wild": self.wild, "flat": self.flat,
            "seen": self.seen, "running": self.running, "at_rest": self.at_rest, "moved": self.moved,
            "usual": self.usual, "learned": self.learned, "size": self.size,
            "since": self.since, "began": self.began, "why": self.why, "value": self.value,
        }

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a snapshot."""
        for key in ("bad", "good", "still", "wild", "flat", "learned", "at_rest"):
            setattr(self, key, int(number(data.get(key)) or 0))
        for key in ("usual", "size", "since", "began", "value"):
            setattr(self, key, number(data.get(key)))
        self.seen, self.moved, self.running = (data.get(key) is True for key in ("seen", "moved", "running"))
        self.why = str(data.get("why") or "")
