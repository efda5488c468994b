"""Making and migrating the database: ordered steps in one named set, each in one transaction with its own record.

The steps are made with sqlite-utils, whose import is heavy; so a daemon that starts looks at the version with the plain
``sqlite3`` module and only when something is to be done runs ``python -m daemon.store.migrate PATH`` as a process of its
own. A step, its record in ``_sqlite_migrations`` and the new ``user_version`` are one transaction: after a crash a step
was either taken whole or not at all.

A step that was released is never edited: a change of the layout is a new step at the end of :data:`STEPS`.
"""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import time
from codecs import getincrementaldecoder
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daemon.errors import StoreError
from daemon.store.connection import keep_private, side_files, store_error, trouble
from daemon.store.schema import APPLICATION_ID, VERSION

if TYPE_CHECKING:
    from sqlite_utils import Database

SET_NAME = "ductwarden"
STEP_TIMEOUT_S = 600.0
LONG_TABLES = ("frames", "minutes", "hours")

_SERIES_V1 = (
    "inlet_pa", "filter_pa", "motor_a", "pitot_pa", "bag_level", "exhaust_ugm3", "air_c", "air_rh", "barometer_pa",
    "line_v", "motor_c", "flow_m3s", "flow_sd", "filter_drag", "drag_ratio", "flow_lost", "duct_resistance", "along",
    "off", "air_density_kgm3", "expected_inlet_pa", "expected_inlet_sd", "expected_filter_pa", "expected_filter_sd",
    "expected_motor_a", "expected_motor_sd",
)


def first_layout(db: Database) -> None:
    """Frames, roll-ups, runs, alarms, journal, notices, baselines, configurations, documents and requests."""
    db.execute(f"PRAGMA application_id={APPLICATION_ID}")
    frame: dict[str, Any] = {"t_ms": int, "state": int, "gates": str, "quality": str}
    db.table("frames").create({**frame, **dict.fromkeys(_SERIES_V1, float)}, pk="t_ms", not_null={"state"})
    rollup: dict[str, Any] = {"t_ms": int, "n": int, "running_s": float}
    for name in _SERIES_V1:
        rollup |= {f"{name}_n": int, f"{name}_mean": float, f"{name}_min": float, f"{name}_max": float}
    for table in ("minutes", "hours"):
        db.table(table).create(rollup, pk="t_ms", not_null={"n", "running_s"})
    db.table("rollup_due").create({"t_ms": int}, pk="t_ms")
    db.table("clock_steps").create({"id": int, "before_t": float, "after_t": float}, pk="id")
    db.table("runs").create(
        {"id": int, "start_t": float, "end_t": float, "seconds": float, "reason": str}, pk="id", not_null={"start_t"}
    ).create_index(["start_t"])
    db.table("alarms").create(
        {
            "id": int, "condition": str, "place": str, "state": str, "urgency": str, "raised_t": float, "since_t": float,
            "changed_t": float, "cleared_t": float, "acknowledged_t": float, "shelved_until_t": float,
            "suppressed_by": str, "by": str, "finding": str,
        },
        pk="id", not_null={"condition", "place", "state", "finding"},
    ).create_index(["raised_t"])
    db.table("alarms").create_index(["state"])
    db.table("transitions").create(
        {
            "id": int, "alarm_id": int, "t": float, "before": str, "after": str, "by": str, "reason": str,
            "finding": str,
        },
        pk="id", not_null={"alarm_id", "t", "before", "after"},
    ).create_index(["alarm_id"])
    db.table("transitions").create_index(["t"])
    db.table("journal").create(
        {"id": int, "t": float, "kind": str, "by": str, "text": str, "place": str, "removed": int},
        pk="id", not_null={"t", "kind", "removed"},
    ).create_index(["t"])
    db.table("journal_changes").create(
        {"id": int, "entry_id": int, "t": float, "by": str, "what": str, "before": str}, pk="id",
        not_null={"entry_id", "what", "before"},
    ).create_index(["entry_id"])
    db.table("notices").create(
        {
            "id": int, "notice_id": str, "outlet": str, "state": str, "t": float, "alarm_id": int, "condition": str,
            "place": str, "event": str, "urgency": str, "title": str, "body": str, "changed_t": float, "tries": int,
        },
        pk="id", not_null={"notice_id", "outlet", "state"},
    ).create_index(["notice_id", "outlet"], unique=True)
    db.table("notices").create_index(["state"])
    db.table("baselines").create({"id": int, "name": str, "t": float, "document": str}, pk="id",
                                 not_null={"name", "t", "document"}).create_index(["name", "t"])
    db.table("configurations").create({"hash": str, "text": str, "first_t": float, "last_t": float}, pk="hash",
                                      not_null={"text"})
    db.table("statuses").create({"name": str, "t": float, "wall_t": float, "document": str}, pk="name",
                                not_null={"document"})
    db.table("states").create({"name": str, "t": float, "document": str}, pk="name", not_null={"document"})
    db.table("requests").create(
        {
            "id": int, "kind": str, "payload": str, "by": str, "asked_wall_t": float, "done": int, "accepted": int,
            "result": str, "done_t": float,
        },
        pk="id", not_null={"kind", "payload", "by", "done"},
    ).create_index(["done", "id"])
    db.table("meta").create({"key": str, "value": str}, pk="key")


