"""Letting go of old raw frames, in small steps, and never because a clock was wrong.

A raw frame is let go once it is ``keep_raw_days`` older than the newest running frame, both in event time: while the
shop stands still, nothing is let go. Once the oldest is a further day older, everything beyond the limit goes, some
hundred rows to a commit. A clock that leaps by more than a week must first be confirmed by an hour of running frames at
its new time; a computer that boots in the wrong year does not wipe the record.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from analysis.readings import RunState
from daemon.store.schema import STATE_CODES, Row

DAY_MS = 86_400_000
LEAP_MS = 7 * DAY_MS
CONFIRM_FRAMES = 3_600
STEP_ROWS = 500

_RUNNING = STATE_CODES[RunState.RUNNING]


class Pruner:
    """Deletes what is too old. ``before_ms`` is the time before which raw frames are no longer complete."""

    def __init__(self, connection: sqlite3.Connection, keep_raw_days: float) -> None:
        self._keep_ms = int(keep_raw_days * DAY_MS)
        self._anchor = _meta(connection, "prune_anchor_ms")
        self._elsewhere, self._there = 0, 0
        """Running frames in a row at another time than the anchor's, and where: those of two times confirm neither."""
        self._pruning = False
        self.before_ms = _meta(connection, "pruned_before_ms") or -(1 << 62)
        (self._oldest,) = connection.execute("SELECT min(t_ms) FROM frames").fetchone()

    def step(self, connection: sqlite3.Connection, rows: Sequence[Row]) -> None:
        """Follow the newest running frame of ``rows``, and delete the next few old ones in the open transaction."""
        self._follow(rows)
        if self._oldest is None and rows:
            self._oldest = rows[0][0]
        if self._anchor is None or self._oldest is None:
            return
        limit = self._anchor - self._keep_ms
        if not self._pruning and self._oldest >= limit - DAY_MS:
            return
        connection.execute(
            "DELETE FROM frames WHERE t_ms IN (SELECT t_ms FROM frames WHERE t_ms < ? ORDER BY t_ms LIMIT ?)",
            (limit, max(STEP_ROWS, 2 * len(rows))),
        )
        (self._oldest,) = connection.execute("SELECT min(t_ms) FROM frames").fetchone()
        self._pruning = self._oldest is not None and self._oldest < limit
        self.before_ms = max(self.before_ms, limit if not self._pruning else self._oldest)
        connection.executemany(
            "INSERT OR REPLACE INTO meta(key, value) VALUES (?, ?)",
            (("pruned_before_ms", str(self.before_ms)), ("prune_anchor_ms", str(self._anchor))),
        )

    def rolled_back(self) -> None:
        """The transaction of the last step did not hold: look again next time."""
        self._pruning = self._anchor is not None

    def _follow(self, rows: Sequence[Row]) -> None:
        for row in rows:
            if row[1] != _RUNNING:
                continue
            t = row[0]
            if self._anchor is None or abs(t - self._anchor) > LEAP_MS:
                self._elsewhere = 1 if abs(t - self._there) > LEAP_MS else self._elsewhere + 1
                self._there = t
                if self._elsewhere < CONFIRM_FRAMES:
                    continue
            self._anchor, self._elsewhere = t, 0


def _meta(connection: sqlite3.Connection, key: str) -> int | None:
    row = connection.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
    return None if row is None else int(row[0])
