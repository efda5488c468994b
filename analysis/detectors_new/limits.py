"""What the owner agreed to: limits that are choices, not physics."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

LocalMinute = Callable[[float], tuple[int, int]]
"""Event time -> (weekday with Monday 0, minutes after local midnight)."""


def utc_minute(t: float) -> tuple[int, int]:
    """:data:`LocalMinute` for a shop that keeps UTC.

    >>> utc_minute(0.0)
    (3, 0)
    """
    day, second = divmod(t, 86400.0)
    return (int(day) + 3) % 7, int(second // 60)


@dataclass(frozen=True, slots=True)
class Limits:
    """``idle_run_s`` running without a sign of work until the unit counts as left running [s]; ``hours`` of the shop in
    minutes after midnight, None: any; ``out_of_hours_s`` running tolerated outside them [s]; ``starts_per_hour`` at
    most. ``overload_margin`` times the full-load current is what the motor may draw for ever, None: its service factor.
    ``suction_lost`` share of its baseline flow that a port may lose. All defaults are common practice, no source.
    """

    idle_run_s: float = 3600.0
    hours: tuple[int, int] | None = None
    out_of_hours_s: float = 600.0
    starts_per_hour: int = 10
    overload_margin: float | None = None
    suction_lost: float = 0.10
    local_minute: LocalMinute = utc_minute

    def in_hours(self, t: float) -> bool:
        """Whether ``t`` is within the shop's hours (which may span midnight)."""
        if self.hours is None:
            return True
        begins, ends = self.hours
        minute = self.local_minute(t)[1]
        if begins <= ends:
            return begins <= minute < ends
        return minute >= begins or minute < ends
