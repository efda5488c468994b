"""The computer's clock, watched: whether it can be believed at the start, and whether it was set since.

Small computers without a clock of their own start in the past and learn the time from the network a little later.
"""

from __future__ import annotations

import ctypes
import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime

from daemon.clock import EARLIEST_T
from daemon.wording import duration

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
