"""The chip bag is full: chips are carried up into the filter, whose drag then grows many times faster than before."""

from __future__ import annotations

import math
from collections.abc import Mapping

from analysis.blocks import Block
from analysis.conditions import Condition
from analysis.detectors.chip_bag import ChipBag
from analysis.detectors.growth import UNSURE, Growth
from analysis.detectors.numbers import number
from analysis.detectors.telling import Telling
from analysis.detectors.words import not_yet_known, probability_above
from analysis.events import EventKind, ShopEvent
from analysis.findings import Claim, Evidence, Finding

GRACE_S = 300.0
"""Running time until the growth and its scatter are known."""
NEEDED = 0.036
"""Growth beyond what is allowed that must gather, as a share of the clean drag."""
NOISE = 6.0
"""And as a multiple of the usual step from block to block: below it, it is scatter. The most that steps of independent
errors gather in a day of running stays below it."""
LIVELY_NOISE = 4.0
"""The same while the pulsation speaks for it as well."""
MOST_NOISE = 0.015
LIVELY, DULL = 1.5, 1.2
"""Pulsation over its usual size: above the first the claim needs less, below the second it needs more."""
LIVELY_FACTOR, DULL_FACTOR = 0.6, 1.6
EMPTY_FACTOR, FULL_FACTOR = 1.5, 0.8
"""The same for a bag that by the running time should be far from full, or should be full."""
EMPTY_BELOW, FULL_ABOVE, FORGOTTEN_ABOVE = 0.6, 0.9, 1.4
"""A bag that should be fuller than the last was emptied, and nobody told: its fill says nothing."""
PULSE_GAIN = 0.15
USUAL_GAIN = 0.005
LEVEL_FULL, LEVEL_BLOCKS = 0.92, 2


