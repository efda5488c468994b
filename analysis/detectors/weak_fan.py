"""The whole fan curve is down: the fan gives too little pressure for what its motor draws."""

from __future__ import annotations

import math
from collections.abc import Mapping

from analysis.blocks import Block
from analysis.conditions import Condition
from analysis.detectors.fan_line import LEARN_S, FanWatch
from analysis.detectors.numbers import number
from analysis.detectors.telling import Telling
from analysis.detectors.words import not_yet_known, probability_above
from analysis.events import EventKind, ShopEvent
from analysis.findings import Claim, Evidence, Finding

LOW, LOW_AIR_UNKNOWN = 0.10, 0.125
"""Logarithm by which the pressure must be too low, where the air is measured and where it is not (the season alone moves
it by several per cent)."""
RELEASE = 0.5
"""Share of it below which a claim is taken back."""
GAP_SD = 0.03
"""What the line is known to (ours)."""
LEAST_S = 120.0
"""Running until the smoothed gap is believed."""


class WeakFan(Telling):
    """Follows how far pressure and motor current lie below the line of this fan (:mod:`.fan_line`), whatever the gates
    and the filter do. A speed lost by one part in ten costs two in ten of the pressure and three of the power, and the
    two together leave the line by more than either.

    It cannot tell a wheel that wears over months from the season where the air is not measured; what comes within days
    it can.
    """

    condition = Condition.WEAK_FAN

    def __init__(self, watch: FanWatch) -> None:
        super().__init__()
        self._watch = watch
        self._low = LOW_AIR_UNKNOWN if watch.fade else LOW
        self._since: float | None = None
        self._amps = False

    def update(self, block: Block) -> None:
        """Take in a block."""
        self._t = block.t
        if not block.running:
            return
        self._amps = self._amps or "motor_a" in block.stats
        watch = self._watch
        watch.update(block)
        if watch.gap is None:
            return
        if self._since is None and watch.sure_gap < -self._low and watch.seen_s >= LEAST_S:
            self._since = block.t
            self._changed()
        elif self._since is not None and watch.sure_gap > -RELEASE * self._low:
            self._since = None
            self._changed()

    def event(self, event: ShopEvent) -> None:
        """After a change at the fan what was smoothed belongs to another fan."""
        if event.kind is EventKind.CHANGED:
            self._watch.forget_gap()
            self._since = None
            self._changed()

    def _tell(self) -> tuple[Finding, ...]:
        watch, gap = self._watch, self._watch.gap
        if not watch.possible:
            reason = "it needs the motor's plate and the fan's shaft power in the configuration"
            return (not_yet_known(self._t, self.condition, reason),)
        if gap is None and not watch.line.known:
            left = max(0.0, LEARN_S - watch.line.learned_s) / 60.0
            reason = f"this fan's own line is being learned: {left:.0f} more running minutes, or the baseline tour"
            if not self._amps and watch.line.learned_s == 0.0:
                reason = "it needs both pressures and the motor current"
            return (not_yet_known(self._t, self.condition, reason),)
        if gap is None:
            return (not_yet_known(self._t, self.condition, "a few running minutes are needed"),)
        likely = probability_above(-watch.sure_gap, GAP_SD, 0.5 * self._low)
        present = self._since is not None
        return (
            Finding(
                t=self._t,
                condition=self.condition,
                claim=Claim.PRESENT if present else Claim.ABSENT,
                confidence=min(0.95, likely) if present else 1.0 - likely,
                since=self._since,
                evidence={
                    "pressure_short": Evidence(
                        -math.expm1(gap), "fraction", "pressure that the fan is short of for its motor current"),
                },
                could_be=(
                    "something in the pipe between the suction tap and the fan, or a leak there",
                    "a wheel that is worn, fouled or loose on its shaft", "low line voltage", "the wrong rotation",
                    "a plugged tube at the suction tap",
                ),
            ),
        )

    def snapshot(self) -> dict[str, object]:
        """The line and the claim."""
        return {"watch": self._watch.snapshot(), "since": self._since, "amps": self._amps}

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a snapshot."""
        self._watch.restore(data.get("watch"))
        self._since = number(data.get("since"))
        self._amps = data.get("amps") is True
        self._changed()
