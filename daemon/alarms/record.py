"""One key's record: its latest claim, its delay, its alarm, and the step that the alarm takes by itself."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import NamedTuple

from analysis.conditions import Condition
from analysis.findings import Claim, Finding
from daemon.alarms.claims import Key
from daemon.alarms.delays import Delay, Signal, read_signal
from daemon.alarms.machine import STANDING, Step
from daemon.alarms.settings import AlarmRule
from daemon.alarms.types import Alarm, AlarmState, urgency_of

DAEMON = "ductwarden"
CONFIGURATION = "configuration"
"""Who took an alarm out of service because its condition is not enabled in the configuration."""


class Due(NamedTuple):
    """A step that is due without the owner: by whom and why, and the root cause of a suppression."""

    step: Step
    by: str = DAEMON
    reason: str = ""
    suppressed_by: Condition | None = None


@dataclass(slots=True)
class Record:
    """What is known of one key. It lives as long as its alarm is not normal, or its delay counts towards one."""

    key: Key
    rule: AlarmRule
    finding: Finding
    """The latest claim that the condition is there; any other claim until there was one."""
    delay: Delay = field(default_factory=Delay)
    alarm: Alarm | None = None
    state: AlarmState = AlarmState.NORMAL
    explained_by: Condition | None = None
    explained: bool = False
    """At the last update an alarm that stands was its root cause."""
    unexplained_s: float = 0.0
    acknowledged_s: float = 0.0

    def feed(self, claim: Finding | None, dt: float, t: float) -> None:
        """Take in the claim of event time ``t`` [s], ``dt`` counted seconds after the one before."""
        signal = read_signal(claim, self.rule, self.delay.active)
        self.delay.feed(signal, dt, t, claim.since if claim is not None else None, self.rule)
        if claim is not None and claim.claim is Claim.PRESENT:
            self.finding = claim
            self.explained_by = claim.explained_by
        elif signal is Signal.ABSENT:
            self.explained_by = None

    def due(self, t: float, dt: float, active: set[Condition], coming: set[Condition], out: bool,
            max_shelve_s: float) -> Due | None:
        """The one step, if any, that is due at ``t``; to be asked once after each :meth:`feed`.

        ``active`` are the conditions that are there, ``coming`` those on their way; ``out`` tells whether the key is out of
        service, by itself or with its whole condition.
        """
        state, rule = self.state, self.rule
        there = self.delay.active
        cause = self.explained_by if self.explained_by in active else None
        was_explained, self.explained = self.explained, cause is not None
        if not rule.enabled and state is not AlarmState.OUT_OF_SERVICE:
            return Due(Step.REMOVE, CONFIGURATION, "not enabled in the configuration")
        if rule.enabled and self.alarm is not None and state is AlarmState.OUT_OF_SERVICE:
            return Due(self.show_step(), CONFIGURATION, "enabled again") if self.alarm.by == CONFIGURATION else None
        if state is AlarmState.OUT_OF_SERVICE or (out and state is AlarmState.NORMAL):
            return None
        if was_explained and cause is None and state is AlarmState.NORMAL:
            self.delay.start_anew()  # what it counted so far was the root cause's doing
            return None
        if state is AlarmState.SHELVED:
            return self._end_of_shelf(t, max_shelve_s)
        if state is AlarmState.SUPPRESSED:
            return self._end_of_suppression(dt, cause)
        if not there:
            if state in STANDING:
                return Due(Step.LATCHES if rule.latch else Step.CLEARS)
            return None
        if state not in STANDING and self.delay.last is not Signal.PRESENT:
            if self.delay.last is Signal.ABSENT:  # it waited for its root cause and went before it was told
                self.delay.start_anew()
            return None
        if cause is not None:
            return Due(Step.SUPPRESS, reason=f"explained by {cause.value}", suppressed_by=cause)
        if state is AlarmState.ACKNOWLEDGED:
            if self.delay.last is Signal.PRESENT:
                self.acknowledged_s += dt
            if rule.re_alarm_s is not None and self.acknowledged_s >= rule.re_alarm_s:
                return Due(Step.RE_ALARM, reason="still there long after it was acknowledged")
            return None
        if state is AlarmState.UNACKNOWLEDGED:
            return None
        if self.explained_by in coming:
            return None  # its root cause is on its way to an alarm of its own: one cause, one alarm
        return Due(Step.OCCURS)

    def _end_of_shelf(self, t: float, max_shelve_s: float) -> Due | None:
        assert self.alarm is not None
        until = self.alarm.shelved_until
        if until is not None and until - t > max_shelve_s:  # the clock was set back
            until = t + max_shelve_s
            self.alarm = replace(self.alarm, shelved_until=until)
        if until is None or t >= until:
            return Due(self.show_step(), reason="the shelf ended")
        return None

    def _end_of_suppression(self, dt: float, cause: Condition | None) -> Due | None:
        assert self.alarm is not None
        if not self.delay.active:
            return Due(self.show_step(), reason="returned while it was suppressed")
        if cause is not None:
            self.unexplained_s = 0.0
            if cause is not self.alarm.suppressed_by:
                self.alarm = replace(self.alarm, suppressed_by=cause)
            return None
        if self.delay.last is not Signal.PRESENT:
            return None
        self.unexplained_s += dt
        if self.unexplained_s >= self.rule.on_s:
            return Due(self.show_step(), reason="its root cause is gone and it is still there")
        return None

    def show_step(self) -> Step:
        """The step by which a hidden alarm comes out again: judged anew by whether its condition is there."""
        return Step.SHOW_ACTIVE if self.delay.active else Step.SHOW_NORMAL

    def current(self) -> Alarm | None:
        """The record's alarm with the latest claim in it."""
        if self.alarm is not None and self.alarm.finding is not self.finding:
            self.alarm = replace(self.alarm, finding=self.finding, urgency=urgency_of(self.finding, self.alarm.urgency))
        return self.alarm