class BagFull(Telling):
    """Gathers the growth of the drag beyond what the present kind of work usually adds (:mod:`.growth`), and claims when
    enough has gathered. How much is enough goes by the pulsation of the pressures (chips that are carried up shake the
    air) and by how full the bag should be from the running time since it was last emptied (:mod:`.chip_bag`). A level
    sensor, where fitted, decides by itself.

    The claim stays until the bag is emptied, by somebody's word or by what the recogniser sees. Before that, the running
    time left at the present port is forecast once an emptying has taught how fast it fills the bag.
    """

    condition = Condition.BAG_FULL

    def __init__(self, growth: Growth) -> None:
        super().__init__()
        self.growth = growth
        self._bag = ChipBag()
        self._usual_pulse: float | None = None
        self._pulse: float | None = None
        self._held_pulse: float | None = None
        self._level: float | None = None
        self._level_blocks = 0
        self._since: float | None = None
        self._gathered = 0.0
        self._rate = 0.0
        self._by_level = False

    @property
    def standing(self) -> bool:
        """Whether the claim stands."""
        return self._since is not None

    @property
    def claimed_rate(self) -> float:
        """Growth per running second when it was claimed, as a share of the clean drag."""
        return self._rate

    def update(self, block: Block) -> None:
        """Take in a block."""
        self._t = block.t
        growth = self.growth
        growth.update(block)
        self._bag.update(block)
        self._look_at_level(block)
        if not block.running:
            return
        self._follow_pulse(block)
        if self._since is not None or growth.running_s < GRACE_S:
            return
        if growth.excess >= self._needed():
            self._gathered = growth.excess
            self._claim(block.t if growth.began_t is None else growth.began_t, False)

    def _look_at_level(self, block: Block) -> None:
        sensor = block.stats.get("bag_level")
        self._level = None if sensor is None else sensor.mean
        high = self._level is not None and self._level >= LEVEL_FULL
        self._level_blocks = self._level_blocks + 1 if high else 0
        if self._since is None and self._level_blocks >= LEVEL_BLOCKS:
            self._claim(block.t, True)

    def _claim(self, since: float, by_level: bool) -> None:
        self._since, self._by_level = since, by_level
        self._rate = max(self.growth.gathering(), self.growth.allowed())
        self.growth.suspected = True
        self._bag.found_full()
        self._changed()

    def _follow_pulse(self, block: Block) -> None:
        pulse = block.pulse
        if pulse is None or block.gates_moved:
            self._held_pulse = None
            return
        # A gate that moves within the block shakes it more than any chips do.
        held, self._held_pulse = self._held_pulse, pulse
        pulse = min(pulse, held) if held is not None else pulse
        self._pulse = pulse if self._pulse is None else self._pulse + PULSE_GAIN * (pulse - self._pulse)
        if self._since is None:
            # Half an hour of memory, so that an overfull bag does not become the usual state before it is found.
            usual = pulse if self._usual_pulse is None else self._usual_pulse
            self._usual_pulse = usual + USUAL_GAIN * (min(pulse, 2.0 * usual) - usual)

    def _needed(self) -> float:
        """Growth that must gather now."""
        needed, noise = NEEDED, NOISE
        ratio = self.pulse_ratio
        if ratio is not None and ratio > LIVELY:
            needed, noise = LIVELY_FACTOR * needed, LIVELY_NOISE
        elif ratio is not None and ratio < DULL:
            needed *= DULL_FACTOR
        fill = self._bag.fill()
        if fill is not None:
            if probability_above(fill[0], fill[1], EMPTY_BELOW) < 0.1:
                needed *= EMPTY_FACTOR
            elif probability_above(fill[0], fill[1], FULL_ABOVE) > 0.5 and fill[0] < FORGOTTEN_ABOVE:
                needed *= FULL_FACTOR
        return max(needed, noise * min(self.growth.noise, MOST_NOISE) * self.growth.ratio)

    @property
    def pulse_ratio(self) -> float | None:
        """Pulsation of the pressures over its usual size."""
        return None if self._pulse is None or not self._usual_pulse else self._pulse / self._usual_pulse

    def event(self, event: ShopEvent) -> None:
        """An emptying takes the claim back; it and a cleaning begin a new course of drag."""
        if event.kind is EventKind.EMPTIED:
            self._bag.emptied()
            self._since, self._by_level, self._level_blocks = None, False, 0
            self.growth.clear()
            self._changed()
        elif event.kind in (EventKind.CLEANED, EventKind.REPLACED) and self._since is None:
            self.growth.clear()

    def _tell(self) -> tuple[Finding, ...]:
        growth, present = self.growth, self._since is not None
        if not present and self._level is None and growth.running_s < GRACE_S:
            left = max(1, math.ceil((GRACE_S - growth.running_s) / 60.0))
            needed = "one more running minute is needed" if left == 1 else f"{left} more running minutes are needed"
            return (not_yet_known(self._t, self.condition, needed),)
        if not present and self._level is None and not growth.course:
            return (not_yet_known(self._t, self.condition, "it needs both pressures, or a level sensor in the bag"),)
        forecast = None if present or growth.kind == UNSURE else self._bag.left_s(growth.kind)
        return (
            Finding(
                t=self._t,
                condition=self.condition,
                claim=Claim.PRESENT if present else Claim.ABSENT,
                confidence=self._confidence(present),
                since=self._since,
                evidence=self._numbers(forecast),
                could_be=("a burst of very fine dust, from sanding for example", "damp dust caking the bags"),
                forecast_s=None if forecast is None else forecast[0],
                forecast_low_s=None if forecast is None else forecast[1],
                forecast_high_s=None if forecast is None else forecast[2],
            ),
        )

    def _numbers(self, forecast: tuple[float, float, float] | None) -> dict[str, Evidence]:
        growth = self.growth
        slope = growth.slope()
        found = {
            "growth": Evidence(
                600.0 * (self._rate if self._since is not None else slope or 0.0), "fraction",
                "of the clean drag added in ten running minutes"),
            "usual_growth": Evidence(600.0 * growth.rate(), "fraction", "usually added by this work in ten minutes"),
        }
        ratio = self.pulse_ratio
        if ratio is not None:
            found["pulsation"] = Evidence(ratio, "ratio", "pulsation of the pressures over its usual size")
        fill = self._bag.fill()
        if fill is not None:
            words = "of the chip bag filled, by the running time since it was emptied"
            found["fill"] = Evidence(min(fill[0], 1.5), "fraction", words)
        if forecast is not None:
            found["left_here"] = Evidence(forecast[0], "time", f"running time left at the {growth.kind}")
        if self._level is not None:
            found["bag_level"] = Evidence(self._level, "fraction", "level in the chip bag")
        return found

    def _confidence(self, present: bool) -> float:
        if self._by_level:
            return 0.97
        ratio = self.pulse_ratio
        if not present:
            return 0.9
        return 0.8 if ratio is None else 0.93 if ratio > LIVELY else 0.72

    def snapshot(self) -> dict[str, object]:
        """What was learned."""
        return {
            "growth": self.growth.snapshot(), "bag": self._bag.snapshot(), "usual_pulse": self._usual_pulse,
            "pulse": self._pulse, "held_pulse": self._held_pulse, "since": self._since, "gathered": self._gathered,
            "rate": self._rate,
            "by_level": self._by_level, "level_blocks": self._level_blocks,
        }

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a snapshot."""
        self.growth.restore(data.get("growth"))
        self._bag.restore(data.get("bag"))
        self._usual_pulse = number(data.get("usual_pulse"))
        self._pulse = number(data.get("pulse"))
        self._held_pulse = number(data.get("held_pulse"))
        self._since = number(data.get("since"))
        self._gathered = number(data.get("gathered")) or 0.0
        self._rate = number(data.get("rate")) or 0.0
        self._by_level = data.get("by_level") is True
        self._level_blocks = int(number(data.get("level_blocks")) or 0)
        self._changed()