STEPS: tuple[Callable[[Database], None], ...] = (first_layout,)
"""Every step, oldest first."""


@dataclass(frozen=True, slots=True)
class SchemaReport:
    """What :func:`ensure_schema` found and did. ``words`` is for the log; ``set_aside`` names a damaged database that was
    put out of the way (``why`` says what was wrong with it): the daemon must say so loudly."""

    created: bool
    migrated_from: int | None
    set_aside: Path | None
    why: str
    words: str


def ensure_schema(path: Path, *, stamp: str | None = None, here: bool = False) -> SchemaReport:
    """Make sure that ``path`` is a sound database of the present layout.

    A missing one is made, an older one migrated, a damaged one set aside under a dated name (``stamp``, default the
    computer's date and time) and a new one begun. A newer one, one of another program, or one that cannot be opened
    raises :class:`StoreError` and stays untouched. A database that was not closed properly is checked page by page.
    ``here`` migrates in this process instead of one of its own (for tests and tools).
    """
    path = Path(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(f"the folder of the database, {path.parent}, cannot be made: {error.strerror}") from error
    if path.is_dir():
        raise StoreError(f"{path} is a folder; the database must be a file")
    set_aside, why, version = None, "", 0
    if not path.exists() and any(file.exists() for file in side_files(path)):
        put_aside(path, "left", stamp, without_database=True)  # of a database that was taken away
    with suppress(OSError):  # told when it is opened
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600))
    if path.exists() and path.stat().st_size > 0:
        version, why = _inspect(path)
        if why:
            keep_private(path)
            set_aside = put_aside(path, "damaged", stamp)
            version = 0
            os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600))
    if version > VERSION:
        raise StoreError(
            f"the database {path} has layout {version}, but this program knows layouts up to {VERSION}; "
            "it was written by a newer program: use that, or another file"
        )
    if version < VERSION:
        migrate(path) if here else _migrate_elsewhere(path)
    created = version == 0
    words = f"database {path}: layout {VERSION}"
    if set_aside is not None:
        words = f"the database was damaged ({why}); it was set aside as {set_aside} and a new one was begun at {path}"
    elif created:
        words += ", new"
    elif version < VERSION:
        words += f", migrated from {version}"
    return SchemaReport(created, version if 0 < version < VERSION else None, set_aside, why, words)


def migrate(path: Path, steps: Sequence[Callable[[Database], None]] = STEPS) -> None:
    """Take every step that the database at ``path`` has not taken yet, in this process. Raises :class:`StoreError`."""
    # sqlite-utils loads pandas where it is installed, for nothing that is needed here.
    hidden = "pandas" not in sys.modules
    if hidden:
        sys.modules["pandas"] = None  # type: ignore[assignment]
    try:
        from sqlite_utils import Database, Migrations
    finally:
        if hidden:
            sys.modules.pop("pandas", None)
    step_set = Migrations(SET_NAME)
    for number, step in enumerate(steps, start=1):
        step_set(name=step.__name__)(_with_version(step, number))
    try:
        connection = sqlite3.connect(path, timeout=10.0)
    except sqlite3.Error as error:
        raise store_error(error, path) from error
    try:
        connection.execute("PRAGMA journal_mode=WAL")
        step_set.apply(Database(connection))
    except sqlite3.Error as error:
        raise store_error(error, path) from error
    finally:
        connection.close()


def _with_version(step: Callable[[Database], None], number: int) -> Callable[[Database], None]:
    def numbered(db: Database) -> None:
        step(db)
        db.execute(f"PRAGMA user_version={number}")

    return numbered


