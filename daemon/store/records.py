"""The statements that store each kind of record: pure functions from things to SQL with its parameters."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable
from typing import Any

from analysis.conditions import Urgency
from analysis.events import ShopEvent
from analysis.readings import RunState
from daemon.alarms.types import Alarm, Transition
from daemon.errors import StoreError
from daemon.notices import Notice
from daemon.store import records
from daemon.store.codec import alarm_row, to_json, transition_row
from daemon.store.committer import Statement
from daemon.store.schema import STATE_CODES, TABLES

INTERRUPTED = "interrupted: the daemon ended during this run"

_ALARM = f"INSERT OR REPLACE INTO alarms({','.join(TABLES['alarms'])}) VALUES ({','.join('?' * len(TABLES['alarms']))})"
_TRANSITION = (
    "INSERT INTO transitions(alarm_id, t, before, after, by, reason, finding) VALUES (?, ?, ?, ?, ?, ?, ?)"
)
_KEEP_ENTRY = (
    "INSERT INTO journal_changes(entry_id, t, by, what, before) "
    "SELECT id, ?, ?, ?, json_object('t', t, 'kind', kind, 'by', by, 'text', text, 'where', place) FROM journal WHERE id = ?"
)
NOTICE_SELECT = (
    "SELECT notice_id, t, alarm_id, condition, place, event, urgency, title, body, outlet FROM notices"
)


def alarm(standing: Alarm) -> Statement:
    """The alarm as it now is."""
    return (_ALARM, alarm_row(standing))


def transition(step: Transition) -> list[Statement]:
    """The alarm as it now is, and the step."""
    return [alarm(step.alarm), (_TRANSITION, transition_row(step))]


def event(entry_id: int, entry: ShopEvent) -> list[Statement]:
    """A new journal entry."""
    return [(
        "INSERT INTO journal(id, t, kind, by, text, place, removed) VALUES (?, ?, ?, ?, ?, ?, 0)",
        (entry_id, entry.t, entry.kind.value, entry.by, entry.text, entry.where),
    )]


def correct_event(entry_id: int, entry: ShopEvent, t: float) -> list[Statement]:
    """The entry as it should have been; what it said stays in ``journal_changes``."""
    return [
        (_KEEP_ENTRY, (t, entry.by, "corrected", entry_id)),
        (
            "UPDATE journal SET t = ?, kind = ?, by = ?, text = ?, place = ? WHERE id = ?",
            (entry.t, entry.kind.value, entry.by, entry.text, entry.where, entry_id),
        ),
    ]


def remove_event(entry_id: int, t: float, by: str) -> list[Statement]:
    """The entry is struck out, not deleted."""
    return [
        (_KEEP_ENTRY, (t, by, "removed", entry_id)),
        ("UPDATE journal SET removed = 1 WHERE id = ?", (entry_id,)),
    ]


def run_started(t: float) -> list[Statement]:
    """A run that lasts."""
    return [("INSERT INTO runs(start_t) VALUES (?)", (t,))]


def run_ended(start_t: float, end_t: float, seconds: float, reason: str) -> list[Statement]:
    """The end of the run that began at ``start_t``; makes the run where its beginning was never stored."""
    at = (start_t - 0.5, start_t + 0.5)
    return [
        (
            "INSERT INTO runs(start_t) SELECT ? WHERE NOT EXISTS "
            "(SELECT 1 FROM runs WHERE start_t BETWEEN ? AND ?)", (start_t, *at),
        ),
        (
            "UPDATE runs SET end_t = ?, seconds = ?, reason = ? WHERE id = "
            "(SELECT max(id) FROM runs WHERE start_t BETWEEN ? AND ?)", (end_t, seconds, reason, *at),
        ),
    ]


def end_interrupted_runs(connection: sqlite3.Connection) -> list[Statement]:
    """End every run that was left open, at the last frame that shows the fan on (or where it began)."""
    on = (STATE_CODES[RunState.STARTING], STATE_CODES[RunState.RUNNING])
    statements: list[Statement] = []
    for run_id, start_t in connection.execute("SELECT id, start_t FROM runs WHERE end_t IS NULL").fetchall():
        last = connection.execute(
            "SELECT t_ms FROM frames WHERE state IN (?, ?) AND t_ms >= ? ORDER BY t_ms DESC LIMIT 1",
            (*on, int(start_t * 1000)),
        ).fetchone()
        end_t = start_t if last is None else last[0] / 1000.0
        statements.append((
            "UPDATE runs SET end_t = ?, seconds = ?, reason = ? WHERE id = ?",
            (end_t, end_t - start_t, INTERRUPTED, run_id),
        ))
    return statements


def notice(message: Notice, outlet: str, state: str, t: float | None) -> list[Statement]:
    """The notice with its state at one outlet; one row for each pair."""
    return [(
        "INSERT INTO notices(notice_id, outlet, state, t, alarm_id, condition, place, event, urgency, title, body, "
        "changed_t, tries) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 1) ON CONFLICT(notice_id, outlet) DO UPDATE SET "
        "state = excluded.state, changed_t = excluded.changed_t, tries = tries + 1",
        (
            message.id, outlet, state, message.t, message.alarm_id, message.condition, message.where, message.event,
            message.urgency.value, message.title, message.body, message.t if t is None else t,
        ),
    )]


def notice_of(row: tuple[Any, ...]) -> tuple[Notice, str]:
    """The notice and outlet of a row of :data:`NOTICE_SELECT`."""
    return (
        Notice(
            id=row[0], t=row[1], alarm_id=row[2], condition=row[3], where=row[4], event=row[5], urgency=Urgency(row[6]),
            title=row[7], body=row[8],
        ),
        row[9],
    )


def baseline(name: str, t: float, document: object) -> list[Statement]:
    """One more baseline of that name."""
    return [("INSERT INTO baselines(name, t, document) VALUES (?, ?, ?)", (name, t, to_json(document)))]


def scrub_configurations(connection: sqlite3.Connection, scrubbed: Callable[[str], str]) -> None:
    """Take secrets out of configurations that an earlier program kept whole, and their remains off the disk."""
    kept = connection.execute("SELECT hash, text FROM configurations").fetchall()
    found = [(digest, clean) for digest, text in kept if (clean := scrubbed(text)) != text]
    if found:
        connection.execute("PRAGMA secure_delete=ON")
        connection.executemany(
            "UPDATE OR REPLACE configurations SET text = ?, hash = ? WHERE hash = ?",
            [(clean, hashlib.sha256(clean.encode()).hexdigest(), digest) for digest, clean in found],
        )
        connection.execute("PRAGMA secure_delete=OFF")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def configuration(text: str, t: float | None) -> tuple[str, Statement]:
    """The SHA-256 of a configuration as hexadecimal, and the statement that stores it with its first and last time."""
    digest = hashlib.sha256(text.encode()).hexdigest()
    return digest, (
        "INSERT INTO configurations(hash, text, first_t, last_t) VALUES (?, ?, ?, ?) ON CONFLICT(hash) DO UPDATE SET "
        "first_t = coalesce(first_t, excluded.first_t), last_t = coalesce(excluded.last_t, last_t)",
        (digest, text, t, t),
    )


def state(name: str, t: float | None, text: str) -> Statement:
    """The latest snapshot of that name, as JSON text."""
    return (
        "INSERT INTO states(name, t, document) VALUES (?, ?, ?) ON CONFLICT(name) DO UPDATE SET "
        "t = excluded.t, document = excluded.document", (name, t, text),
    )


def closed(properly: bool) -> Statement:
    """Whether the writer ended as it should; while one writes, and after a crash, it did not."""
    return ("INSERT OR REPLACE INTO meta(key, value) VALUES ('closed', ?)", (str(int(properly)),))


Add = Callable[[list[Statement]], None]
Query = Callable[[str, tuple[Any, ...]], list[tuple[Any, ...]]]


class Journal:
    """The journal of the database behind ``connection``, which is only asked here for the last id.

    ``add`` puts statements into the writer's buffer; ``query`` gives rows as stored, after what waits was committed, and
    raises :class:`StoreError` while the disk is in trouble.
    """

    def __init__(self, connection: sqlite3.Connection, add: Add, query: Query) -> None:
        self._add = add
        self._query = query
        (last,) = connection.execute("SELECT max(id) FROM journal").fetchone()
        self._next_id: int = (last or 0) + 1

    def enter(self, event: ShopEvent) -> int:
        """A new entry; returns its id."""
        entry_id = self._next_id
        self._next_id += 1
        self._add(records.event(entry_id, event))
        return entry_id

    def correct(self, entry_id: int, event: ShopEvent, t: float) -> bool:
        """Replace an entry at ``t``. False where there is no such entry."""
        return self._change(entry_id, records.correct_event(entry_id, event, t))

    def remove(self, entry_id: int, t: float, by: str) -> bool:
        """Strike an entry out at ``t``. False where there is no such entry."""
        return self._change(entry_id, records.remove_event(entry_id, t, by))

    def kind(self, entry_id: int) -> str | None:
        """What kind of thing an entry says; None where there is no such entry, or the disk is in trouble."""
        try:
            found = self._query("SELECT kind FROM journal WHERE id = ? AND removed = 0", (entry_id,))
        except StoreError:
            return None
        return str(found[0][0]) if found else None

    def _change(self, entry_id: int, statements: list[Statement]) -> bool:
        try:
            if not self._query("SELECT 1 FROM journal WHERE id = ? AND removed = 0", (entry_id,)):
                return False
        except StoreError:
            pass  # the disk is in trouble: the change waits in the buffer, and does nothing if there is no such entry
        self._add(statements)
        return True
