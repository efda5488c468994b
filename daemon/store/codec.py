"""What the store keeps, as rows and texts and as things, and the board on which readers in this process see it fresh.

The writer commits status documents seldom, to spare the SD card. On the board they are up to date for readers in the same
process; a program of its own finds in the database what was committed last.
"""

from __future__ import annotations

import dataclasses
import json
import math
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Any

from analysis.conditions import Condition, Urgency
from analysis.findings import Claim, Evidence, Finding
from daemon.alarms.types import Alarm, AlarmState, Transition

ALARM_SELECT = (
    "SELECT id, condition, place, state, urgency, raised_t, since_t, changed_t, cleared_t, acknowledged_t, "
    "shelved_until_t, suppressed_by, by, finding FROM alarms"
)


def to_json(document: object) -> str:
    """``document`` as compact JSON. Mappings, lists, dataclasses and enums are written plainly; a number that is not
    finite is written as null; anything else as its text."""
    try:
        return json.dumps(document, separators=(",", ":"), allow_nan=False, ensure_ascii=False)
    except (TypeError, ValueError):
        return json.dumps(_plain(document), separators=(",", ":"), allow_nan=False, ensure_ascii=False)


def from_json(text: str) -> Any:
    """The inverse of :func:`to_json`."""
    return json.loads(text)


def _plain(value: object) -> object:
    if value is None or isinstance(value, bool | int):
        return value
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, str):
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(_plain(key)): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [_plain(item) for item in value]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: _plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    return str(value)


def finding_text(finding: Finding) -> str:
    """A claim as JSON."""
    return to_json(finding)


def finding_of(text: str) -> Finding:
    """The claim that :func:`finding_text` wrote; what a later program added is left out."""
    data = json.loads(text)
    explained_by = data.get("explained_by")
    return Finding(
        t=data["t"],
        condition=Condition(data["condition"]),
        claim=Claim(data["claim"]),
        where=data.get("where", ""),
        confidence=data.get("confidence", 0.0),
        since=data.get("since"),
        evidence={
            name: Evidence(_number(item["value"]), item["kind"], item["words"])
            for name, item in data.get("evidence", {}).items()
        },
        could_be=tuple(data.get("could_be", ())),
        action=data.get("action", ""),
        reason=data.get("reason", ""),
        forecast_s=data.get("forecast_s"),
        forecast_low_s=data.get("forecast_low_s"),
        forecast_high_s=data.get("forecast_high_s"),
        explained_by=None if explained_by is None else Condition(explained_by),
    )


def _number(value: float | None) -> float:
    return math.nan if value is None else value


def alarm_row(alarm: Alarm) -> tuple[Any, ...]:
    """An alarm in the order of the columns of ``alarms``."""
    return (
        alarm.id, alarm.condition.value, alarm.where, alarm.state.value, alarm.urgency.value, alarm.raised_t,
        alarm.since_t, alarm.changed_t, alarm.cleared_t, alarm.acknowledged_t, alarm.shelved_until,
        None if alarm.suppressed_by is None else alarm.suppressed_by.value, alarm.by, finding_text(alarm.finding),
    )


def alarm_of(row: tuple[Any, ...]) -> Alarm:
    """The alarm of a row of :data:`ALARM_SELECT`."""
    return Alarm(
        id=row[0], condition=Condition(row[1]), where=row[2], state=AlarmState(row[3]), urgency=Urgency(row[4]),
        raised_t=row[5], since_t=row[6], changed_t=row[7], cleared_t=row[8], acknowledged_t=row[9], shelved_until=row[10],
        suppressed_by=None if row[11] is None else Condition(row[11]), by=row[12], finding=finding_of(row[13]),
    )


def transition_row(transition: Transition) -> tuple[Any, ...]:
    """A transition in the order of the columns of ``transitions`` without its id."""
    return (
        transition.alarm.id, transition.t, transition.before.value, transition.after.value, transition.by,
        transition.reason, finding_text(transition.alarm.finding),
    )


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


@dataclass(frozen=True, slots=True)
class LiveStatus:
    """One document as JSON text: its event time, and the computer's clock when it was published."""

    t: float | None
    wall_t: float
    text: str


_LOCK = threading.Lock()
_BOARDS: dict[Path, dict[str, LiveStatus]] = {}


def publish(path: Path, statuses: dict[str, LiveStatus]) -> None:
    """Show ``statuses`` (name -> document) to readers of the database at ``path``."""
    with _LOCK:
        _BOARDS.setdefault(path.resolve(), {}).update(statuses)


def withdraw(path: Path) -> None:
    """The writer of ``path`` has ended: readers go by the database again."""
    with _LOCK:
        _BOARDS.pop(path.resolve(), None)


def board(path: Path) -> dict[str, LiveStatus]:
    """What a writer in this process shows for ``path``; empty where none runs here."""
    with _LOCK:
        return dict(_BOARDS.get(path, ()))
