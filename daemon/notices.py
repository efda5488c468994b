"""Alarm -> Notice: the words that reach a person."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.conditions import Urgency


@dataclass(frozen=True, slots=True)
class Notice:
    """Words to a person about one alarm transition. ``id`` is stable across restarts: the same notice is never sent twice."""

    id: str
    t: float
    alarm_id: int
    condition: str
    where: str
    event: str
    """``raised``, ``cleared``, ``acknowledged``, ``repeated`` or ``digest``."""
    urgency: Urgency
    title: str
    body: str
