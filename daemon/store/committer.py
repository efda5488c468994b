"""Committer: what was buffered becomes one transaction, and trouble with the disk never ends the daemon.

| trouble | what happens |
| --- | --- |
| disk full, read-only or failing | the buffer waits and is tried every 10 s; beyond its bound the oldest frames go, counted |
| another program writes just now | the same, after a second |
| the file is damaged | it is set aside under a dated name, a new one is begun, and the buffer goes there |
| the file was taken away | a new database is begun |
| one record cannot be stored | it alone is left out and counted; the rest of its transaction is stored |

:attr:`Committer.health` says in words how it is.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from operator import itemgetter
from pathlib import Path
from typing import Any

from daemon.errors import StoreError
from daemon.store.codec import LiveStatus
from daemon.store.connection import in_words, open_writable, side_files, store_error, trouble
from daemon.store.lock import hold
from daemon.store.migrate import ensure_schema, put_aside
from daemon.store.pruning import Pruner
from daemon.store.requests import ANSWER_SQL
from daemon.store.rollups import Rollups
from daemon.store.schema import FRAME_COLUMNS, VERSION, Row

RETRY_S = 10.0
MOST_ROWS = 5_000
"""A commit is due at the latest when this many frames wait."""
MOST_KEPT_ROWS = 20_000
"""While nothing can be written, this many frames are kept (about 15 MB; five and a half hours of running)."""
MOST_KEPT_RECORDS = 5_000

Statement = tuple[str, tuple[Any, ...]]

_INSERT_FRAME = f"INSERT INTO frames({','.join(FRAME_COLUMNS)}) VALUES ({','.join('?' * len(FRAME_COLUMNS))})"
# Updated in its place: replacing would also write a page of the index, every second.
_INSERT_STATUS = (
    "INSERT INTO statuses(name, t, wall_t, document) VALUES (?, ?, ?, ?) ON CONFLICT(name) DO UPDATE SET "
    "t = excluded.t, wall_t = excluded.wall_t, document = excluded.document"
)


@dataclass
class StoreHealth:
    """How the store is doing. ``words`` says what is wrong (or what was, lately); the numbers count since the start."""

    ok: bool = True
    words: str = ""
    commits: int = 0
    failures: int = 0
    waiting_frames: int = 0
    stored_frames: int = 0
    moved_frames: int = 0
    """Frames whose very millisecond was taken, stored at the next free one."""
    dropped_frames: int = 0
    dropped_records: int = 0
    refused: int = 0
    set_aside: str = ""


class Committer:
    """Owns the one writing connection and the buffers. Not for use by several threads at once."""

    def __init__(self, path: Path, keep_raw_days: float, sync_every_s: float, monotonic: Callable[[], float]) -> None:
        self.path = path
        self.health = StoreHealth()
        self.rows: list[Row] = []
        self.statements: list[Statement] = []
        self.statuses: dict[str, LiveStatus] = {}
        self.heard: tuple[float | None, float] | None = None
        """Event time and the computer's clock of the newest frame, where the document "now" itself is not written yet."""
        self.urgent = False
        self.generation = 0
        """Grows when a new database was begun: what was stored once only must be stored again."""
        self._keep_raw_days = keep_raw_days
        self._sync_every_s = sync_every_s
        self._monotonic = monotonic
        self._sync_due = monotonic() + sync_every_s
        self._retry_at = -1e300
        self._failing_since: float | None = None
        self._held: int | None = None
        self._files: tuple[tuple[int, int] | None, ...] = ()
        self._open()

    def _open(self) -> None:
        held = hold(self.path)
        try:
            self._connect()
        except BaseException:
            os.close(held)
            raise
        self._held = held
        self._files = self._identities()

    def _identities(self) -> tuple[tuple[int, int] | None, ...]:
        """Device and inode of the database and of its write-ahead log, None where there is no such file."""
        return tuple(_identity(file) for file in (self.path, side_files(self.path)[0]))

    def _connect(self) -> None:
        connection = open_writable(self.path)
        try:
            (version,) = connection.execute("PRAGMA user_version").fetchone()
            if version != VERSION:
                raise StoreError(f"the database {self.path} has layout {version}, this program needs {VERSION}")
            self.rollups = Rollups(connection)
            self.pruner = Pruner(connection, self._keep_raw_days)
        except (sqlite3.Error, StoreError) as error:
            connection.close()
            if isinstance(error, sqlite3.Error):
                raise store_error(error, self.path) from error
            raise
        self.connection = connection

    def commit(self, *, force: bool = False) -> bool:
        """Write what waits. Returns whether everything is stored; the reason why not is in ``health``."""
        now = self._monotonic()
        if now < self._retry_at and not force:
            self._bound()
            return False
        if not (self.rows or self.statements or self.statuses or self.rollups.pending):
            return True
        try:
            self._look_for_file()
            try:
                self._transaction(careful=False, now=now)
            except (sqlite3.Error, ValueError, TypeError, OverflowError) as error:
                if isinstance(error, sqlite3.Error) and trouble(error) != "data":
                    raise
                self._transaction(careful=True, now=now)
        except sqlite3.Error as error:
            self._failed(error, now)
            return False
        except StoreError as error:
            self._note(str(error), now, RETRY_S)
            return False
        self._succeeded(now)
        return True

    def _transaction(self, *, careful: bool, now: float) -> None:
        connection = self.connection
        sync = self.urgent or now >= self._sync_due
        if sync:
            connection.execute("PRAGMA synchronous=FULL")
        refused = 0
        try:
            connection.execute("BEGIN IMMEDIATE")
            try:
                if careful:
                    refused = self._one_by_one(connection)
                else:
                    if self.rows:
                        _insert_frames(connection, self.rows)
                    for sql, parameters in self.statements:
                        connection.execute(sql, parameters)
                if self.heard is not None and "now" not in self.statuses:
                    connection.execute("UPDATE statuses SET t = ?, wall_t = ? WHERE name = 'now'", self.heard)
                if self.statuses:
                    connection.executemany(
                        _INSERT_STATUS, [(name, s.t, s.wall_t, s.text) for name, s in self.statuses.items()]
                    )
                if self.rows or self.rollups.pending:
                    self.rollups.write(connection, self.pruner.before_ms)
                    self.pruner.step(connection, self.rows)
                connection.execute("COMMIT")
            except BaseException:
                self.pruner.rolled_back()
                if connection.in_transaction:
                    with contextlib.suppress(sqlite3.Error):
                        connection.execute("ROLLBACK")
                raise
        finally:
            if sync:
                with contextlib.suppress(sqlite3.Error):
                    connection.execute("PRAGMA synchronous=NORMAL")
        if sync:
            self._sync_due = now + self._sync_every_s
        health = self.health
        health.commits += 1
        health.stored_frames += len(self.rows)
        health.refused += refused
        self.rollups.committed()
        self.rows.clear()
        self.statements.clear()
        self.statuses.clear()
        self.heard = None
        self.urgent = False

    def _one_by_one(self, connection: sqlite3.Connection) -> int:
        """Store each record by itself, leaving out those that cannot be; returns how many were left out."""
        refused = 0
        work: list[Statement] = [(_INSERT_FRAME, row) for row in self.rows] + self.statements
        for sql, parameters in work:
            connection.execute("SAVEPOINT one")
            try:
                connection.execute(sql, parameters)
            except (sqlite3.Error, ValueError, TypeError, OverflowError) as error:
                if isinstance(error, sqlite3.Error) and trouble(error) != "data":
                    raise
                connection.execute("ROLLBACK TO one")
                refused += 1
                self.health.words = f"a record could not be stored and was left out: {error}"
            connection.execute("RELEASE one")
        return refused

    def _look_for_file(self) -> None:
        now = self._identities()
        if self._files and now[0] == self._files[0]:
            self._files = now
            return
        before, self._files = self._files, ()  # whatever fails from here on: look for the file again next time
        self.close()
        log = side_files(self.path)[0]
        if before and before[1] is not None and _identity(log) == before[1]:
            # It belongs to the file that is gone. Beside another one it would be taken for that one's.
            put_aside(self.path, "left", without_database=True)
        had = now[0] is not None
        self._begin_anew()
        self.health.words = (
            f"the database {self.path} was replaced by another file, which is used now" if had
            else f"the database {self.path} had been taken away; a new one was begun"
        )

    def _begin_anew(self) -> None:
        # What was asked for stands in the other file.
        self.statements[:] = [statement for statement in self.statements if statement[0] != ANSWER_SQL]
        report = ensure_schema(self.path)
        if report.set_aside is not None:
            self.health.set_aside = str(report.set_aside)
        self._open()
        self.generation += 1
        for row in self.rows:
            self.rollups.add(row)

    def _failed(self, error: sqlite3.Error, now: float) -> None:
        words = in_words(error, self.path)
        kind = trouble(error)
        if kind == "busy":
            self._note(words, now, 1.0)
            return
        self._note(words, now, RETRY_S)
        if kind == "damaged":
            try:
                self._files = ()
                self.abandon()
                aside = put_aside(self.path, "damaged")
                self.health.set_aside = str(aside)
                self._begin_anew()
                self.health.words = f"{words}; it was set aside as {aside} and a new one was begun"
                self._retry_at = -1e300
            except (StoreError, sqlite3.Error) as worse:
                self._note(str(worse), now, RETRY_S)

    def _note(self, words: str, now: float, again_s: float) -> None:
        health = self.health
        health.ok = False
        health.words = words
        health.failures += 1
        self._retry_at = now + again_s
        if self._failing_since is None:
            self._failing_since = now
        self._bound()

    def _bound(self) -> None:
        health = self.health
        excess = len(self.rows) - MOST_KEPT_ROWS
        if excess > 0:
            excess = max(excess, MOST_KEPT_ROWS // 20)
            del self.rows[:excess]
            health.dropped_frames += excess
        excess = len(self.statements) - MOST_KEPT_RECORDS
        if excess > 0:
            del self.statements[:excess]
            health.dropped_records += excess
        health.waiting_frames = len(self.rows)

    def _succeeded(self, now: float) -> None:
        health = self.health
        health.waiting_frames = 0
        if not health.ok:
            health.ok = True
            seconds = 0.0 if self._failing_since is None else now - self._failing_since
            health.words = f"writing again after {seconds:.0f} s; before that: {health.words}"
        self._failing_since = None
        self._retry_at = -1e300

    def close(self) -> None:
        """Put the write-ahead log back into the database and let go of the file."""
        with contextlib.suppress(sqlite3.Error):
            self.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        self.abandon()

    def abandon(self) -> None:
        """Let go of the file as it is, without writing what waits."""
        self.connection.close()
        if self._held is not None:
            os.close(self._held)
            self._held = None


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        stat = os.stat(path)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise StoreError(f"the database {path} cannot be reached: {error.strerror}") from error
    return stat.st_dev, stat.st_ino


def _insert_frames(connection: sqlite3.Connection, rows: list[Row]) -> None:
    """Insert frames, naming only the columns that have a value in at least one of them.

    Most shops fit three of the channels, and ``sqlite3`` takes far longer to bind None than a number: leaving the empty
    columns out halves the time of the whole insert.
    """
    count = len(rows)
    used = [
        at for at, value in enumerate(rows[0])
        if value is not None or list(map(itemgetter(at), rows)).count(None) != count
    ]
    names = ",".join(FRAME_COLUMNS[at] for at in used)
    marks = ",".join("?" * len(used))
    connection.executemany(f"INSERT INTO frames({names}) VALUES ({marks})", map(itemgetter(*used), rows))
