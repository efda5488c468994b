"""The names of the store's tables and columns, in one place, and the version of their layout.

:mod:`daemon.store.migrate` makes them; a test compares what it made with what is written here. Times: ``t_ms`` is event
time in whole milliseconds since the epoch (the key of frames and roll-ups), every other ``..._t`` event time in seconds.
``..._wall_t`` is the time by the computer's own clock, kept only to tell whether the daemon is alive.
"""

from __future__ import annotations

from analysis.readings import RunState
from daemon.store.series import STORED

APPLICATION_ID = 0x44_57_53_31
"""Stands in the header of every database of ours, so that another program's file is never taken for one."""

VERSION = 1
"""Number of migrations applied to a current database (its ``user_version``)."""

MINUTE_MS = 60_000
HOUR_MS = 3_600_000

STATE_CODES: dict[RunState, int] = {
    RunState.OFF: 0, RunState.RUNNING: 1, RunState.STARTING: 2, RunState.STOPPING: 3, RunState.UNKNOWN: 4,
}
"""How the run state stands in ``frames`` (0 and 1 take no room in the file)."""
STATES: dict[int, RunState] = {code: state for state, code in STATE_CODES.items()}

FRAME_COLUMNS: tuple[str, ...] = ("t_ms", "state", "gates", "quality", *STORED)
"""``gates``: names of the open ports, sorted, with commas; "" all shut, NULL unknown. ``quality``: ``channel=reason`` for
each channel without a value, with commas; NULL where all are good."""
SERIES_AT = 4
"""Where the series begin in a row of ``frames``."""

ROLLUP_PARTS: tuple[str, ...] = ("n", "mean", "min", "max")
ROLLUP_COLUMNS: tuple[str, ...] = (
    "t_ms", "n", "running_s", *(f"{name}_{part}" for name in STORED for part in ROLLUP_PARTS),
)
"""``n`` running frames, ``running_s`` seconds with the fan on, then count, mean, least and greatest of each series."""

TABLES: dict[str, tuple[str, ...]] = {
    "frames": FRAME_COLUMNS,
    "minutes": ROLLUP_COLUMNS,
    "hours": ROLLUP_COLUMNS,
    "rollup_due": ("t_ms",),
    "clock_steps": ("id", "before_t", "after_t"),
    "runs": ("id", "start_t", "end_t", "seconds", "reason"),
    "alarms": (
        "id", "condition", "place", "state", "urgency", "raised_t", "since_t", "changed_t", "cleared_t",
        "acknowledged_t", "shelved_until_t", "suppressed_by", "by", "finding",
    ),
    "transitions": ("id", "alarm_id", "t", "before", "after", "by", "reason", "finding"),
    "journal": ("id", "t", "kind", "by", "text", "place", "removed"),
    "journal_changes": ("id", "entry_id", "t", "by", "what", "before"),
    "notices": (
        "id", "notice_id", "outlet", "state", "t", "alarm_id", "condition", "place", "event", "urgency", "title", "body",
        "changed_t", "tries",
    ),
    "baselines": ("id", "name", "t", "document"),
    "configurations": ("hash", "text", "first_t", "last_t"),
    "statuses": ("name", "t", "wall_t", "document"),
    "states": ("name", "t", "document"),
    "requests": ("id", "kind", "payload", "by", "asked_wall_t", "done", "accepted", "result", "done_t"),
    "meta": ("key", "value"),
}
"""Table -> its columns."""
