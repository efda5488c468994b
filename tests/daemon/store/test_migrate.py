"""Making, migrating and refusing databases. SQLite itself is the judge: its catalogue, its checks, its transactions."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from sqlite_utils import Database

from analysis.readings import CHANNELS
from daemon.errors import StoreError
from daemon.store.migrate import STEPS, ensure_schema, migrate
from daemon.store.schema import APPLICATION_ID, STORED, TABLES, VERSION
from tests.daemon.store.making import NINE, frame, new_writer


def columns(path: Path, table: str) -> tuple[str, ...]:
    with closing(sqlite3.connect(path)) as db:
        return tuple(row[1] for row in db.execute(f"PRAGMA table_info({table})"))


def pragma(path: Path, name: str) -> object:
    with closing(sqlite3.connect(path)) as db:
        return db.execute(f"PRAGMA {name}").fetchone()[0]


def test_a_new_database_has_the_tables_and_columns_that_the_schema_names(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "shop.db"
    report = ensure_schema(path, here=True)
    assert report.created
    assert report.set_aside is None
    assert {table: columns(path, table) for table in TABLES} == TABLES
    assert pragma(path, "user_version") == VERSION == len(STEPS)
    assert pragma(path, "application_id") == APPLICATION_ID
    assert pragma(path, "journal_mode") == "wal"
    assert pragma(path, "integrity_check") == "ok"


def test_every_channel_has_a_column() -> None:
    assert set(CHANNELS) <= set(STORED)


def test_each_step_is_recorded_by_its_name(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db:
        rows = db.execute("SELECT migration_set, name FROM _sqlite_migrations ORDER BY id").fetchall()
    assert rows == [("ductwarden", step.__name__) for step in STEPS]


def test_a_current_database_is_left_alone(path: Path) -> None:
    before = path.read_bytes()
    report = ensure_schema(path)
    assert (report.created, report.migrated_from, report.set_aside) == (False, None, None)
    assert path.read_bytes() == before


def test_the_daemon_makes_it_in_a_process_of_its_own_and_loads_neither_sqlite_utils_nor_pandas(tmp_path: Path) -> None:
    program = (
        "import sys; from pathlib import Path; from daemon.store.migrate import ensure_schema;"
        f"r = ensure_schema(Path({str(tmp_path / 'x.db')!r})); assert r.created;"
        "print([m for m in ('sqlite_utils', 'pandas') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.strip() == "[]"
    assert pragma(tmp_path / "x.db", "user_version") == VERSION


def second(db: Database) -> None:
    db.execute("ALTER TABLE frames ADD COLUMN second REAL")
    db.execute("INSERT INTO meta(key, value) VALUES ('second', 'taken')")


def breaks_half_way(db: Database) -> None:
    db.execute("ALTER TABLE frames ADD COLUMN third REAL")
    db.execute("UPDATE meta SET value = 'half' WHERE key = 'second'")
    db.execute("INSERT INTO no_such_table VALUES (1)")


def test_a_step_that_fails_leaves_nothing_behind_and_the_steps_before_it_stay(path: Path) -> None:
    with pytest.raises(StoreError, match="no_such_table"):
        migrate(path, (*STEPS, second, breaks_half_way))
    assert columns(path, "frames")[-1] == "second"
    assert pragma(path, "user_version") == 2
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("SELECT value FROM meta WHERE key = 'second'").fetchone() == ("taken",)
        names = [row[0] for row in db.execute("SELECT name FROM _sqlite_migrations ORDER BY id")]
    assert names == [STEPS[0].__name__, "second"]


def test_an_interrupted_migration_is_taken_up_again(path: Path) -> None:
    migrate(path, (*STEPS, second))
    migrate(path, (*STEPS, second))
    assert columns(path, "frames").count("second") == 1


def test_a_database_of_a_newer_program_is_refused_and_not_touched(path: Path) -> None:
    migrate(path, (*STEPS, second))
    before = path.read_bytes()
    with pytest.raises(StoreError, match=rf"layout {VERSION + 1}.*up to {VERSION}"):
        ensure_schema(path, here=True)
    assert path.read_bytes() == before
    assert list(path.parent.glob("*damaged*")) == []


def test_a_database_of_another_program_is_refused_and_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "recipes.db"
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE recipe(name)")
        db.commit()
    before = path.read_bytes()
    with pytest.raises(StoreError, match="another program"):
        ensure_schema(path, here=True)
    assert path.read_bytes() == before


def filled(path: Path) -> Path:
    writer = new_writer(path)
    for k in range(2_000):
        writer.frame(frame(NINE + k), None)
    writer.flush()
    writer._committer.abandon()  # ends without closing properly, as after a crash
    return path


@pytest.mark.parametrize(
    ("offset", "junk"),
    [(0, b"not a database at all, just text from some other file...."), (4096, b"\xff" * 4096 * 3)],
    ids=["header", "pages"],
)
def test_a_damaged_database_is_set_aside_under_a_dated_name_and_a_new_one_begun(
    path: Path, offset: int, junk: bytes
) -> None:
    filled(path)
    with open(path, "r+b") as file:
        file.seek(offset)
        file.write(junk)
    damaged = path.read_bytes()
    report = ensure_schema(path, stamp="20260302-090000", here=True)
    assert report.set_aside == path.with_name("shop.damaged-20260302-090000.db")
    assert report.set_aside.read_bytes()[offset: offset + len(junk)] == junk
    assert len(report.set_aside.read_bytes()) >= len(damaged)
    assert "damaged" in report.words
    assert str(report.set_aside) in report.words
    assert report.created
    assert pragma(path, "integrity_check") == "ok"
    assert {table: columns(path, table) for table in TABLES} == TABLES


def test_two_damaged_databases_on_one_day_keep_two_names(path: Path) -> None:
    names = set()
    for _ in range(2):
        path.write_bytes(b"junk" * 500)
        names.add(ensure_schema(path, stamp="20260302-090000", here=True).set_aside)
    assert len(names) == 2
    assert all(name is not None and name.exists() for name in names)


def test_a_text_in_its_place_is_refused_and_stays(path: Path) -> None:
    path.write_text("# The shop\n[shop]\nname = \"B\u00f6ttcher\"\n" * 200)
    written = path.read_bytes()
    with pytest.raises(StoreError, match="is a text, no database"):
        ensure_schema(path, here=True)
    assert path.read_bytes() == written


def test_an_empty_file_is_no_damage(tmp_path: Path) -> None:
    path = tmp_path / "shop.db"
    path.touch()
    report = ensure_schema(path, here=True)
    assert (report.created, report.set_aside) == (True, None)


def test_a_folder_in_its_place_is_refused(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="is a folder"):
        ensure_schema(tmp_path, here=True)


def test_the_program_by_itself_says_what_is_wrong(tmp_path: Path) -> None:
    path = tmp_path / "shop.db"
    path.mkdir()
    done = subprocess.run(
        [sys.executable, "-m", "daemon.store.migrate", str(path)], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == StoreError.exit_code
    assert "cannot be written or read" in done.stderr
