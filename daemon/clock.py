"""Clocks. The pipeline runs on event time; only the edges ask a clock what event time it is now."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from typing import Protocol


class Clock(Protocol):
    """Event time now, in seconds since 1970-01-01 UTC."""

    def now(self) -> float:
        """The event time."""


class WallClock:
    """Event time is wall time: the live daemon with real sensors."""

    def now(self) -> float:
        """Seconds since the epoch by the system clock."""
        return time.time()


@dataclass
class PacedClock:
    """Event time starts at ``start`` and passes ``pace`` times as fast as real time (the demo and paced replay)."""

    start: float
    pace: float = 1.0
    _began: float = field(default_factory=time.monotonic)

    def now(self) -> float:
        """The event time by the monotonic clock."""
        return self.start + (time.monotonic() - self._began) * self.pace


@dataclass
class FakeClock:
    """A clock that tests move by hand."""

    t: float = 0.0

    def now(self) -> float:
        """The time it was set to."""
        return self.t


def pace_of(clock: Clock) -> float:
    """Seconds of event time that pass in a second."""
    return clock.pace if isinstance(clock, PacedClock) else 1.0