def _migrate_elsewhere(path: Path) -> None:
    root = Path(__file__).resolve().parents[2]
    search = os.pathsep.join([str(root), *filter(None, [os.environ.get("PYTHONPATH")])])
    try:
        done = subprocess.run(
            [sys.executable, "-m", "daemon.store.migrate", str(path)], capture_output=True, text=True,
            timeout=STEP_TIMEOUT_S, env={**os.environ, "PYTHONPATH": search}, check=False,
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise StoreError(f"the database {path} could not be made or migrated: {error}") from error
    if done.returncode != 0:
        lines = done.stderr.strip().splitlines() or ["no reason was given"]
        raise StoreError(f"the database {path} could not be made or migrated: {lines[-1]}")


def _inspect(path: Path) -> tuple[int, str]:
    """Layout version of an existing file and, where it is damaged, in what way. Raises for what is not ours to judge."""
    connection: sqlite3.Connection | None = None
    try:
        connection = sqlite3.connect(f"{path.resolve().as_uri()}?mode=rw", uri=True, timeout=10.0)
        (application,) = connection.execute("PRAGMA application_id").fetchone()
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        (tables,) = connection.execute(
            "SELECT count(*) FROM sqlite_master WHERE type='table' AND name NOT LIKE '\\_sqlite\\_%' ESCAPE '\\'"
        ).fetchone()
        if application != APPLICATION_ID:
            if tables or application:
                raise StoreError(f"{path} is a database of another program; name another file in store.file")
            return 0, ""
        if version > VERSION:
            return version, ""
        return version, _damage(connection, all_of_it=not _closed_properly(connection))
    except sqlite3.Error as error:
        if trouble(error) == "damaged":
            if _is_text(path):
                # A slip of the pen in a command or in store.file: a configuration or a recording is not ours to move away.
                raise StoreError(f"{path} is a text, no database; name another file") from error
            return 0, str(error)
        raise store_error(error, path) from error
    finally:
        if connection is not None:
            connection.close()


def _damage(connection: sqlite3.Connection, *, all_of_it: bool) -> str:
    """What is wrong with a database, "" where it is sound. After a proper close the long tables are left out, but for their
    ends: the start needs no more of them, and page by page they take minutes on a card.
    """
    checks = ["PRAGMA quick_check(1)"]
    if not all_of_it:
        short = [name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        checks = [f"PRAGMA quick_check('{name}')" for name in short if name not in LONG_TABLES]
        for name in LONG_TABLES:
            connection.execute(f"SELECT * FROM {name} ORDER BY t_ms DESC LIMIT 100").fetchall()
            connection.execute(f"SELECT * FROM {name} ORDER BY t_ms LIMIT 1").fetchall()
    for check in checks:
        (verdict,) = connection.execute(check).fetchone()
        if verdict != "ok":
            return str(verdict).splitlines()[-1]
    return ""


def _is_text(path: Path) -> bool:
    """Whether it is lines of text, which no damage makes of a database."""
    try:
        with path.open("rb") as file:
            head = file.read(4096)
        # What was cut off within a character is no fault.
        getincrementaldecoder("utf-8")().decode(head)
    except (OSError, UnicodeDecodeError):
        return False
    return b"\n" in head and b"\0" not in head


def _closed_properly(connection: sqlite3.Connection) -> bool:
    try:
        row = connection.execute("SELECT value FROM meta WHERE key='closed'").fetchone()
    except sqlite3.OperationalError:
        return False
    return row is not None and row[0] == "1"


def put_aside(path: Path, word: str, stamp: str | None = None, *, without_database: bool = False) -> Path:
    """Rename a database (with its side files, or these alone) to ``NAME.WORD-STAMP.db`` beside it; returns the new name."""
    stamp = stamp or time.strftime("%Y%m%d-%H%M%S", time.gmtime())
    target = path.with_name(f"{path.stem}.{word}-{stamp}{path.suffix}")
    count = 1
    while target.exists():
        count += 1
        target = path.with_name(f"{path.stem}.{word}-{stamp}-{count}{path.suffix}")
    try:
        for old, new in list(zip((path, *side_files(path)), (target, *side_files(target)), strict=True))[without_database:]:
            if old.exists():
                old.rename(new)
    except OSError as error:
        raise StoreError(f"{path} could not be set aside as {target}: {error.strerror}") from error
    return target


def main(arguments: list[str] | None = None) -> int:
    """``python -m daemon.store.migrate PATH``."""
    words = sys.argv[1:] if arguments is None else arguments
    if len(words) != 1:
        print("usage: python -m daemon.store.migrate PATH", file=sys.stderr)
        return 2
    try:
        migrate(Path(words[0]))
    except StoreError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    return 0


if __name__ == "__main__":
    sys.exit(main())
