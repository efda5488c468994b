"""Backup and restore: a verified copy of the whole database, taken while the daemon runs.

The copy is one moment of the database: it is made with SQLite's backup interface inside one read transaction, which
neither waits for the writer nor makes it wait. It is written under a temporary name, checked page by page, synced, and
only then given its name; so a file with the name of a backup is always a whole one.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from daemon.errors import StoreError
from daemon.store.connection import in_words, open_readonly, side_files, store_error, trouble
from daemon.store.lock import StoreLock
from daemon.store.migrate import put_aside
from daemon.store.schema import APPLICATION_ID, VERSION

STEP_PAGES = 1_024

Progress = Callable[[str], object]


@dataclass(frozen=True, slots=True)
class BackupReport:
    """What a backup holds: its size, layout, number of raw frames, and times of the first and last."""

    path: Path
    bytes: int
    layout: int
    frames: int
    first_t: float | None
    last_t: float | None


def backup(source: Path, target: Path, *, overwrite: bool = False, progress: Progress = str) -> BackupReport:
    """Copy the database ``source`` to ``target`` and verify the copy. ``progress`` hears how far it is.

    Raises :class:`StoreError` where there is no database, ``target`` exists (unless ``overwrite``), the disk is full, or
    the copy does not pass its check; ``target`` is then untouched.
    """
    source, target = Path(source), Path(target)
    if target.exists() and (not overwrite or target.is_dir() or os.path.samefile(source, target)):
        raise StoreError(f"{target} exists already; name another file")
    part = target.with_name(target.name + ".part")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        part.unlink(missing_ok=True)
        with closing(open_readonly(source)) as reading:
            # An open read transaction keeps the copy to one moment; without it every commit of the daemon would make
            # the copy begin again.
            reading.execute("BEGIN")
            reading.execute("SELECT count(*) FROM sqlite_master").fetchone()
            os.close(os.open(part, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600))
            with closing(sqlite3.connect(part, isolation_level=None)) as writing:
                reading.backup(
                    writing, pages=STEP_PAGES, sleep=0.01,
                    progress=lambda _, left, total: progress(f"copying: {1.0 - left / max(total, 1):.0%}"),
                )
                # A file of its own, without the side files of a database in use.
                writing.execute("PRAGMA journal_mode=DELETE")
            reading.execute("ROLLBACK")
        progress("checking the copy")
        report = verify(part)
        with open(part, "rb+") as file:
            os.fsync(file.fileno())
        os.replace(part, target)
        _sync_folder(target.parent)
    except sqlite3.Error as error:
        raise StoreError(f"the backup failed: {in_words(error, part if trouble(error) == 'full' else source)}") from error
    except OSError as error:
        raise StoreError(f"the backup failed: {target}: {error.strerror}") from error
    finally:
        for leftover in (part, *side_files(part)):
            with suppress(OSError):
                leftover.unlink(missing_ok=True)
    return BackupReport(target, report.bytes, report.layout, report.frames, report.first_t, report.last_t)


def verify(path: Path) -> BackupReport:
    """Check a backup through and through (SQLite's ``integrity_check``) and say what it holds.

    Raises :class:`StoreError` where it is damaged, no database of ours, or of a newer layout.
    """
    with closing(open_readonly(path)) as connection:
        try:
            (application,) = connection.execute("PRAGMA application_id").fetchone()
            (version,) = connection.execute("PRAGMA user_version").fetchone()
            if application != APPLICATION_ID:
                raise StoreError(f"{path} is no database of this program")
            if version > VERSION:
                raise StoreError(f"{path} has layout {version}, but this program knows layouts up to {VERSION}")
            (verdict,) = connection.execute("PRAGMA integrity_check(1)").fetchone()
            if verdict != "ok":
                raise StoreError(f"{path} is damaged: {verdict}")
            frames, first, last = connection.execute("SELECT count(*), min(t_ms), max(t_ms) FROM frames").fetchone()
        except sqlite3.Error as error:
            raise store_error(error, path) from error
    return BackupReport(
        path, path.stat().st_size, version, frames, None if first is None else first / 1000.0,
        None if last is None else last / 1000.0,
    )


def restore(source: Path, path: Path, *, stamp: str | None = None) -> Path | None:
    """Put the backup ``source`` in the place of the database ``path``, after verifying it.

    A database that stands there is kept under a dated name, which is returned. Raises :class:`StoreError` where the
    backup does not pass its check or the disk is full, and :class:`AlreadyRunning` while a daemon works on ``path``.
    """
    source, path = Path(source), Path(path)
    part = path.with_name(path.name + ".part")
    with StoreLock(path):
        try:
            if path.exists() and os.path.samefile(source, path):
                raise StoreError(f"{source} is the database itself")
            verify(source)
            shutil.copyfile(source, part)
            part.chmod(0o600)
            verify(part)
            with open(part, "rb+") as file:
                os.fsync(file.fileno())
            kept = put_aside(path, "replaced", stamp) if path.exists() else None
            for leftover in side_files(path):
                leftover.unlink(missing_ok=True)
            os.replace(part, path)
            _sync_folder(path.parent)
        except OSError as error:
            raise StoreError(f"{source} could not be restored to {path}: {error.strerror}") from error
        finally:
            for leftover in (part, *side_files(part)):
                with suppress(OSError):
                    leftover.unlink(missing_ok=True)
    return kept


def _sync_folder(folder: Path) -> None:
    fd = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
