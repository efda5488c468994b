"""Claims fed to an alarm desk, second by second."""

from __future__ import annotations

from dataclasses import dataclass, field

from analysis.conditions import Condition
from analysis.findings import Claim, Evidence, Finding
from daemon.alarms.desk import AlarmDesk
from daemon.alarms.types import Alarm, Transition

T0 = 1_772_355_600.0
"""2026-03-01 09:00:00 UTC, a Sunday."""


def present(condition: Condition, where: str = "", confidence: float = 0.9, t: float = T0,
            explained_by: Condition | None = None, since: float | None = None) -> Finding:
    """A claim that the condition is there."""
    return Finding(t, condition, Claim.PRESENT, where, confidence, since=since, explained_by=explained_by,
                   evidence={"drag": Evidence(2.0, "ratio", "filter drag over clean")})


def absent(condition: Condition, where: str = "") -> Finding:
    """A claim that it is not."""
    return Finding(T0, condition, Claim.ABSENT, where, 0.9)


def unknown(condition: Condition, where: str = "") -> Finding:
    """No claim yet."""
    return Finding(T0, condition, Claim.NOT_YET_KNOWN, where, reason="still learning")


@dataclass
class Floor:
    """A desk with a running clock; ``said`` collects every transition."""

    desk: AlarmDesk = field(default_factory=AlarmDesk)
    t: float = T0
    said: list[Transition] = field(default_factory=list)

    def feed(self, seconds: float, *findings: Finding, running: bool | None = True,
             dt: float = 1.0) -> list[Transition]:
        """The same claims for so many seconds; what happened meanwhile."""
        before = len(self.said)
        for _ in range(round(seconds / dt)):
            self.t += dt
            self.said += self.desk.update(self.t, findings, running)
        return self.said[before:]

    def states(self) -> dict[str, str]:
        """Open alarms: condition (and place) -> state."""
        return {a.condition.value + (f" {a.where}" if a.where else ""): a.state.value for a in self.desk.open()}

    def alarm(self, condition: Condition, where: str = "") -> Alarm:
        """The open alarm of this key."""
        (found,) = [a for a in self.desk.open() if a.key == (condition, where)]
        return found


def steps(transitions: list[Transition]) -> list[tuple[str, str, str]]:
    """Condition, state before and after, of each."""
    return [(s.alarm.condition.value, s.before.value, s.after.value) for s in transitions]
