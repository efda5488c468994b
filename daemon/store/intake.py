"""Intake: which frames are stored, and under which time.

A frame is stored under its own time in whole milliseconds. Where that is taken (the clock was set back), it goes to the next
free millisecond: nothing is overwritten and nothing dropped; frames of equal time keep their order of arrival, and each
step back is recorded in ``clock_steps``. Idle time is thinned: while the fan is off (or its state unknown) one frame a
minute is kept, and besides the first and last of each state and each change in what the sensors can tell.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping

from analysis.estimates import Estimate
from analysis.readings import Frame, Quality, RunState
from daemon.store.committer import Committer
from daemon.store.schema import frame_row

IDLE_EVERY_S = 60.0
STEP_BACK_MS = 1_000

_OFF = RunState.OFF
_UNKNOWN = RunState.UNKNOWN


class Intake:
    """Thins idle time, gives each frame its time in whole milliseconds, and puts it into the committer's buffers."""

    def __init__(self, committer: Committer) -> None:
        self._committer = committer
        self._rows = committer.rows
        (newest,) = committer.connection.execute("SELECT max(t_ms) FROM frames").fetchone()
        self._newest: int = -(1 << 62) if newest is None else newest
        self._state: RunState | None = None
        self._held: tuple[Frame, Estimate | None] | None = None
        self._idle_t = 0.0
        self._idle_quality: Mapping[str, Quality] = {}
        self._arrived_ms: int | None = None
        self._late_keys: set[int] = set()
        self._late_upto = 0

    def take(self, frame: Frame, estimate: Estimate | None) -> None:
        """A frame with its estimate."""
        state = frame.state
        if state is _OFF or state is _UNKNOWN:
            self._idle(frame, estimate)
            return
        if state is not self._state:
            self._turned(state)
        self._store(frame, estimate)

    def finish(self) -> None:
        """Store what is held back."""
        if self._held is not None:
            self._turned(_UNKNOWN)

    def committed(self, everything: bool) -> None:
        """The buffer was committed, or (``everything`` false) may have lost its oldest frames."""
        if everything:
            self._late_keys.clear()
        self._late_upto = 0

    def _idle(self, frame: Frame, estimate: Estimate | None) -> None:
        since = frame.t - self._idle_t
        if frame.state is not self._state:
            self._turned(frame.state)
        elif 0.0 <= since < IDLE_EVERY_S and frame.quality == self._idle_quality:
            self._held = (frame, estimate)
            return
        self._held = None
        self._idle_t = frame.t
        self._idle_quality = frame.quality
        self._store(frame, estimate)

    def _turned(self, state: RunState) -> None:
        if self._held is not None:
            self._store(*self._held)
            self._held = None
        self._state = state

    def _store(self, frame: Frame, estimate: Estimate | None) -> None:
        key = round(frame.t * 1000.0)
        before, self._arrived_ms = self._arrived_ms, key
        if key <= self._newest:
            if before is not None and key < before - STEP_BACK_MS:
                self._committer.statements.append((
                    "INSERT INTO clock_steps(before_t, after_t) VALUES (?, ?)", (before / 1000.0, frame.t)))
            free = self._free(key)
            self._committer.health.moved_frames += free != key
            key = free
        self._newest = max(self._newest, key)
        row = frame_row(key, frame, estimate)
        self._rows.append(row)
        self._committer.rollups.add(row)

    def _free(self, key: int) -> int:
        """The first free millisecond from ``key`` on."""
        for row in self._rows[self._late_upto:]:
            self._late_keys.add(row[0])
        self._late_upto = len(self._rows)
        try:
            while key in self._late_keys or self._committer.connection.execute(
                "SELECT 1 FROM frames WHERE t_ms = ?", (key,)
            ).fetchone():
                key += 1
        except sqlite3.Error:
            pass  # the disk is in trouble; the committer will say so
        self._late_keys.add(key)
        return key
