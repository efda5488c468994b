"""Keeping the service alive: telling systemd how it goes, what runs beside the loop, and parts that fail by an error of
our own.

``sdnotify`` is imported only where a supervisor listens (``NOTIFY_SOCKET``). Where none does, telling costs nothing.
"""

from __future__ import annotations

import ctypes
import gc
import logging
import os
import threading
import time
from collections.abc import Callable, Mapping
from typing import Any, Protocol

from daemon.backoff import Backoff
from daemon.sources.contract import SampleQueue, Source

LOG = logging.getLogger("ductwarden")

_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD, _M_ARENA_MAX = -1, -3, -8
"""Of glibc's mallopt(3)."""
_FIRST_PAUSE_S, _LONGEST_PAUSE_S = 1.0, 300.0


class Supervisor:
    """Tells systemd: ready, stopping, a word about how it goes, and that the loop still turns.

    The watchdog is fed from the loop itself, at most once in half of its time: a loop that hangs is started anew.
    """

    def __init__(
        self, environment: Mapping[str, str] = os.environ, monotonic: Callable[[], float] = time.monotonic
    ) -> None:
        self._notifier: Any = None
        self._monotonic = monotonic
        self._every_s = _watchdog_s(environment)
        self._due = 0.0
        if environment.get("NOTIFY_SOCKET"):
            import sdnotify

            self._notifier = sdnotify.SystemdNotifier()

    def _tell(self, words: str) -> None:
        if self._notifier is not None:
            self._notifier.notify(words)

    def ready(self) -> None:
        """The sources run and the pages are served."""
        self._tell("READY=1")
        self.turn()

    def stopping(self) -> None:
        """The end was asked for."""
        self._tell("STOPPING=1")

    def status(self, words: str) -> None:
        """One line about how it goes, shown by ``systemctl status``."""
        self._tell(f"STATUS={words.splitlines()[0][:200] if words else ''}")

    def close(self) -> None:
        """Say no more."""
        if self._notifier is not None:
            self._notifier.socket.close()
            self._notifier = None

    def turn(self) -> None:
        """The loop has turned."""
        if self._every_s is None or self._notifier is None:
            return
        now = self._monotonic()
        if now >= self._due:
            self._due = now + self._every_s
            self._tell("WATCHDOG=1")


def _watchdog_s(environment: Mapping[str, str]) -> float | None:
    """Half the watchdog's time, None where there is none for this process (sd_watchdog_enabled(3))."""
    try:
        usec = int(environment.get("WATCHDOG_USEC", ""))
        pid = int(environment.get("WATCHDOG_PID") or os.getpid())
    except ValueError:
        return None
    return usec / 2e6 if usec > 0 and pid == os.getpid() else None


class Side(Protocol):
    """Something that runs beside the loop: the dashboard."""

    def start(self) -> None:
        """Begin."""

    def stop(self) -> None:
        """End."""


class Beside:
    """Starts what runs beside the loop in a thread of its own, so that readings are stored while it is still starting."""

    def __init__(self, make: Callable[[], Side] | None) -> None:
        self._make = make
        self._side: Side | None = None
        self._error: Exception | None = None
        self._thread = threading.Thread(target=self._run, name="starter", daemon=True)

    def _run(self) -> None:
        if self._make is None:
            return
        try:
            side = self._make()
            side.start()
            self._side = side
        except Exception as error:
            self._error = error

    def start(self) -> None:
        """Begin to start it; returns at once."""
        self._thread.start()

    def running(self) -> bool:
        """Whether it runs (or there is nothing to run). Raises the error that kept it from starting."""
        if self._error is not None:
            error, self._error = self._error, None
            raise error
        return not self._thread.is_alive()

    def stop(self) -> None:
        """End it, also when it is still starting."""
        self._thread.join(30.0)
        if self._side is not None:
            self._side.stop()


def spare_memory() -> None:
    """Set the C library (mallopt(3)) for a small computer; where it cannot be set, nothing is lost.

    All threads take memory from one place: it gives each its own for speed, which Python's lock leaves unused. And large pieces,
    such as the 16 MiB of each password that is checked, are handed back as soon as they are free: it learns to keep them.
    """
    try:
        mallopt = ctypes.CDLL(None).mallopt
        for what, value in ((_M_ARENA_MAX, 1), (_M_MMAP_THRESHOLD, 256 * 1024), (_M_TRIM_THRESHOLD, 512 * 1024)):
            mallopt(what, value)
    except (OSError, AttributeError):
        return


def hand_back() -> None:
    """Give memory that is not needed any more back to the system, where the C library can (glibc's malloc_trim(3))."""
    gc.collect()
    try:
        ctypes.CDLL(None).malloc_trim(0)
    except (OSError, AttributeError):
        return


def keep_source(source: Source, out: SampleQueue, stop: threading.Event) -> None:
    """Run a source until ``stop``. A source heals by itself what the outside does to it; should it end by an error of its
    own, that is logged with its traceback and the source begins anew after a pause, so that it takes no other with it.
    """
    backoff = Backoff(stop, _FIRST_PAUSE_S, _LONGEST_PAUSE_S)
    while not stop.is_set():
        try:
            source.run(out, stop)
        except Exception as error:
            health = source.health
            health.connected = False
            health.last_error = f"an error of our own: {type(error).__name__}: {error}"
            health.state = f"{health.last_error}; begins anew in {backoff.next_s():.0f} s"
            LOG.exception("source %s ended by an error of our own; it begins anew", health.name)
            backoff.wait()
        else:
            return  # told to stop, or a recording that has ended


def part_failed(part: str, error: Exception) -> None:
    """One part of the pipeline failed by an error of our own. One detector that fails must not blind all others, nor may
    readings that it cannot bear start the daemon over and over; so this is logged, and what that part says is not known.
    """
    LOG.error("%s failed by an error of our own: %s: %s", part, type(error).__name__, error, exc_info=error)
