"""Opening the database file, and turning SQLite's errors into sentences.

Durability. The file is in WAL mode. An ordinary commit does not wait for the disk (``synchronous=NORMAL``): whatever
ends the process, SIGKILL included, loses nothing that was committed. A power cut loses what was not yet synced, so the
writer syncs one commit in ``sync_every_s`` and every commit that carries an alarm, a journal entry or an answer.
"""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Literal

from daemon.errors import DamagedStore, StoreError
from daemon.store.schema import VERSION

WRITER_BUSY_S = 0.5
"""The writer waits this long for another program's short write before it tries again later: the loop must go on."""
READER_BUSY_S = 2.0
WRITER_CACHE_KIB, READER_CACHE_KIB = 1_000, 500
"""The system keeps the file's pages in its own cache; what SQLite keeps besides counts as memory of the daemon, for ever and
for each connection."""
CHECKPOINT_PAGES = 256
"""The write-ahead log goes back into the database after this many pages: small steps, so that no commit takes long."""

_FULL = {sqlite3.SQLITE_FULL}
_DAMAGED = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}
_BUSY = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}
_ENVIRONMENT = {
    sqlite3.SQLITE_IOERR, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM, sqlite3.SQLITE_NOMEM,
    sqlite3.SQLITE_NOLFS,
}

Trouble = Literal["full", "damaged", "busy", "environment", "data"]


def trouble(error: sqlite3.Error) -> Trouble:
    """What kind of trouble an error of SQLite is: the disk is full, the file damaged, another one writes just now, the
    disk or its permissions fail, or else the data (or our own statement) was wrong."""
    code = getattr(error, "sqlite_errorcode", None)
    primary = None if code is None else code & 0xFF
    if primary in _FULL:
        return "full"
    if primary in _DAMAGED:
        return "damaged"
    if primary in _BUSY:
        return "busy"
    if primary in _ENVIRONMENT:
        return "environment"
    return "data"


def in_words(error: sqlite3.Error, path: Path) -> str:
    """A sentence for the owner."""
    kind = trouble(error)
    if kind == "full":
        return f"the disk that holds {path} is full; free some room"
    if kind == "damaged":
        return f"the database {path} is damaged ({error})"
    if kind == "busy":
        return f"another program holds the database {path} ({error})"
    if kind == "environment":
        return f"the database {path} cannot be written or read ({error}); look at the disk and at the file's permissions"
    return f"the database {path} refused a statement ({error})"


def store_error(error: sqlite3.Error, path: Path) -> StoreError:
    """The error to raise for one of SQLite's."""
    return (DamagedStore if trouble(error) == "damaged" else StoreError)(in_words(error, path))


def keep_private(path: Path) -> None:
    """Nobody but its owner may read the record: the file, and what stands beside it while it is open."""
    for file in (path, *side_files(path)):
        with suppress(OSError):
            if file.stat().st_mode & 0o077:
                file.chmod(0o600)


def open_writable(path: Path) -> sqlite3.Connection:
    """A connection that may write, with our settings; transactions are begun by hand.

    Raises :class:`StoreError` where the file cannot be opened.
    """
    try:
        keep_private(path)
        connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=WRITER_BUSY_S)
    except sqlite3.Error as error:
        raise store_error(error, path) from error
    try:
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=NORMAL")
        connection.execute(f"PRAGMA wal_autocheckpoint={CHECKPOINT_PAGES}")
        connection.execute("PRAGMA journal_size_limit=4194304")
        connection.execute(f"PRAGMA cache_size=-{WRITER_CACHE_KIB}")
        connection.execute("PRAGMA temp_store=MEMORY")
    except sqlite3.Error as error:
        connection.close()
        raise store_error(error, path) from error
    return connection


def open_readonly(path: Path) -> sqlite3.Connection:
    """A connection that cannot write. Raises :class:`StoreError` where there is no readable database.

    Reading a database in WAL mode needs its side files; where the folder is read-only and nobody writes, the file is
    opened as one that does not change.
    """
    if not path.exists():
        raise StoreError(f"there is no database at {path}; it is made when the daemon first runs")
    uri = path.resolve().as_uri()
    wal = path.with_name(path.name + "-wal")
    last: sqlite3.Error | None = None
    for query in ("mode=ro", "mode=ro&immutable=1"):
        if "immutable" in query and wal.exists() and wal.stat().st_size > 0:
            break
        connection: sqlite3.Connection | None = None
        try:
            connection = sqlite3.connect(
                f"{uri}?{query}", uri=True, isolation_level=None, check_same_thread=False, timeout=READER_BUSY_S
            )
            connection.execute("PRAGMA query_only=ON")
            connection.execute(f"PRAGMA cache_size=-{READER_CACHE_KIB}")
            connection.execute("PRAGMA temp_store=MEMORY")
            connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
            return connection
        except sqlite3.Error as error:
            last = error
            if connection is not None:
                connection.close()
            if trouble(error) != "environment":
                break
    assert last is not None
    raise store_error(last, path) from last


def side_files(path: Path) -> tuple[Path, Path]:
    """The write-ahead log and the shared-memory index that stand beside an open database."""
    return path.with_name(path.name + "-wal"), path.with_name(path.name + "-shm")


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
