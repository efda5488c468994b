"""How the daemon itself is doing: memory, disk, clock, counters."""

from __future__ import annotations

import os
import shutil
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from daemon.clock import Clock, pace_of
from daemon.clock_watch import ClockWatch
from daemon.documents import Document
from daemon.pipeline import Pipeline
from daemon.store.writer import Writer


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
        "frames lost to a full disk": writer.health.dropped_frames,
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
        "counters": {words: count for words, count in counters.items() if count},
    }


def program_version() -> str:
    """The installed version."""
    try:
        return version("ductwarden")
    except PackageNotFoundError:
        return "not installed"


def memory_bytes() -> int | None:
    """Resident memory of this process, where the system tells."""
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[1])
    except (OSError, ValueError, IndexError):
        return None
    return pages * os.sysconf("SC_PAGE_SIZE")


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
