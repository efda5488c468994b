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

from analysis.events import EventKind, ShopEvent
from daemon.clock import Clock, pace_of
from daemon.clock_watch import ClockWatch
from daemon.documents import Document
from daemon.pipeline import Pipeline
from daemon.sources.contract import Sample
from daemon.store.writer import Writer

LOG = logging.getLogger("ductwarden")

MAIN_CHANNELS = ("inlet_pa", "filter_pa", "motor_a")
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
    """Says each change in how the store is doing once, in the log; a database set aside gets a line in the journal too."""

    def __init__(self, writer: Writer) -> None:
        self._writer = writer
        self._told = writer.health.words
        """Already in the log: it was found on the start."""
        self._aside = ""

    def look(self, now: float) -> None:
        """Look whether there is something to say."""
        health = self._writer.health
        aside = health.set_aside != self._aside
        if health.words != self._told:
            self._told = health.words
            LOG.log(logging.WARNING if health.ok and not aside else logging.ERROR, "the store: %s", health.words)
        if aside:
            self._aside = health.set_aside
            self._writer.event(ShopEvent(now, EventKind.NOTE, "ductwarden", (
                f"The database was damaged. It is kept as {health.set_aside} with all that was written until then. A new one "
                "was begun; ductwarden restore puts a backup back."
            )))


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
