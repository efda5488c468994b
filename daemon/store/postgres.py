"""Roll-ups and alarms, copied to a PostgreSQL database: for those who keep many shops in one place.

Our own store is the queue: a thread of its own reads there what is new, once a minute, and copies it over. A database that
is away for a month is caught up with when it is back, and nothing here can hold up the sensing, which does not know of it.
Copying twice does no harm (rows are replaced by their key). Needs the package psycopg: ``.venv/bin/pip install '.[postgres]'``.
"""

from __future__ import annotations

import importlib
import logging
import os
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import Any

from daemon.backoff import Backoff
from daemon.config.config import Config
from daemon.errors import OutletError, StoreError
from daemon.outlets.contract import OutletHealth
from daemon.store.reader import EVER, Reader
from daemon.store.schema import ROLLUP_COLUMNS, STORED, TABLES

LOG = logging.getLogger(__name__)

EVERY_S = 60.0
LOT = 200
AGAIN_S = 7_200.0
"""Roll-ups of the last two hours before the newest copied one are copied again: late frames may have changed them."""

SCHEMA = """
CREATE SCHEMA IF NOT EXISTS ductwarden;
CREATE TABLE IF NOT EXISTS ductwarden.rollups (
    shop text NOT NULL, series text NOT NULL, step_s integer NOT NULL, t timestamptz NOT NULL, n bigint NOT NULL,
    mean double precision, low double precision, high double precision, PRIMARY KEY (shop, series, step_s, t));
CREATE TABLE IF NOT EXISTS ductwarden.alarms (
    shop text NOT NULL, id bigint NOT NULL, raised timestamptz NOT NULL, condition text NOT NULL, place text NOT NULL,
    state text NOT NULL, urgency text NOT NULL, changed timestamptz NOT NULL, cleared timestamptz, acknowledged timestamptz,
    PRIMARY KEY (shop, id, raised));
"""
"""All SI, as in our own store; ``running_s`` has its seconds in ``mean``. Times are event time."""

_ROLLUP = (
    "INSERT INTO ductwarden.rollups VALUES (%s, %s, %s, %s, %s, %s, %s, %s) ON CONFLICT (shop, series, step_s, t) DO UPDATE "
    "SET n = excluded.n, mean = excluded.mean, low = excluded.low, high = excluded.high"
)
_ALARM = (
    "INSERT INTO ductwarden.alarms VALUES (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s) ON CONFLICT (shop, id, raised) DO UPDATE "
    "SET state = excluded.state, urgency = excluded.urgency, changed = excluded.changed, cleared = excluded.cleared, "
    "acknowledged = excluded.acknowledged"
)
_SERIES_AT = 3


