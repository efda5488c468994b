"""Requests: how the dashboard and the command line ask the daemon for something.

An append-only table. The asker writes one row and goes; the daemon takes it, acts, and writes its answer beside it, in
the same transaction as what it did. This is the one write that does not go through the writer: short, on a connection of
its own, with a busy timeout.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daemon.errors import StoreError
from daemon.store.codec import from_json, to_json
from daemon.store.connection import open_readonly, store_error
from daemon.store.schema import VERSION

BUSY_S = 5.0
MOST_WAITING = 200
"""With this many requests unanswered no further one is taken: the daemon does not run."""
MOST_PAYLOAD = 65_536

_SELECT = "SELECT id, kind, payload, by, asked_wall_t, done, accepted, result, done_t FROM requests"
ANSWER_SQL = "UPDATE requests SET done = 1, accepted = ?, result = ?, done_t = ? WHERE id = ? AND done = 0"


@dataclass(frozen=True, slots=True)
class Request:
    """One thing asked for. ``done`` once the daemon has answered: ``accepted`` (None before) and ``result`` in words."""

    id: int
    kind: str
    payload: Mapping[str, Any]
    by: str
    asked_wall_t: float
    done: bool = False
    accepted: bool | None = None
    result: str = ""
    done_t: float | None = None


def append(path: Path, kind: str, payload: Mapping[str, Any], by: str = "owner") -> int:
    """Ask the daemon for something; returns the request's id.

    Raises :class:`StoreError` where there is no database of the present layout, it stays busy for 5 s, the payload is
    larger than 64 KiB, or 200 requests wait already.
    """
    text = to_json(dict(payload))
    if not kind:
        raise StoreError("a request needs a kind")
    if len(text) > MOST_PAYLOAD:
        raise StoreError(f"the request is {len(text)} characters long; at most {MOST_PAYLOAD} are taken")
    if not Path(path).exists():
        raise StoreError(f"there is no database at {path}; it is made when the daemon first runs")
    uri = f"{Path(path).resolve().as_uri()}?mode=rw"
    try:
        with closing(sqlite3.connect(uri, uri=True, timeout=BUSY_S, isolation_level=None)) as connection:
            (version,) = connection.execute("PRAGMA user_version").fetchone()
            if version != VERSION:
                raise StoreError(f"the database {path} has layout {version}, this program needs {VERSION}")
            connection.execute("PRAGMA synchronous=FULL")
            connection.execute("BEGIN IMMEDIATE")
            (waiting,) = connection.execute("SELECT count(*) FROM requests WHERE done = 0").fetchone()
            if waiting >= MOST_WAITING:
                connection.execute("ROLLBACK")
                raise StoreError(f"{waiting} requests wait unanswered; is the daemon running?")
            cursor = connection.execute(
                "INSERT INTO requests(kind, payload, by, asked_wall_t, done) VALUES (?, ?, ?, ?, 0)",
                (kind, text, by, time.time()),
            )
            connection.execute("COMMIT")
            assert cursor.lastrowid is not None
            return cursor.lastrowid
    except sqlite3.Error as error:
        raise store_error(error, Path(path)) from error


def take(connection: sqlite3.Connection) -> list[Request]:
    """The unanswered requests, oldest first."""
    rows = connection.execute(f"{_SELECT} WHERE done = 0 ORDER BY id LIMIT ?", (MOST_WAITING,))
    return [request_of(row) for row in rows]


def find(connection: sqlite3.Connection, request_id: int) -> Request | None:
    """One request with its answer, if there is one."""
    row = connection.execute(f"{_SELECT} WHERE id = ?", (request_id,)).fetchone()
    return None if row is None else request_of(row)


def recent(connection: sqlite3.Connection, limit: int = 50) -> list[Request]:
    """The latest requests, newest first."""
    return [request_of(row) for row in connection.execute(f"{_SELECT} ORDER BY id DESC LIMIT ?", (limit,))]


def wait_for_answer(path: Path, request_id: int, timeout_s: float = 5.0) -> Request:
    """Wait until the daemon has answered, at most ``timeout_s``; returns the request as it then is (perhaps not done)."""
    deadline = time.monotonic() + timeout_s
    with closing(open_readonly(Path(path))) as connection:
        while True:
            try:
                found = find(connection, request_id)
            except sqlite3.Error as error:
                raise store_error(error, Path(path)) from error
            if found is None:
                raise StoreError(f"there is no request {request_id} in {path}")
            if found.done or time.monotonic() >= deadline:
                return found
            time.sleep(0.05)


def request_of(row: tuple[Any, ...]) -> Request:
    """A request from its row; a payload that is no JSON object is taken as empty (the daemon then refuses it)."""
    try:
        payload = from_json(row[2])
    except ValueError:
        payload = {}
    return Request(
        id=row[0], kind=row[1], payload=payload if isinstance(payload, dict) else {}, by=row[3], asked_wall_t=row[4],
        done=bool(row[5]), accepted=None if row[6] is None else bool(row[6]), result=row[7] or "", done_t=row[8],
    )
