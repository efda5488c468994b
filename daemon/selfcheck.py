"""How the daemon itself is doing: memory, disk, clock, counters."""

from __future__ import annotations

import logging
import os
import shutil
import time
from collections.abc import Callable, Iterable
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from analysis.conditions import Urgency
from analysis.events import EventKind, ShopEvent
from daemon.clock import Clock, ClockWatch, pace_of
from daemon.documents import Document
from daemon.notices import Notice
from daemon.pipeline import Pipeline
from daemon.sources.contract import Sample
from daemon.store.writer import Writer

LOG = logging.getLogger("ductwarden")

MAIN_CHANNELS = ("inlet_pa", "filter_pa", "motor_a")
LASTING_S = 30.0
"""Trouble with the store that lasts so long is told: another program may hold it for a moment."""
UNHEARD_S = 3.0
"""A page says that nothing is measured within five seconds: this, and the way to the page."""


def daemon_document(
    writer: Writer, pipeline: Pipeline, clock: Clock, began_wall: float, watch: ClockWatch | None = None
) -> Document:
    """The status document "daemon"."""
    counters: dict[str, int] = {
        "late readings": pipeline.framer.late,
        "clock steps back": pipeline.framer.clock_steps_back,
        "times that the clock was set": 0 if watch is None else watch.steps,
        "commits": writer.health.commits,
        "failed commits": writer.health.failures,
        "frames lost because nothing could be written": writer.health.dropped_frames,
        "records lost because nothing could be written": writer.health.dropped_records,
        "frames and records that the store refused": writer.health.refused,
        "frames moved to a free millisecond": writer.health.moved_frames,
        "frames that wait for the disk": writer.health.waiting_frames,
    }
    for channel, reasons in pipeline.vetter.counts.items():
        for reason, count in reasons.items():
            counters[f"{channel} {reason.replace('_', ' ')}"] = count
    return {
        "version": program_version(),
        "event_t": clock.now(),
        "pace": pace_of(clock),
        "started_wall_t": began_wall,
        "frames": pipeline.frames,
        "memory_bytes": memory_bytes(),
        "store_bytes": _size(writer.path),
        "disk_free_bytes": _free(writer.path),
        "store_ok": writer.health.ok,
        "store_words": writer.health.words,
        "store_set_aside": writer.health.set_aside or None,
        "counters": {words: count for words, count in counters.items() if count},
    }


class Ear:
    """Whether anything is measured: when one of the main channels last came, by the monotonic clock, so that neither a set
    clock nor a rehearsal's pace deceives it."""

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic = monotonic
        self._heard = float("-inf")
        self._t: float | None = None

    def hear(self, samples: Iterable[Sample], now: float) -> None:
        """What came at event time ``now``."""
        if any(channel in sample.values for sample in samples for channel in MAIN_CHANNELS):
            self._heard, self._t = self._monotonic(), now

    def document(self) -> Document:
        """The status document "measuring": ``since`` is when a main channel last came, None where none ever did."""
        return {"ok": self._monotonic() - self._heard < UNHEARD_S, "since": self._t}


class StoreWatch:
    """Says each change in how the store is doing once, in the log; trouble that lasts is told as notices are, and a database set
    aside gets a line in the journal too. It is no alarm of the list: that list stands in the store.
    """

    def __init__(
        self, writer: Writer, tell: Callable[[Notice], None], monotonic: Callable[[], float] = time.monotonic
    ) -> None:
        self._writer = writer
        self._tell = tell
        self._monotonic = monotonic
        self._said = writer.health.words
        """Already in the log: it was found on the start."""
        self._aside = ""
        self._bad_since: float | None = None
        self._told = False

    def look(self, now: float) -> None:
        """Look whether there is something to say."""
        health = self._writer.health
        aside = health.set_aside != self._aside
        if health.words != self._said:
            self._said = health.words
            LOG.log(logging.WARNING if health.ok and not aside else logging.ERROR, "the store: %s", health.words)
        if aside:
            self._aside = health.set_aside
            words = (
                f"The database was damaged. It is kept as {health.set_aside} with all that was written until then. A new one "
                "was begun; ductwarden backup --restore puts a copy back."
            )
            self._writer.event(ShopEvent(now, EventKind.NOTE, "ductwarden", words))
            self._notice(now, "raised", "The record was damaged and begun anew", words)
        if health.ok:
            if self._told:
                self._notice(now, "cleared", "Readings are being recorded again", f"The store: {health.words}.")
            self._bad_since, self._told = None, False
        elif self._bad_since is None:
            self._bad_since = self._monotonic()
        elif not self._told and self._monotonic() - self._bad_since >= LASTING_S:
            self._told = True
            self._notice(now, "raised", "Nothing is being recorded", (
                f"The store: {health.words}.\nThe shop is still watched and alarms are still told, but readings are kept for a "
                "few hours only. Look at the disk of the small computer."
            ))

    def _notice(self, now: float, event: str, title: str, words: str) -> None:
        self._tell(Notice(f"store-{now:.0f}-{event}", now, 0, "", "", event, Urgency.SOON, title, words))


@cache
def program_version() -> str:
    """The installed version."""
    try:
        return version("ductwarden")
    except PackageNotFoundError:
        return "not installed"


def memory_bytes() -> int | None:
    """Resident memory of this process, where the system tells."""
    try:
        pages = int(os.pread(_memory_file(), 100, 0).split()[1])
    except (OSError, ValueError, IndexError):
        return None
    return pages * os.sysconf("SC_PAGE_SIZE")


@cache
def _memory_file() -> int:
    """Kept open: it must be readable when no further file can be opened."""
    return os.open("/proc/self/statm", os.O_RDONLY | os.O_CLOEXEC)


def _size(path: Path) -> int | None:
    try:
        return path.stat().st_size
    except OSError:
        return None


def _free(path: Path) -> int | None:
    try:
        return shutil.disk_usage(path.parent).free
    except OSError:
        return None