class Mirror:
    """Copies the store at ``store`` for the shop named ``shop``. The connection string is read from a file or a variable
    whenever it connects; it is never kept or logged.
    """

    def __init__(
        self, store: Path, shop: str, file: Path | None = None, variable: str | None = None, every_s: float = EVERY_S
    ) -> None:
        self._store = store
        self._shop = shop
        self._file = file
        self._variable = variable
        self._every_s = every_s
        self._alarms_upto = -EVER
        self._thread: threading.Thread | None = None
        self.health = OutletHealth("postgres", "postgres", connected=False)

    @classmethod
    def of(cls, config: Config) -> Mirror | None:
        """The one that the configuration asks for, if it does."""
        table = config.file.store
        if table.postgres_file is None and table.postgres_env is None:
            return None
        file = None if table.postgres_file is None else config.at(table.postgres_file)
        return cls(config.at(table.file), config.file.shop.name, file, table.postgres_env)

    def start(self, stop: threading.Event) -> None:
        """Copy in a thread of its own until ``stop``."""
        self._thread = threading.Thread(target=self.run, args=(stop,), name="postgres", daemon=True)
        self._thread.start()

    def join(self) -> None:
        """Wait a moment for the thread's end."""
        if self._thread is not None:
            self._thread.join(3.0)

    def run(self, stop: threading.Event) -> None:
        """Copy what is new, again and again; trouble is waited out."""
        backoff = Backoff(stop, 5.0, 300.0)
        told = ""
        while not stop.is_set():
            try:
                self._session(stop, backoff)
            except (OutletError, StoreError) as error:
                words = str(error)
                self.health.connected, self.health.last_error = False, words
                self.health.failed += 1
                self.health.state = f"{words}; next try in {backoff.next_s():.0f} s"
                if words != told:
                    LOG.warning("postgres: %s", words)
                told = words
                backoff.wait()

    def _session(self, stop: threading.Event, backoff: Backoff) -> None:
        psycopg = _psycopg()
        try:
            with psycopg.connect(
                self._where(), connect_timeout=10, autocommit=True, options="-c statement_timeout=60000"
            ) as connection:
                connection.execute(SCHEMA)
                self.health.connected, self.health.state = True, "connected"
                while True:
                    self.copy(connection, stop)
                    backoff.reset()
                    if stop.wait(self._every_s):
                        return
        except psycopg.Error as error:
            raise OutletError(f"PostgreSQL: {' '.join(str(error).split()) or type(error).__name__}") from error

    def _where(self) -> str:
        """The connection string."""
        if self._file is not None:
            try:
                return self._file.read_text(encoding="utf-8").strip()
            except (OSError, ValueError) as error:
                raise OutletError(f"postgres_file {self._file} cannot be read: {error}") from error
        text = os.environ.get(self._variable or "")
        if text is None:
            raise OutletError(f"the environment variable {self._variable} (postgres_env) is not set")
        return text

    def copy(self, connection: Any, stop: threading.Event) -> int:
        """Copy everything that is new; returns the number of rows sent."""
        reader = Reader(self._store)
        sent = 0
        try:
            for table, step_s in (("minutes", 60), ("hours", 3600)):
                (newest,) = connection.execute(
                    "SELECT extract(epoch FROM max(t)) FROM ductwarden.rollups WHERE shop = %s AND step_s = %s",
                    (self._shop, step_s),
                ).fetchone()
                since = -EVER if newest is None else float(newest) - AGAIN_S
                rows = self._rollups(reader, table, step_s, since)
                while not stop.is_set() and (lot := list(islice(rows, LOT * len(STORED)))):
                    _send(connection, _ROLLUP, lot)
                    sent += len(lot)
            alarms = list(self._alarms(reader))
            _send(connection, _ALARM, [row for row, _ in alarms])
            self._alarms_upto = max((changed for _, changed in alarms), default=self._alarms_upto)
            sent += len(alarms)
        finally:
            reader.close()
        self.health.delivered += sent
        return sent

    def _rollups(self, reader: Reader, table: str, step_s: int, since: float) -> Iterator[tuple[Any, ...]]:
        for row in reader.table_rows(table, "t_ms", since):
            t = _time(row[0] / 1000.0)
            yield self._shop, "running_s", step_s, t, row[1], row[2], None, None
            for number, name in enumerate(STORED):
                at = _SERIES_AT + 4 * number
                if row[at]:
                    yield self._shop, name, step_s, t, *row[at: at + 4]

    def _alarms(self, reader: Reader) -> Iterator[tuple[tuple[Any, ...], float]]:
        names = TABLES["alarms"]
        for values in reader.table_rows("alarms", "changed_t", self._alarms_upto):
            row = dict(zip(names, values, strict=True))
            yield (
                self._shop, row["id"], _time(row["raised_t"]), row["condition"], row["place"], row["state"], row["urgency"],
                _time(row["changed_t"]), _time(row["cleared_t"]), _time(row["acknowledged_t"]),
            ), row["changed_t"]


def _send(connection: Any, sql: str, rows: list[tuple[Any, ...]]) -> None:
    if rows:
        with connection.transaction(), connection.cursor() as cursor:
            cursor.executemany(sql, rows)


def _time(t: float | None) -> datetime | None:
    return None if t is None else datetime.fromtimestamp(t, UTC)


def _psycopg() -> Any:
    try:
        return importlib.import_module("psycopg")
    except ImportError as error:
        raise OutletError("the package psycopg is not installed: .venv/bin/pip install '.[postgres]'") from error


assert ROLLUP_COLUMNS[:_SERIES_AT] == ("t_ms", "n", "running_s")
