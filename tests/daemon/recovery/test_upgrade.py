"""An old database of every released layout becomes a present one with everything in it.

When a layout is released: ``python -m tests.support.released`` writes its database down, for all programs to come.
"""

from __future__ import annotations

import signal
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from analysis.events import EventKind, ShopEvent
from daemon.store.migrate import STEPS, ensure_schema, migrate
from daemon.store.reader import Reader
from daemon.store.schema import VERSION
from daemon.store.writer import Writer
from tests.daemon.store.making import NINE, frame
from tests.support.broker import free_port
from tests.support.daemon_process import DaemonProcess, shop_file
from tests.support.released import counts_of, layout_file, make_from, schema_of

if TYPE_CHECKING:
    from sqlite_utils import Database

LAYOUTS = range(1, VERSION + 1)


@pytest.fixture(params=LAYOUTS)
def old(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    path = tmp_path / "shop.db"
    make_from(layout_file(request.param), path)
    return path


def test_the_present_layout_is_the_one_that_was_written_down(tmp_path: Path) -> None:
    made, kept = tmp_path / "made.db", tmp_path / "kept.db"
    ensure_schema(made, here=True)
    make_from(layout_file(VERSION), kept)
    assert schema_of(made) == schema_of(kept), "a step that was released was edited, or a layout not written down"


def test_an_old_database_is_brought_up_to_date_with_everything_in_it(old: Path) -> None:
    before = counts_of(old)
    report = ensure_schema(old, here=True)
    assert report.set_aside is None
    after = counts_of(old)
    assert {name: after[name] for name in before if not name.startswith("_sqlite")} == {
        name: count for name, count in before.items() if not name.startswith("_sqlite")
    }
    assert before["frames"] == 73
    writer = Writer(old)
    (alarm,) = writer.open_alarms()
    assert (alarm.id, alarm.condition) == (1, "bag_full")
    assert [request.kind for request in writer.requests()] == ["acknowledge"]
    writer.frame(frame(NINE + 90_000.0), None)
    writer.event(ShopEvent(NINE + 90_000.0, EventKind.NOTE, "owner", "the new program runs"))
    assert writer.close()
    reader = Reader(old)
    assert [entry.text for entry in reader.journal()] == ["the new program runs", "shaken well"]
    assert reader.last_t() == NINE + 90_000.0
    assert any(value is not None for value in reader.trend(["inlet_pa"], NINE, NINE + 7200.0, 50).series["inlet_pa"].mean)
    reader.close()
    with closing(sqlite3.connect(old)) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_a_step_to_come_finds_every_old_database_and_keeps_what_is_in_it(old: Path) -> None:
    def another_column(db: Database) -> None:
        db.table("journal").add_column("weather", str)
        db.execute("UPDATE journal SET weather = 'dry'")

    before = counts_of(old)
    migrate(old, (*STEPS, another_column))
    assert {name: count for name, count in counts_of(old).items() if not name.startswith("_sqlite")} == {
        name: count for name, count in before.items() if not name.startswith("_sqlite")
    }
    with closing(sqlite3.connect(old)) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (VERSION + 1,)
        assert db.execute("SELECT text, weather FROM journal").fetchall() == [("shaken well", "dry")]


@pytest.mark.long
@pytest.mark.slow
def test_the_daemon_starts_on_every_old_database_and_shows_the_alarm_that_stood(old: Path, tmp_path: Path) -> None:
    port = free_port()
    source = '[[source]]\nkind = "serial"\nname = "unit"\ndevice = "/dev/nowhere"'
    daemon = DaemonProcess(shop_file(tmp_path, source, port=port), port)
    daemon.start()
    try:
        now = daemon.get("/api/v1/now")
        assert now is not None
        assert [alarm["condition"] for alarm in now["alarms"]] == ["bag_full"]
        assert daemon.end(signal.SIGTERM) == 0, daemon.words()
    finally:
        daemon.end(signal.SIGKILL)
