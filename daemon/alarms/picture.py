"""The present alarms as a lamp and as plain documents, for outlets that show a picture instead of sending words."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Literal

from analysis.conditions import TEXTS, Urgency
from analysis.findings import titled
from daemon.alarms.machine import HIDDEN, STANDING
from daemon.alarms.types import Alarm

Lamp = Literal["ok", "look", "stop"]


def lamp(alarms: Iterable[Alarm]) -> Lamp:
    """One word for the whole unit: "stop" while an alarm of that urgency stands, acknowledged or not; "look" while
    anything else is told, stands, is latched, or has returned without having been acknowledged; else "ok".

    An alarm that is shelved, suppressed or out of service does not light it.
    """
    told = [alarm for alarm in alarms if alarm.state not in HIDDEN]
    if any(alarm.urgency is Urgency.STOP and alarm.state in STANDING for alarm in told):
        return "stop"
    return "look" if told else "ok"


def stamp(t: float | None) -> str | None:
    """Event time [s since the epoch] as in recordings: UTC, ISO 8601.

    >>> stamp(1772355600.5), stamp(None)
    ('2026-03-01T09:00:00.500Z', None)
    """
    if t is None:
        return None
    return datetime.fromtimestamp(t, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def alarm_document(alarm: Alarm) -> dict[str, object]:
    """An alarm as plain JSON values: SI numbers, times in UTC, unknown numbers as null."""
    finding = alarm.finding
    return {
        "id": alarm.id, "condition": alarm.condition.value, "where": alarm.where, "state": alarm.state.value,
        "urgency": alarm.urgency.value, "title": titled(finding),
        "action": finding.action or TEXTS[alarm.condition].action, "raised": stamp(alarm.raised_t),
        "since": stamp(alarm.since_t), "changed": stamp(alarm.changed_t), "cleared": stamp(alarm.cleared_t),
        "acknowledged": stamp(alarm.acknowledged_t), "shelved_until": stamp(alarm.shelved_until),
        "suppressed_by": None if alarm.suppressed_by is None else alarm.suppressed_by.value, "by": alarm.by,
        "confidence": finding.confidence, "could_be": list(finding.could_be),
        "evidence": {name: {"value": item.value if math.isfinite(item.value) else None, "kind": item.kind,
                            "words": item.words} for name, item in finding.evidence.items()},
    }


def normal_document(condition: str, where: str) -> dict[str, object]:
    """What is shown of an alarm that is over."""
    return {"condition": condition, "where": where, "state": "normal"}
