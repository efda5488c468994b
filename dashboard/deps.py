"""Store: the dashboard's one door to what was recorded. Everything is read through :class:`daemon.store.reader.Reader`."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from anyio import to_thread

from analysis.events import EventKind
from daemon.errors import StoreError
from daemon.store.reader import Alarm, JournalEntry, Reader
from dashboard.shapes import rows
from dashboard.snapshot import Document, Snapshot

FRESH_S = 0.3
"""A snapshot this young serves several requests."""
LOOK_BACK_S = 90 * 86400.0
"""Alarms that began this long before a span are looked at for whether they reach into it."""
SLOW_FACTS_S = 10.0
"""What changes slowly (running time since a cleaning) is read anew after this time."""


class Store:
    """What the routes ask. ``wall`` is this computer's clock; ``alone`` says that the daemon is another process, which may
    end unseen."""

    def __init__(
        self, path: Path, wall: Callable[[], float] = time.time, alone: bool = False, silent_after_s: float = 15.0
    ) -> None:
        self.path = path
        self.reader = Reader(path)
        self._wall = wall
        self._alone = alone
        self._silent_after_s = silent_after_s
        self._seen_alive: float | None = None
        self._lock = threading.Lock()
        self._latest: Snapshot | None = None
        self._latest_at = float("-inf")
        self._slow: tuple[float | None, ...] = (None, None, None, None)
        self._slow_at = float("-inf")

    def close(self) -> None:
        """Close every connection."""
        self.reader.close()

    def snapshot(self) -> Snapshot:
        """What the store says now. Never raises: trouble with the store is told in the snapshot."""
        with self._lock:
            now = time.monotonic()
            if self._latest is None or now - self._latest_at > FRESH_S:
                self._latest = self._read(now)
                self._latest_at = time.monotonic()
            return self._latest

    async def snapshot_async(self) -> Snapshot:
        """The same from the event loop, in a worker thread."""
        return await to_thread.run_sync(self.snapshot)

    def _read(self, now: float) -> Snapshot:
        wall = self._wall()
        gone = self._alone and self.reader.watched() is False
        if self._alone and not gone:
            self._seen_alive = wall
        if not self.path.exists():
            return Snapshot(wall, problem="Nothing has been recorded yet. The pages fill as soon as the daemon runs.")
        try:
            if now - self._slow_at > SLOW_FACTS_S:
                self._slow, self._slow_at = self._slow_facts(), now
            cleaned, emptied, since_cleaned, since_emptied = self._slow
            heard = self.reader.heard_wall_t()
            if gone and heard is not None and self._seen_alive is not None:
                heard = max(heard, self._seen_alive)
            return Snapshot(
                wall=wall,
                gone=gone,
                silent_after_s=self._silent_after_s,
                heard=heard,
                now=_document(self.reader.now()),
                detectors=_list(self.reader.status("detectors")),
                sources=_list(self.reader.status("sources")),
                outlets=_list(self.reader.status("outlets")),
                shop=_document(self.reader.status("shop")),
                daemon=_document(self.reader.status("daemon")),
                ducts=_document(self.reader.status("ducts")),
                measuring=_document(self.reader.status("measuring")),
                tour=_document(self.reader.status("tour")),
                added_run=_document(self.reader.status("added_run")),
                alarms=tuple(self.reader.open_alarms()),
                cleaned_t=cleaned,
                emptied_t=emptied,
                running_since_cleaned_s=since_cleaned,
                running_since_emptied_s=since_emptied,
            )
        except StoreError as error:
            return Snapshot(wall, problem=f"The store cannot be read just now: {error}.")

    def _slow_facts(self) -> tuple[float | None, ...]:
        cleaned = self.reader.last_event(EventKind.CLEANED.value, EventKind.REPLACED.value)
        emptied = self.reader.last_event(EventKind.EMPTIED.value)
        return (
            None if cleaned is None else cleaned.t,
            None if emptied is None else emptied.t,
            None if cleaned is None else self.reader.running_seconds(cleaned.t),
            None if emptied is None else self.reader.running_seconds(emptied.t),
        )

    def forget(self) -> None:
        """What was read may have changed by a request: read it anew."""
        with self._lock:
            self._latest_at = self._slow_at = float("-inf")

    # -- over time ----------------------------------------------------------------------------------------------------

    def alarms_between(self, start: float, end: float) -> list[Alarm]:
        """Alarms that stood at some time within the span, newest first; those that are only put aside left out."""
        found = {alarm.id: alarm for alarm in (*self.reader.alarms(start - LOOK_BACK_S, end, 300), *self.reader.open_alarms())}
        within = [
            alarm for alarm in found.values() if alarm.since_t <= end and (alarm.cleared_t is None or alarm.cleared_t >= start)
        ]
        return sorted(within, key=lambda alarm: -alarm.id)[:200]

    def journal_between(self, start: float, end: float) -> list[JournalEntry]:
        """Journal entries within the span, oldest first."""
        return self.reader.journal(start, end, 200)[::-1]

    # -- alarms, journal, record ----------------------------------------------------------------------------------------

    def alarms(self, before_t: float | None, limit: int) -> list[Alarm]:
        """Alarms raised up to ``before_t``, newest first."""
        return self.reader.alarms(limit=limit) if before_t is None else self.reader.alarms(end=before_t, limit=limit)

    def journal(self, before_t: float | None, limit: int) -> list[JournalEntry]:
        """Journal entries with those removed, newest first."""
        if before_t is None:
            return self.reader.journal(limit=limit, removed=True)
        return self.reader.journal(end=before_t, limit=limit, removed=True)


def _document(found: Any) -> Document:
    return found if isinstance(found, dict) else {}


def _list(found: Any) -> tuple[Document, ...]:
    return tuple(rows(found))
