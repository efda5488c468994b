"""A sink that hears what a pipeline says: findings that are raised, and alarms that are told."""

from __future__ import annotations

from dataclasses import dataclass, field

from analysis.conditions import Condition
from analysis.estimates import Estimate
from analysis.events import ShopEvent
from analysis.findings import Finding
from analysis.readings import Frame
from daemon.alarms.types import AlarmState, Transition


@dataclass(frozen=True, slots=True)
class Said:
    """A condition at a place was claimed or told at ``t``."""

    t: float
    condition: Condition
    where: str
    finding: Finding


@dataclass
class Ears:
    """Keeps what was said. ``alarms`` are the moments at which a person would be told."""

    claims: list[Said] = field(default_factory=list)
    alarms: list[Said] = field(default_factory=list)
    events: list[ShopEvent] = field(default_factory=list)
    t: float = 0.0

    def frame(self, frame: Frame, estimate: Estimate) -> None:
        """The time of the last frame."""
        self.t = frame.t

    def run(self, began_t: float, ended_t: float | None) -> None:
        """Not needed."""

    def finding(self, finding: Finding, raised: bool) -> None:
        """A claim that nothing else explains."""
        if raised:
            self.claims.append(Said(self.t, finding.condition, finding.where, finding))

    def transition(self, transition: Transition) -> None:
        """Only what is told: a new unacknowledged alarm."""
        alarm = transition.alarm
        if transition.after is AlarmState.UNACKNOWLEDGED:
            self.alarms.append(Said(transition.t, alarm.condition, alarm.where, alarm.finding))

    def event(self, event: ShopEvent) -> None:
        """What was recognised."""
        self.events.append(event)
