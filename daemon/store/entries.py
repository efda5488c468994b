"""What a reader hands out, besides alarms: status documents, steps of alarms, journal entries, runs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from daemon.alarms.types import AlarmState
from daemon.store.codec import finding_of

Document = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Status:
    """A status document with the event time it speaks of, and when, by the computer's clock, it was written."""

    name: str
    t: float | None
    wall_t: float
    document: Any


@dataclass(frozen=True, slots=True)
class Step:
    """One step of one alarm; ``finding`` is the claim as it stood then, as a plain document."""

    id: int
    alarm_id: int
    t: float
    before: AlarmState
    after: AlarmState
    by: str
    reason: str
    confidence: float
    evidence: Document


@dataclass(frozen=True, slots=True)
class JournalEntry:
    """One journal entry. ``changes`` holds what it said before it was corrected or removed, oldest first."""

    id: int
    t: float
    kind: str
    by: str
    text: str
    where: str
    removed: bool
    changes: tuple[Document, ...] = ()


@dataclass(frozen=True, slots=True)
class Run:
    """One run of the fan; ``end_t`` is None while it lasts."""

    id: int
    start_t: float
    end_t: float | None
    seconds: float | None
    reason: str


def step_of(row: tuple[Any, ...]) -> Step:
    """The step of a row of ``transitions``."""
    finding = finding_of(row[7])
    return Step(
        id=row[0], alarm_id=row[1], t=row[2], before=AlarmState(row[3]), after=AlarmState(row[4]), by=row[5],
        reason=row[6], confidence=finding.confidence,
        evidence={name: {"value": e.value, "kind": e.kind, "words": e.words} for name, e in finding.evidence.items()},
    )
