"""Databases as released programs left them, one for each layout, as SQL text in ``released_layouts``.

    python -m tests.support.released

writes the one of the present layout. Do that when a layout is released, and never again for that one.
"""

from __future__ import annotations

import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

from analysis.conditions import Urgency
from analysis.events import EventKind, ShopEvent
from daemon.alarms.types import AlarmState
from daemon.notices import Notice
from daemon.store import requests
from daemon.store.migrate import ensure_schema
from daemon.store.schema import APPLICATION_ID, VERSION
from daemon.store.writer import Writer
from tests.daemon.store.making import NINE, estimate, frame, step
from tests.support.daemon_process import BARN

FOLDER = Path(__file__).parent / "released_layouts"


def layout_file(number: int) -> Path:
    """Where the database of a layout is kept."""
    return FOLDER / f"layout-{number}.sql"


def make_from(file: Path, path: Path) -> None:
    """A database from its SQL text."""
    with closing(sqlite3.connect(path)) as db:
        db.executescript(file.read_text())


def schema_of(path: Path) -> dict[str, str]:
    """Every table and index with the statement that makes it."""
    with closing(sqlite3.connect(path)) as db:
        return dict(db.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL"))


def counts_of(path: Path) -> dict[str, int]:
    """Rows in every table."""
    with closing(sqlite3.connect(path)) as db:
        names = [n for (n,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {name: db.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0] for name in names}


def fill(path: Path) -> None:
    """A short day: a run, an alarm told and waiting, a cleaning whose entry was corrected, a request, a baseline."""
    ensure_schema(path, here=True)
    writer = Writer(path, commit_every_s=0.0)
    writer.configuration(BARN.read_text(), NINE)
    writer.run(NINE, None)
    for second in range(0, 7300, 100):
        writer.frame(frame(NINE + second), estimate(NINE + second))
    writer.run(NINE, NINE + 7300.0)
    raised = step(1, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, NINE + 600.0)
    writer.transition(raised)
    writer.notice(Notice("1-raised-1", NINE + 600.0, 1, "bag_full", "", "raised", Urgency.STOP, "title", "body"), "log", "sent")
    entry = writer.event(ShopEvent(NINE + 5000.0, EventKind.CLEANED, "owner", "shaken by hand"))
    writer.correct_event(entry, ShopEvent(NINE + 5000.0, EventKind.CLEANED, "owner", "shaken well"), NINE + 5100.0)
    writer.baseline("first", NINE, {"fan": 1.01})
    writer.state("alarm desk", {"next_id": 2, "delays": []})
    writer.status("shop", {"name": "barn"})
    writer.flush(force=True)
    requests.append(path, "acknowledge", {"alarm_id": 1})
    writer.close()


def dump(path: Path) -> str:
    """The database as SQL text, with its header fields, which the dump of sqlite3 leaves out."""
    with closing(sqlite3.connect(path)) as db:
        lines = [f"PRAGMA application_id={APPLICATION_ID};", f"PRAGMA user_version={VERSION};", *db.iterdump()]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Write the present layout's."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "shop.db"
        fill(path)
        layout_file(VERSION).write_text(dump(path))
    print(f"{layout_file(VERSION)}: {layout_file(VERSION).stat().st_size} bytes")


if __name__ == "__main__":
    main()
