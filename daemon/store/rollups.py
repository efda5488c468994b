"""Roll-ups: minutes and hours of every series, kept for ever.

Rules. Only frames in the state RUNNING enter a series' count, mean, least and greatest value. ``running_s`` is the time
with the fan on (starting or running): each such frame counts the time since the frame before it, if that is at most
``MAX_STEP_S``. A minute without either has no row. Minutes are made from the frames themselves, hours from the minutes,
and both are written in the transaction that stores the frames: they always equal what a recomputation gives. A minute
that is still open is in no row; it is read again from the raw frames on the next start.

When the clock is set back, minutes are visited a second time. Those are marked in ``rollup_due``, in the transaction that
stores their first frame, and recomputed from all their raw frames once the visit is over (or on the next start).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from itertools import islice
from typing import Any

from analysis.readings import RunState
from daemon.store.schema import FRAME_COLUMNS, HOUR_MS, MINUTE_MS, ROLLUP_COLUMNS, SERIES_AT, STATE_CODES, STORED, Row

MAX_STEP_S = 10.0

_MAX_STEP_MS = int(MAX_STEP_S * 1000)
_RUNNING = STATE_CODES[RunState.RUNNING]
_STARTING = STATE_CODES[RunState.STARTING]
_ON = (_RUNNING, _STARTING)
_NOTHING = (None, None, None, None)

_INSERT_MINUTE = (
    f"INSERT OR REPLACE INTO minutes({','.join(ROLLUP_COLUMNS)}) VALUES ({','.join('?' * len(ROLLUP_COLUMNS))})"
)
_RAW_MINUTE = f"SELECT {','.join(FRAME_COLUMNS)} FROM frames WHERE t_ms >= ? AND t_ms < ? ORDER BY t_ms"
_HOUR_PARTS = ",".join(
    f"sum({s}_n), sum({s}_mean * {s}_n) / sum({s}_n), min({s}_min), max({s}_max)" for s in STORED
)
_INSERT_HOUR = (
    f"INSERT OR REPLACE INTO hours({','.join(ROLLUP_COLUMNS)}) "
    f"SELECT ?, sum(n), sum(running_s), {_HOUR_PARTS} FROM minutes WHERE t_ms >= ? AND t_ms < ? "
    f"GROUP BY t_ms / {HOUR_MS}"
)


def summary(rows: Sequence[Row], before_ms: int | None) -> Row | None:
    """The roll-up row of the frames of one minute, or None where the fan was off all through it.

    ``rows`` are rows of ``frames`` in any order, ``before_ms`` the key of the last frame before them.
    """
    on_ms = 0
    last = before_ms
    running = rows
    mixed = False
    for row in sorted(rows):  # keys are unique, so the comparison never looks further
        t_ms, state = row[0], row[1]
        if state in _ON:
            if last is not None and t_ms - last <= _MAX_STEP_MS:
                on_ms += t_ms - last
            mixed = mixed or state == _STARTING
        else:
            mixed = True
        last = t_ms
    if mixed:
        running = [row for row in rows if row[1] == _RUNNING]
    if not running and not on_ms:
        return None
    parts: list[Any] = [rows[0][0] // MINUTE_MS * MINUTE_MS, len(running), on_ms / 1000.0]
    if not running:
        parts += _NOTHING * len(STORED)
        return tuple(parts)
    count = len(running)
    for column in islice(zip(*running, strict=True), SERIES_AT, None):
        if column[0] is not None:
            try:
                parts += (count, sum(column) / count, min(column), max(column))
                continue
            except TypeError:  # some values further on are unknown
                pass
        known = [value for value in column if value is not None]
        if known:
            parts += (len(known), sum(known) / len(known), min(known), max(known))
        else:
            parts += _NOTHING
    return tuple(parts)


class Rollups:
    """Collects the rows of the minute under way and writes finished minutes and hours.

    ``add`` takes every stored row, ``write`` puts into the open transaction what is due, ``committed`` forgets it once
    the transaction holds. A failed transaction is tried again with nothing lost.
    """

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._minute = -1
        self._late = False
        self._rows: list[Row] = []
        self._before: int | None = None
        self._newest: int | None = None
        self._finished: list[Row] = []
        self._hours: set[int] = set()
        self._due: set[int] = {t_ms for (t_ms,) in connection.execute("SELECT t_ms FROM rollup_due")}
        (newest,) = connection.execute("SELECT max(t_ms) FROM frames").fetchone()
        if newest is not None:
            start = newest // MINUTE_MS * MINUTE_MS
            self._minute = newest // MINUTE_MS
            self._rows = connection.execute(_RAW_MINUTE, (start, start + MINUTE_MS)).fetchall()
            self._before = _last_before(connection, start)
            self._newest = newest

    def add(self, row: Row) -> None:
        """Take in one stored row."""
        t_ms = row[0]
        minute = t_ms // MINUTE_MS
        if minute != self._minute:
            self._turn(minute)
        self._rows.append(row)
        if self._newest is None or t_ms > self._newest:
            self._newest = t_ms

    @property
    def pending(self) -> bool:
        """Whether there is anything to write."""
        return bool(self._finished or self._hours or self._due)

    def write(self, connection: sqlite3.Connection, pruned_before_ms: int) -> None:
        """Write finished minutes and hours into the open transaction, after the frames."""
        if self._finished:
            connection.executemany(_INSERT_MINUTE, self._finished)
        hours = set(self._hours)
        open_ms = self._minute * MINUTE_MS if self._late else None
        for start in sorted(self._due):
            if start == open_ms:
                continue
            self._recompute(connection, start, pruned_before_ms)
            hours.add(start // HOUR_MS)
            after = start + MINUTE_MS  # its first frame now has another one before it
            if after // MINUTE_MS != self._minute:
                self._recompute(connection, after, pruned_before_ms)
                hours.add(after // HOUR_MS)
        if open_ms is not None:
            connection.execute("INSERT OR IGNORE INTO rollup_due(t_ms) VALUES (?)", (open_ms,))
        for hour in sorted(hours):
            start = hour * HOUR_MS
            connection.execute(_INSERT_HOUR, (start, start, start + HOUR_MS))

    def committed(self) -> None:
        """What was written is safe."""
        self._finished.clear()
        self._hours.clear()
        self._due.clear()
        if self._late:
            self._due.add(self._minute * MINUTE_MS)

    def _turn(self, minute: int) -> None:
        if self._rows:
            if self._late:
                self._due.add(self._minute * MINUTE_MS)
            else:
                finished = summary(self._rows, self._before)
                if finished is not None:
                    self._finished.append(finished)
            if minute * MINUTE_MS // HOUR_MS != self._minute * MINUTE_MS // HOUR_MS:
                self._hours.add(self._minute * MINUTE_MS // HOUR_MS)
        self._before = self._newest
        self._minute = minute
        self._late = self._newest is not None and minute <= self._newest // MINUTE_MS  # visited once already
        self._rows = []

    @staticmethod
    def _recompute(connection: sqlite3.Connection, start: int, pruned_before_ms: int) -> None:
        rows = connection.execute(_RAW_MINUTE, (start, start + MINUTE_MS)).fetchall()
        known = start < pruned_before_ms and connection.execute("SELECT 1 FROM minutes WHERE t_ms = ?", (start,)).fetchone()
        # Where raw frames are gone already, the row that was made from all of them is the better one.
        if rows and not known:
            row = summary(rows, _last_before(connection, start))
            if row is not None:
                connection.execute(_INSERT_MINUTE, row)
        connection.execute("DELETE FROM rollup_due WHERE t_ms = ?", (start,))


def _last_before(connection: sqlite3.Connection, t_ms: int) -> int | None:
    found = connection.execute("SELECT max(t_ms) FROM frames WHERE t_ms < ?", (t_ms,)).fetchone()[0]
    return None if found is None else int(found)
