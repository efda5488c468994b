"""Clocks. The pipeline runs on event time; only the edges ask a clock what event time it is now."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

EARLIEST_T = 1_767_225_600.0
"""1 January 2026, before the first release: a computer's clock that says less has not been set since it was switched on."""


class Clock(Protocol):
    """Event time now, in seconds since 1970-01-01 UTC."""

    def now(self) -> float:
        """The event time."""


@dataclass
class WallClock:
    """Event time is wall time: the live daemon with real sensors.

    While the computer's clock has not been set yet (it says less than :data:`EARLIEST_T`), event time goes on from
    ``last_t``, the newest time that the store knows, so that nothing is filed under 1970 and the order is kept.
    """

    last_t: float | None = None
    wall: Callable[[], float] = time.time
    monotonic: Callable[[], float] = time.monotonic
    _began: float = field(init=False)

    def __post_init__(self) -> None:
        self._began = self.monotonic()

    def now(self) -> float:
        """Seconds since the epoch by the system clock."""
        t = self.wall()
        if t >= EARLIEST_T:
            return t
        return max(EARLIEST_T, self.last_t or 0.0) + self.monotonic() - self._began


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
