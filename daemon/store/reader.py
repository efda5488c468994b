"""Reader: everything that can be asked of the store. Read-only, and safe to use from several threads at a time.

Connections are opened read-only and kept in a small pool; a query that meets a database which was replaced (restored, or
set aside as damaged) opens it anew. Times are event time in seconds unless a name says otherwise. Every method raises
:class:`StoreError`, in words, where there is no database or it cannot be read.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any

from daemon.alarms.types import Alarm, AlarmState
from daemon.errors import StoreError
from daemon.logs import escaped
from daemon.store import requests
from daemon.store.codec import ALARM_SELECT, Document, JournalEntry, Run, Status, Step, alarm_of, board, from_json, step_of
from daemon.store.connection import ReadPool
from daemon.store.lock import watched
from daemon.store.requests import Request
from daemon.store.schema import FRAME_COLUMNS, SERIES, TABLES, SeriesInfo, row_document
from daemon.store.trend import Columns, Trend, trend

__all__ = [
    "SERIES", "Alarm", "AlarmState", "Columns", "JournalEntry", "Reader", "Request", "Run", "SeriesInfo", "Status", "Step",
    "Trend",
]

EVER = 1e11
_FRAME_SELECT = f"SELECT {','.join(FRAME_COLUMNS)} FROM frames"


class Reader:
    """Reads the database at ``path``. May be made before the database exists; then its methods raise StoreError."""

    def __init__(self, path: Path) -> None:
        self.path = Path(path)
        self._resolved = self.path.resolve()
        self._pool = ReadPool(self.path)
        self._connection = self._pool.connection

    def close(self) -> None:
        """Close every connection."""
        self._pool.close()

    def __enter__(self) -> Reader:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    # -- the present ------------------------------------------------------------------------------------------------

    def status(self, name: str) -> Any | None:
        """The latest status document of that name, None where there is none."""
        found = self.status_of(name)
        return None if found is None else found.document

    def status_of(self, name: str) -> Status | None:
        """The same with its times."""
        live = board(self._resolved).get(name)
        if live is not None:
            return Status(name, live.t, live.wall_t, from_json(live.text))
        rows = self._rows("SELECT t, wall_t, document FROM statuses WHERE name = ?", (name,))
        return Status(name, rows[0][0], rows[0][1], from_json(rows[0][2])) if rows else None

    def now(self) -> Document | None:
        """The latest frame with its estimate, None where there never was one."""
        document = self.status("now")
        return document if isinstance(document, dict) else self.last_frame()

    def heard_wall_t(self) -> float | None:
        """When the daemon last wrote a status, by the computer's clock; None where it never did."""
        live = board(self._resolved)
        if live:
            return max(status.wall_t for status in live.values())
        rows = self._rows("SELECT max(wall_t) FROM statuses")
        return None if rows[0][0] is None else float(rows[0][0])

    def watched(self) -> bool | None:
        """Whether a daemon is at work, in whatever process; None where the system does not tell."""
        return watched(self.path)

    def last_frame(self) -> Document | None:
        """The stored frame with the latest time: ``t``, ``state``, ``gates``, ``quality`` and every series by name."""
        rows = self._rows(f"{_FRAME_SELECT} ORDER BY t_ms DESC LIMIT 1")
        return row_document(rows[0]) if rows else None

    # -- over time ----------------------------------------------------------------------------------------------------

    def trend(self, series: Sequence[str], start: float, end: float, points: int = 600) -> Trend:
        """Series over time in at most ``points`` points (:mod:`daemon.store.trend`)."""
        with self._connection() as connection:
            return trend(connection, series, start, end, points)

    def frames(self, start: float = -EVER, end: float = EVER, *, lot: int = 2_000) -> Iterator[Document]:
        """The raw frames from ``start`` to ``end`` in time order, fetched in lots; idle time is thinned in them."""
        for row in self.frame_rows(start, end, lot=lot):
            yield row_document(row)

    def frame_rows(self, start: float = -EVER, end: float = EVER, *, lot: int = 2_000) -> Iterator[tuple[Any, ...]]:
        """The same as rows of ``frames``."""
        after, upto = round(start * 1000) - 1, round(end * 1000)
        while True:
            rows = self._rows(f"{_FRAME_SELECT} WHERE t_ms > ? AND t_ms <= ? ORDER BY t_ms LIMIT ?", (after, upto, lot))
            yield from rows
            if len(rows) < lot:
                return
            after = rows[-1][0]

    def table_rows(
        self, table: str, by: str | None, start: float = -EVER, end: float = EVER, *, lot: int = 2_000
    ) -> Iterator[tuple[Any, ...]]:
        """The rows of any table of the layout (columns as in ``TABLES``) whose time ``by`` lies within the span."""
        scale = 1000.0 if by == "t_ms" else 1.0
        columns = ",".join(TABLES[table])
        where = "rowid > ?" if by is None else f"rowid > ? AND ({by} IS NULL OR ({by} >= ? AND {by} <= ?))"
        span = () if by is None else (start * scale, end * scale)
        after = -(1 << 62)
        while True:
            rows = self._rows(
                f"SELECT rowid, {columns} FROM {table} WHERE {where} ORDER BY rowid LIMIT ?", (after, *span, lot)
            )
            for row in rows:
                yield row[1:]
            if len(rows) < lot:
                return
            after = rows[-1][0]

    def first_t(self) -> float | None:
        """Time of the first frame that anything is kept of (raw or rolled up)."""
        found = [value for value in self._rows(
            "SELECT (SELECT min(t_ms) FROM frames), (SELECT min(t_ms) FROM minutes)")[0] if value is not None]
        return min(found) / 1000.0 if found else None

    def last_t(self) -> float | None:
        """Time of the newest frame."""
        newest = self._rows("SELECT max(t_ms) FROM frames")[0][0]
        return None if newest is None else newest / 1000.0

    def runs(self, start: float = -EVER, end: float = EVER, limit: int = 1_000) -> list[Run]:
        """Runs that touch the span, newest first."""
        rows = self._rows(
            "SELECT id, start_t, end_t, seconds, reason FROM runs WHERE start_t <= ? AND (end_t IS NULL OR end_t >= ?) "
            "ORDER BY start_t DESC LIMIT ?", (end, start, limit),
        )
        return [Run(row[0], row[1], row[2], row[3], row[4] or "") for row in rows]

    def running_seconds(self, start: float = -EVER, end: float = EVER) -> float:
        """Seconds that the fan ran within the span, from the runs; one that still lasts counts up to the last frame."""
        return float(self._rows(
            "WITH span AS (SELECT start_t AS a, coalesce(end_t, max(start_t, "
            "coalesce((SELECT max(t_ms) / 1000.0 FROM frames), start_t))) AS z, seconds FROM runs), "
            "inside AS (SELECT a, z, seconds, max(0.0, min(z, :end) - max(a, :start)) AS part FROM span "
            "WHERE a <= :end AND z >= :start) "
            "SELECT coalesce(sum(CASE WHEN seconds IS NULL OR z <= a THEN part ELSE seconds * part / (z - a) END), 0.0) "
            "FROM inside", {"start": start, "end": end},
        )[0][0])

    # -- alarms and notices -------------------------------------------------------------------------------------------

    def open_alarms(self) -> list[Alarm]:
        """Every alarm that is not back to normal, oldest first."""
        rows = self._rows(f"{ALARM_SELECT} WHERE state <> ? ORDER BY id", (AlarmState.NORMAL.value,))
        return [alarm_of(row) for row in rows]

    def alarms(self, start: float = -EVER, end: float = EVER, limit: int = 500) -> list[Alarm]:
        """Alarms raised within the span, newest first."""
        rows = self._rows(
            f"{ALARM_SELECT} WHERE raised_t >= ? AND raised_t <= ? ORDER BY raised_t DESC, id DESC LIMIT ?",
            (start, end, limit),
        )
        return [alarm_of(row) for row in rows]

    def alarm(self, alarm_id: int) -> Alarm | None:
        """One alarm."""
        rows = self._rows(f"{ALARM_SELECT} WHERE id = ?", (alarm_id,))
        return alarm_of(rows[0]) if rows else None

    def transitions(
        self, alarm_id: int | None = None, start: float = -EVER, end: float = EVER, limit: int = 1_000
    ) -> list[Step]:
        """The steps of one alarm (or of all), oldest first; of too many, the latest ``limit``."""
        rows = self._rows(
            "SELECT id, alarm_id, t, before, after, by, reason, finding FROM transitions "
            "WHERE (alarm_id = ? OR ? IS NULL) AND t >= ? AND t <= ? ORDER BY id DESC LIMIT ?",
            (alarm_id, alarm_id, start, end, limit),
        )
        return [step_of(row) for row in reversed(rows)]

    def notices(self, start: float = -EVER, end: float = EVER, limit: int = 200) -> list[Document]:
        """Notices with their outlet and state, newest first."""
        return self._documents(
            "SELECT notice_id, outlet, state, t, alarm_id, condition, place AS 'where', event, urgency, title, body, "
            "changed_t, tries FROM notices WHERE t >= ? AND t <= ? ORDER BY id DESC LIMIT ?", (start, end, limit),
        )

    # -- the record -----------------------------------------------------------------------------------------------------

    def journal(
        self, start: float = -EVER, end: float = EVER, limit: int = 1_000, *, kinds: Sequence[str] = (),
        removed: bool = False,
    ) -> list[JournalEntry]:
        """Journal entries within the span, newest first; of some ``kinds`` only; with those ``removed``, where asked."""
        marks = ",".join("?" * len(kinds))
        rows = self._rows(
            "SELECT id, t, kind, by, text, place, removed FROM journal WHERE t >= ? AND t <= ? AND removed <= ?"
            + (f" AND kind IN ({marks})" if kinds else "") + " ORDER BY t DESC, id DESC LIMIT ?",
            (start, end, int(removed), *kinds, limit),
        )
        changes: dict[int, list[Document]] = {}
        for row in self._rows("SELECT entry_id, t, by, what, before FROM journal_changes ORDER BY id"):
            changes.setdefault(row[0], []).append(
                {"t": row[1], "by": row[2], "what": row[3], "before": from_json(row[4])}
            )
        return [
            JournalEntry(
                row[0], row[1], row[2], row[3], escaped(row[4]), escaped(row[5]), bool(row[6]), tuple(changes.get(row[0], ()))
            )
            for row in rows
        ]

    def last_event(self, *kinds: str) -> JournalEntry | None:
        """The newest journal entry of one of ``kinds``."""
        found = self.journal(limit=1, kinds=kinds)
        return found[0] if found else None

    def baselines(self) -> list[Document]:
        """Every stored baseline without its document, newest first."""
        return self._documents("SELECT id, name, t FROM baselines ORDER BY t DESC, id DESC")

    def baseline(self, name: str) -> Document | None:
        """The newest baseline of that name: ``id``, ``name``, ``t`` and ``document``."""
        found = self._documents(
            "SELECT id, name, t, document FROM baselines WHERE name = ? ORDER BY t DESC, id DESC LIMIT 1", (name,)
        )
        return {**found[0], "document": from_json(found[0]["document"])} if found else None

    def state(self, name: str) -> Any | None:
        """The latest snapshot of learned state of that name."""
        rows = self._rows("SELECT document FROM states WHERE name = ?", (name,))
        return from_json(rows[0][0]) if rows else None

    def configurations(self) -> list[Document]:
        """Every configuration ever in force (``hash``, ``first_t``, ``last_t``, ``text``), newest first."""
        return self._documents("SELECT hash, first_t, last_t, text FROM configurations ORDER BY last_t DESC")

    def request(self, request_id: int) -> Request | None:
        """One request with its answer."""
        with self._connection() as connection:
            return requests.find(connection, request_id)

    def requests(self, limit: int = 50) -> list[Request]:
        """The latest requests, newest first."""
        with self._connection() as connection:
            return requests.recent(connection, limit)

    def facts(self) -> Document:
        """The file's size in bytes, the layout, and the time of the first and last frame."""
        wal = self.path.with_name(self.path.name + "-wal")
        with suppress(OSError):
            return {
                "path": str(self.path), "layout": self._rows("PRAGMA user_version")[0][0],
                "bytes": self.path.stat().st_size + (wal.stat().st_size if wal.exists() else 0),
                "first_t": self.first_t(), "last_t": self.last_t(),
            }
        raise StoreError(f"the database {self.path} cannot be reached")

    # -- inside -------------------------------------------------------------------------------------------------------

    def _rows(self, sql: str, parameters: Sequence[Any] | dict[str, Any] = ()) -> list[tuple[Any, ...]]:
        with self._connection() as connection:
            return connection.execute(sql, parameters).fetchall()

    def _documents(self, sql: str, parameters: Sequence[Any] = ()) -> list[Document]:
        with self._connection() as connection:
            cursor = connection.execute(sql, parameters)
            names = [column[0] for column in cursor.description]
            return [dict(zip(names, row, strict=True)) for row in cursor]
