"""On-delay, off-delay and two levels of confidence: from a detector's claims to "the condition is there" or not."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from analysis.findings import Claim, Finding
from daemon.alarms.settings import AlarmRule

_SLACK_S = 1e-6
"""Sixty times a tenth of a second is not quite six seconds in floating point."""


class Signal(Enum):
    """What one claim means for the delays."""

    ABSENT = 0
    HOLD = 1
    """Nothing can be said: not yet known, not mentioned, or sure enough to keep an alarm but not to raise one."""
    PRESENT = 2


def read_signal(finding: Finding | None, rule: AlarmRule, active: bool) -> Signal:
    """The claim as a signal: present needs ``raise_at``, or ``keep_at`` once active; below ``keep_at`` it is absent."""
    if finding is None or finding.claim is Claim.NOT_YET_KNOWN:
        return Signal.HOLD
    if finding.claim is Claim.ABSENT or finding.confidence < rule.keep_at:
        return Signal.ABSENT
    if active or finding.confidence >= rule.raise_at:
        return Signal.PRESENT
    return Signal.HOLD


@dataclass(slots=True)
class Delay:
    """The debounced condition of one key.

    ``active`` becomes true when the claim has been present for ``rule.on_s``, and false when it has been absent for
    ``rule.off_s``. Only the time between two consecutive updates that both say so counts, at most the caller's gap cap
    each. A single opposite claim starts the count anew; a hold stops it but keeps what was counted.
    """

    active: bool = False
    on_s: float = 0.0
    off_s: float = 0.0
    since: float | None = None
    last: Signal = Signal.HOLD

    def feed(self, signal: Signal, dt: float, t: float, since: float | None, rule: AlarmRule) -> bool:
        """Take in one claim, ``dt`` counted seconds after the one before. Returns True if ``active`` changed."""
        steady = signal is self.last
        self.last = signal
        if signal is Signal.PRESENT:
            self.off_s = 0.0
            if self.since is None:
                self.since = t if since is None else min(since, t)
            if self.active:
                return False
            if steady:
                self.on_s += dt
            if self.on_s >= rule.on_s - _SLACK_S:
                self.active = True
                return True
        elif signal is Signal.ABSENT:
            self.on_s = 0.0
            if not self.active:
                self.since = None
                return False
            if steady:
                self.off_s += dt
            if self.off_s >= rule.off_s - _SLACK_S:
                self.active = False
                self.off_s = 0.0
                self.since = None
                return True
        return False

    def start_anew(self) -> None:
        """Forget what was counted towards raising."""
        self.active = False
        self.on_s = 0.0

    @property
    def idle(self) -> bool:
        """Nothing is counted and nothing stands: the record may be forgotten."""
        return not self.active and self.on_s == 0.0 and self.last is not Signal.PRESENT
