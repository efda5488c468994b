"""The chip bag is full: chips are carried up into the filter, whose drag then grows many times faster than before."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping

from analysis.blocks import Block
from analysis.conditions import Condition
from analysis.detectors.drag_trace import robust_sd
from analysis.detectors.numbers import number, number_list
from analysis.detectors.words import not_yet_known
from analysis.events import EventKind, ShopEvent
from analysis.findings import Claim, Evidence, Finding
from analysis.stats.theil_sen import theil_sen

WINDOW = 30
"""Blocks (10 s each) of the short course of drag."""
GRACE_S = 300.0
"""Running time until the short course and its scatter are known."""
USUAL_RATE = math.log(2.0) / (20 * 3600.0)
"""Loading rate until one is learned: drag doubles in 20 running hours (common practice, no source)."""
FASTER = 4.0
"""How many times its learned rate drag must grow."""
LEAST_RISE = 0.045
"""And by how much it must have risen over the window, so that a crawl is never called a full bag."""
SURE = 4.0
"""How many standard deviations of its own scatter the excess must be."""
LEVEL_FULL = 0.92


class BagFull:
    """Compares the slope of the logarithm of drag over the last five running minutes with the learned slope.

    The scatter comes from the data: the robust deviation of the blocks about the short line. Where the gates moved or
    the fan stopped, the course before and after is spliced (what the step did to the estimate is no growth); a cleaning
    or an emptying begins a new one. Pulsation of the
    filter pressure (its step-to-step size over its mean) against its learned usual size strengthens or weakens the
    claim. A level sensor, where fitted, decides by itself. The learned rate is not learned from while the claim stands.
    """

    condition = Condition.BAG_FULL

    def __init__(self) -> None:
        self._window: deque[tuple[float, float]] = deque(maxlen=WINDOW)
        self._rate = USUAL_RATE
        self._rate_weight = 0.0
        self._anchor: tuple[float, float] | None = None
        self._running_s = 0.0
        self._usual_pulse: float | None = None
        self._pulse: float | None = None
        self._excess = 0.0
        self._rise = 0.0
        self._slope = 0.0
        self._level: float | None = None
        self._since: float | None = None
        self._calm = 0
        self._gates: tuple[str, ...] | None = None
        self._run_s = 0.0
        self._splice = 0.0
        self._spliced = False
        self._t = 0.0

    def update(self, block: Block) -> None:
        """Take in a block."""
        self._t = block.t
        sensor = block.stats.get("bag_level")
        self._level = None if sensor is None else sensor.mean
        if not block.running:
            return
        self._running_s += block.seconds
        self._follow_pulse(block)
        if block.drag is None or not block.drag.mean > 0.0 or block.seconds < 5.0:
            self._decide(block.t)
            return
        if block.gates_moved or block.estimate.gates != self._gates or block.run_s < self._run_s:
            self._gates, self._spliced = block.estimate.gates, False
        self._run_s = block.run_s
        if block.gates_moved:
            return
        level = math.log(block.drag.mean)
        if not self._spliced:
            self._splice = self._window[-1][1] - level if self._window else 0.0
            self._spliced = True
        self._window.append((self._running_s, level + self._splice))
        self._learn()
        self._decide(block.t)

    def _follow_pulse(self, block: Block) -> None:
        stat = block.stats.get("filter_pa")
        if stat is None or stat.step_rms is None or not stat.mean > 0.0:
            return
        pulse = stat.step_rms / stat.mean
        self._pulse = pulse if self._pulse is None else self._pulse + 0.2 * (pulse - self._pulse)
        if self._since is None:
            # Ten minutes of memory when it rises, so that an overfull bag does not become the usual state.
            gain = 0.2 if self._usual_pulse is None or pulse < self._usual_pulse else 0.01
            usual = pulse if self._usual_pulse is None else self._usual_pulse
            self._usual_pulse = usual + gain * (pulse - usual)

    def _learn(self) -> None:
        self._slope = self._rise = self._excess = 0.0
        if len(self._window) < 8:
            return
        times = [t for t, _ in self._window]
        logs = [y for _, y in self._window]
        line = theil_sen(logs, times)
        span = times[-1] - times[0]
        if line is None or span <= 0.0:
            return
        scatter = max(robust_sd([y - line.at(t) for t, y in self._window]), 0.002)
        slope_sd = scatter * math.sqrt(12.0 / len(times)) / span
        self._slope = line.slope
        self._rise = line.slope * span
        self._excess = (line.slope - FASTER * self._rate) / slope_sd
        self._learn_rate(times[-1], logs)

    def _learn_rate(self, now: float, logs: list[float]) -> None:
        """The usual rate, from the medians of windows at least twenty running minutes apart."""
        if self._since is not None or self._excess > 0.5 * SURE:
            return
        middle = sorted(logs)[len(logs) // 2]
        if self._anchor is None:
            self._anchor = (now, middle)
            return
        apart = now - self._anchor[0]
        if apart < 1200.0:
            return
        rate = min(max((middle - self._anchor[1]) / apart, 0.1 * USUAL_RATE), 20 * USUAL_RATE)
        self._rate_weight = min(self._rate_weight + apart, 20 * 3600.0)
        share = apart / (self._rate_weight + 3600.0)
        self._rate += share * (rate - self._rate)
        self._anchor = (now, middle)

    def _decide(self, t: float) -> None:
        by_level = self._level is not None and self._level >= LEVEL_FULL
        grown = self._running_s >= GRACE_S and self._excess >= self._needed() and self._rise >= LEAST_RISE
        if by_level or grown:
            self._calm = 0
            if self._since is None:
                self._since = t
        elif self._since is not None:
            # Growth pauses whenever nobody cuts: only a long calm while running takes the claim back.
            self._calm += 1
            if self._calm >= 360:
                self._since = None

    def _needed(self) -> float:
        ratio = self._pulse_ratio()
        if ratio is None:
            return SURE
        return SURE - 1.0 if ratio > 1.3 else SURE + 1.5 if ratio < 1.1 else SURE

    def _pulse_ratio(self) -> float | None:
        if self._pulse is None or not self._usual_pulse:
            return None
        return self._pulse / self._usual_pulse

    def event(self, event: ShopEvent) -> None:
        """An emptying takes the claim back; it and a cleaning begin a new course of drag."""
        if event.kind in (EventKind.EMPTIED, EventKind.CLEANED, EventKind.REPLACED):
            self._window.clear()
            self._anchor = None
            self._calm = 0
            self._slope = self._rise = self._excess = 0.0
            self._running_s = 0.0
            if event.kind is not EventKind.CLEANED:
                self._since = None

    def findings(self) -> tuple[Finding, ...]:
        """One claim for the whole unit."""
        if self._since is None and self._level is None and (self._running_s < GRACE_S or len(self._window) < 8):
            left = max(0.0, GRACE_S - self._running_s) / 60.0
            reason = f"{left:.0f} more running minutes are needed" if left else "filter drag is not known"
            return (not_yet_known(self._t, self.condition, reason),)
        evidence = {
            "growth": Evidence(self._slope * 600.0, "fraction", "growth of filter drag in ten running minutes"),
            "usual_growth": Evidence(self._rate * 600.0, "fraction", "its usual growth in ten running minutes"),
        }
        ratio = self._pulse_ratio()
        if ratio is not None:
            evidence["pulsation"] = Evidence(ratio, "ratio", "pulsation of the filter pressure over its usual size")
        if self._level is not None:
            evidence["bag_level"] = Evidence(self._level, "fraction", "level in the chip bag")
        present = self._since is not None
        return (
            Finding(
                t=self._t,
                condition=self.condition,
                claim=Claim.PRESENT if present else Claim.ABSENT,
                confidence=self._confidence(present),
                since=self._since,
                evidence=evidence,
                could_be=("a burst of very fine dust, from sanding for example", "damp dust caking the bags"),
            ),
        )

    def _confidence(self, present: bool) -> float:
        if self._level is not None and self._level >= LEVEL_FULL:
            return 0.97
        ratio = self._pulse_ratio()
        confidence = 0.8 if ratio is None else 0.93 if ratio > 1.3 else 0.7
        return confidence if present else 0.9

    def snapshot(self) -> dict[str, object]:
        """What was learned."""
        return {
            "window": [list(point) for point in self._window], "rate": self._rate, "rate_weight": self._rate_weight,
            "running_s": self._running_s, "usual_pulse": self._usual_pulse, "pulse": self._pulse, "since": self._since,
        }

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a snapshot."""
        window = data.get("window")
        for point in window if isinstance(window, list) else []:
            pair = number_list(point)
            if pair is not None and len(pair) == 2:
                self._window.append((pair[0], pair[1]))
        self._rate = number(data.get("rate")) or USUAL_RATE
        self._rate_weight = number(data.get("rate_weight")) or 0.0
        self._running_s = number(data.get("running_s")) or 0.0
        self._usual_pulse = number(data.get("usual_pulse"))
        self._pulse = number(data.get("pulse"))
        self._since = number(data.get("since"))
