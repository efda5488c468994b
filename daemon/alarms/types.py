"""Alarm: a claim that lasted, with the alarm states of IEC 62682."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from analysis.conditions import TEXTS, Condition, Urgency
from analysis.findings import UNDECIDED, Claim, Finding


class AlarmState(StrEnum):
    """The states of IEC 62682 (ANSI/ISA-18.2)."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned_unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched_unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched_acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed_by_design"
    OUT_OF_SERVICE = "out_of_service"


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm occurrence (``id`` grows; a re-alarm after normal is a new occurrence).

    ``raised_t`` when the claim had lasted its on-delay; ``since_t`` from when the claim held; ``cleared_t`` when it
    returned to normal; ``by`` who made the last transition ("ductwarden" or "owner"). ``finding`` is the latest claim.
    """

    id: int
    condition: Condition
    where: str
    state: AlarmState
    urgency: Urgency
    raised_t: float
    since_t: float
    changed_t: float
    finding: Finding
    cleared_t: float | None = None
    acknowledged_t: float | None = None
    shelved_until: float | None = None
    suppressed_by: Condition | None = None
    by: str = "ductwarden"

    @property
    def key(self) -> tuple[Condition, str]:
        """What the alarm is about: at most one occurrence of a key is open at a time."""
        return self.condition, self.where


@dataclass(frozen=True, slots=True)
class Transition:
    """One step of one alarm from a state to another; every one is stored."""

    t: float
    alarm: Alarm
    before: AlarmState
    after: AlarmState
    by: str = "ductwarden"
    reason: str = ""


def urgency_of(finding: Finding, before: Urgency | None = None) -> Urgency:
    """How soon a claim asks to act: its condition's urgency, but never "stop" while it is undecided. What has called to stop
    (``before``) goes on to."""
    usual = TEXTS[finding.condition].urgency
    if before is usual or finding.claim is not Claim.PRESENT:
        return before or usual
    return Urgency.SOON if usual is Urgency.STOP and finding.confidence <= UNDECIDED else usual
