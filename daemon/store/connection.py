"""Opening the database file, and turning SQLite's errors into sentences.

Durability. The file is in WAL mode. An ordinary commit does not wait for the disk (``synchronous=NORMAL``): whatever
ends the process, SIGKILL included, loses nothing that was committed. A power cut loses what was not yet synced, so the
writer syncs one commit in ``sync_every_s`` and every commit that carries an alarm, a journal entry or an answer.
"""

from __future__ import annotations

import sqlite3
from contextlib import suppress
from pathlib import Path
from typing import Literal

from daemon.errors import DamagedStore, StoreError

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
