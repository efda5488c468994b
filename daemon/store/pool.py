"""A small pool of read-only connections, for several threads at a time."""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from daemon.errors import StoreError
from daemon.store.connection import open_readonly, store_error
from daemon.store.schema import VERSION

MOST_IDLE = 2


class ReadPool:
    """Read-only connections to the database at ``path``, opened anew where the file was replaced."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.Lock()
        self._idle: list[sqlite3.Connection] = []
        self._file: tuple[int, int] | None = None
        self._closed = False

    def close(self) -> None:
        """Close every connection."""
        with self._lock:
            self._closed = True
            idle, self._idle = self._idle, []
        for connection in idle:
            connection.close()

    @contextmanager
    def connection(self) -> Iterator[sqlite3.Connection]:
        """A connection of the pool, in one read transaction, so that all queries inside see the same moment."""
        connection, file = self._take()
        sound = False
        try:
            connection.execute("BEGIN")
            try:
                yield connection
                sound = True
            finally:
                connection.execute("ROLLBACK")
        except sqlite3.Error as error:
            raise store_error(error, self.path) from error
        finally:
            self._give(connection, file, sound)

    def _take(self) -> tuple[sqlite3.Connection, tuple[int, int]]:
        try:
            stat = os.stat(self.path)
        except OSError as error:
            raise StoreError(
                f"there is no database at {self.path}; it is made when the daemon first runs"
            ) from error
        file = (stat.st_dev, stat.st_ino)
        stale: list[sqlite3.Connection] = []
        with self._lock:
            if self._closed:
                raise StoreError("the reader is closed")
            if file != self._file:
                stale, self._idle, self._file = self._idle, [], file
            connection = self._idle.pop() if self._idle else None
        for old in stale:
            old.close()
        return (connection if connection is not None else self._open()), file

    def _open(self) -> sqlite3.Connection:
        connection = open_readonly(self.path)
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        if version != VERSION:
            connection.close()
            raise StoreError(f"the database {self.path} has layout {version}, this program reads {VERSION}")
        return connection

    def _give(self, connection: sqlite3.Connection, file: tuple[int, int], sound: bool) -> None:
        with self._lock:
            if sound and not self._closed and file == self._file and len(self._idle) < MOST_IDLE:
                self._idle.append(connection)
                return
        connection.close()
