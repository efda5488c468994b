"""Clocks: event time for the pipeline, and whether the computer's clock can be believed.

The pipeline runs on event time; only the edges ask a clock what event time it is now. Small computers without a clock of
their own start in the past and learn the time from the network a little later.
"""

from __future__ import annotations

import calendar
import ctypes
import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Protocol

from daemon.wording import duration

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

    def go_at(self, pace: float) -> None:
        """Pass at another pace from now on; no instant is left out or comes twice."""
        self.start, self._began, self.pace = self.now(), time.monotonic(), pace


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


class LocalZone(tzinfo):
    """Local time by the C library's rules, at every instant and not only now.

    ``datetime.now().astimezone().tzinfo`` is a fixed offset: a daemon that is started in winter would keep its quiet
    hours an hour off all summer.
    """

    def utcoffset(self, dt: datetime | None) -> timedelta:
        """The offset that holds at the local time ``dt`` (its ``fold`` tells the two hours of autumn apart)."""
        if dt is None:
            return timedelta(0)
        return timedelta(seconds=time.localtime(dt.replace(tzinfo=None).timestamp()).tm_gmtoff)

    def dst(self, dt: datetime | None) -> timedelta | None:
        """Not known apart from the offset."""
        return None

    def tzname(self, dt: datetime | None) -> str:
        """The abbreviation in use at ``dt``."""
        return time.localtime(None if dt is None else dt.replace(tzinfo=None).timestamp()).tm_zone

    def fromutc(self, dt: datetime) -> datetime:
        """The local time of an instant given in UTC."""
        stamp = calendar.timegm(dt.timetuple())
        local = dt + timedelta(seconds=time.localtime(stamp).tm_gmtoff)
        first = local.replace(tzinfo=None, fold=0, microsecond=0).timestamp()
        return local.replace(fold=int(first != stamp))


LOG = logging.getLogger("ductwarden")

STEP_S = 2.0
"""A change against the monotonic clock that no slewing makes (the kernel slews at most half a millisecond a second)."""
BEHIND_S = 60.0
"""The store may be this far ahead of a sound clock."""
WAIT_S = 120.0
LOOK_S = 0.5
_TIME_ERROR = 5
"""What adjtimex returns while no time service has set the clock (adjtimex(2))."""


@dataclass
class ClockWatch:
    """Compares the wall clock with the monotonic one. ``steps`` counts the times that it was set."""

    wall: Callable[[], float] = time.time
    monotonic: Callable[[], float] = time.monotonic
    steps: int = 0
    _offset: float = field(init=False)

    def __post_init__(self) -> None:
        self._offset = self.wall() - self.monotonic()

    def moved(self) -> float | None:
        """By how many seconds the clock was set since the last look (negative: back), None where it was not.

        A computer that slept looks like one whose clock was set forward: the monotonic clock sleeps too.
        """
        offset = self.wall() - self.monotonic()
        by = offset - self._offset
        self._offset = offset
        if abs(by) < STEP_S:
            return None
        self.steps += 1
        return by


def step_words(by: float) -> str:
    """What happened to the clock, for the log and the journal.

    >>> step_words(-7200.0)
    "the computer's clock was set back by 2.0 h"
    """
    if by < 0.0:
        return f"the computer's clock was set back by {duration(-by)}"
    return f"the computer's clock was set forward by {duration(by)} (or the computer slept)"


def doubt(now: float, last_t: float | None, in_step: bool | None) -> str:
    """Why the clock cannot be believed, "" where it can.

    ``last_t`` is the newest time in the store; ``in_step`` whether a time service vouches for the clock (None: nobody
    knows), for a clock that was wrong yesterday may well be right today.
    """
    shown = datetime.fromtimestamp(now, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
    if now < EARLIEST_T:
        return f"the computer's clock says {shown}: it has not been set yet"
    if last_t is not None and now < last_t - BEHIND_S and not in_step:
        last = datetime.fromtimestamp(last_t, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
        return f"the computer's clock says {shown}, but the store already holds {last}"
    return ""


def wait_for_sound_clock(
    last_t: float | None, stop: threading.Event, within_s: float = WAIT_S, *,
    wall: Callable[[], float] = time.time, in_step: Callable[[], bool | None] | None = None,
    told: Callable[[str], None] | None = None,
) -> bool:
    """Wait until the clock can be believed, at most ``within_s``; whether it can. Says in the log what it waits for.

    ``told`` is given the same words (the supervisor shows them).
    """
    vouched = in_step or kernel_in_step
    words = doubt(wall(), last_t, vouched())
    if not words:
        return True
    words += f"; waiting up to {within_s:.0f} s for it to be set"
    LOG.warning("%s", words)
    if told is not None:
        told(words)
    deadline = time.monotonic() + within_s
    while not stop.is_set() and time.monotonic() < deadline:
        if not doubt(wall(), last_t, vouched()):
            LOG.info("the computer's clock is set: it is %s", datetime.fromtimestamp(wall(), UTC).isoformat(" ", "seconds"))
            return True
        stop.wait(LOOK_S)
    if not stop.is_set():
        LOG.warning("going on although %s", doubt(wall(), last_t, vouched()))
    return False


def kernel_in_step() -> bool | None:
    """Whether the kernel knows that a time service keeps its clock; None where it cannot be asked."""
    try:
        # A struct timex of zeros only reads; 256 bytes are more than any machine's.
        state = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.create_string_buffer(256))
    except (OSError, AttributeError):
        return None
    return None if state < 0 else state != _TIME_ERROR
