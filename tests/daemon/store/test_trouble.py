"""Trouble with the disk: nothing of it may end the daemon, and all of it must be told.

SQLite's own errors, on real files: a full disk by the limit on the number of pages and on a real file system of one
megabyte, damage by overwriting pages, a file taken away, a folder that cannot be written.
"""

from __future__ import annotations

import os
import sqlite3
import subprocess
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import cast

import pytest

from analysis.events import EventKind, ShopEvent
from daemon.alarms.types import AlarmState
from daemon.answering import Answerer
from daemon.errors import StoreError
from daemon.pipeline import Pipeline
from daemon.store import committer as committer_module
from daemon.store.connection import open_readonly
from daemon.store.migrate import ensure_schema
from daemon.store.reader import Reader
from daemon.store.requests import append, find
from daemon.store.writer import Writer
from tests.daemon.store.making import NINE, Hand, estimate, frame, step


def motors(path: Path) -> list[float]:
    return [row["motor_a"] for row in Reader(path).frames()]


def fill(writer: Writer, start: int, count: int) -> None:
    for k in range(start, start + count):
        writer.frame(frame(NINE + k, motor_a=float(k), inlet_pa=-2000.0), estimate(NINE + k))


def limit_pages(writer: Writer, spare: int) -> None:
    db = writer._committer.connection
    pages = db.execute("PRAGMA page_count").fetchone()[0]
    db.execute(f"PRAGMA max_page_count={pages + spare}")


def test_a_full_disk_is_survived_told_and_made_good(path: Path) -> None:
    hand = Hand()
    writer = Writer(path, commit_every_s=1.0, monotonic=hand)
    fill(writer, 0, 100)
    assert writer.flush()
    limit_pages(writer, 2)
    for lot in range(5):
        hand.t += 5.0
        fill(writer, 100 + 100 * lot, 100)
    entry = writer.event(ShopEvent(NINE, EventKind.CLEANED))
    writer.tick()
    assert not writer.health.ok
    assert "is full; free some room" in writer.health.words
    assert writer.health.failures >= 2
    assert writer.health.waiting_frames >= 400
    # What fitted into the room that was left is stored, the rest waits.
    assert motors(path) == [float(k) for k in range(600 - writer.health.waiting_frames)]
    writer._committer.connection.execute("PRAGMA max_page_count=1000000")
    hand.t += committer_module.RETRY_S + 1
    fill(writer, 600, 1)
    assert writer.health.ok
    assert "writing again after" in writer.health.words
    assert writer.health.dropped_frames == 0
    writer.close()
    assert motors(path) == [float(k) for k in range(601)]
    assert [e.id for e in Reader(path).journal()] == [entry]


def test_while_the_disk_is_full_memory_stays_bounded_and_the_newest_frames_are_kept(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(committer_module, "MOST_KEPT_ROWS", 500)
    monkeypatch.setattr(committer_module, "MOST_KEPT_RECORDS", 50)
    hand = Hand()
    writer = Writer(path, commit_every_s=0.0, monotonic=hand)
    writer.flush()
    limit_pages(writer, 0)
    for k in range(2_000):
        hand.t += 0.01
        fill(writer, k, 1)
        writer.event(ShopEvent(NINE + k, EventKind.NOTE, text=str(k)))
    assert len(writer._committer.rows) <= 501
    assert len(writer._committer.statements) <= 51
    dropped = writer.health.dropped_frames
    fitted = motors(path)
    assert len(fitted) + dropped + len(writer._committer.rows) == 2_000
    assert writer.health.dropped_records > 0
    writer._committer.connection.execute("PRAGMA max_page_count=1000000")
    assert writer.flush(force=True)
    writer.close()
    kept = motors(path)[len(fitted):]
    assert kept == [float(k) for k in range(2_000)][-len(kept):]
    assert len(fitted) + len(kept) + dropped == 2_000


@pytest.fixture
def tiny_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of one megabyte."""
    folder = tmp_path / "tiny"
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if mounted.returncode != 0:
        pytest.skip("file systems may not be mounted here")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=False)


@pytest.mark.slow
def test_a_file_system_that_really_fills_up(tiny_disk: Path) -> None:
    path = tiny_disk / "shop.db"
    ensure_schema(path, here=True)
    hand = Hand()
    writer = Writer(path, commit_every_s=0.0, monotonic=hand)
    ballast = tiny_disk / "ballast"
    ballast.write_bytes(b"x" * 300_000)
    k = 0
    while writer.health.ok and k < 20_000:
        hand.t += 1
        fill(writer, k, 50)
        k += 50
    assert not writer.health.ok, "the disk never filled up"
    assert "full" in writer.health.words
    fill(writer, k, 50)
    k += 50
    ballast.unlink()
    hand.t += committer_module.RETRY_S + 1
    fill(writer, k, 1)
    assert writer.health.ok
    assert writer.close()
    assert motors(path) == [float(n) for n in range(k + 1)]
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_a_disk_without_room_for_the_database_is_told_in_words(tiny_disk: Path) -> None:
    (tiny_disk / "ballast").write_bytes(b"x" * 1_020_000)
    with pytest.raises(StoreError, match=r"full|cannot be written"):
        ensure_schema(tiny_disk / "shop.db", here=True)


def test_damage_met_while_writing_is_set_aside_and_the_record_goes_on(path: Path) -> None:
    writer = Writer(path, commit_every_s=1e9, monotonic=Hand())
    fill(writer, 0, 3_000)
    writer.transition(step(4, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, NINE))
    writer.status("shop", {"name": "Chair maker's barn"})
    writer.state("estimator", {"drag": 1.0})
    writer.configuration("[shop]", NINE)
    assert writer.flush()
    writer._committer.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    writer._committer.connection.execute("PRAGMA cache_size=0")
    with open(path, "r+b") as file:
        file.seek(4096)
        file.write(os.urandom(4096 * (os.path.getsize(path) // 4096 - 1)))
    reader = Reader(path)
    fill(writer, 3_000, 10)
    writer.flush(force=True)
    assert writer.health.set_aside
    assert Path(writer.health.set_aside).exists()
    assert "damaged" in writer.health.words
    assert writer.flush(force=True)
    # What was not in the damaged file only, and what stands, is in the new one.
    assert [row["motor_a"] for row in reader.frames()] == [float(k) for k in range(3_000, 3_010)]
    assert [a.id for a in reader.open_alarms()] == [4]
    assert reader.state("estimator") == {"drag": 1.0}
    assert [c["text"] for c in reader.configurations()] == ["[shop]"]
    writer.close()
    assert reader.status("shop") == {"name": "Chair maker's barn"}
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_a_file_taken_away_under_the_writer_is_noticed(path: Path) -> None:
    writer = Writer(path)
    fill(writer, 0, 10)
    writer.flush()
    for name in path.parent.glob("shop.db*"):
        name.unlink()
    fill(writer, 10, 10)
    assert writer.flush(force=True)
    assert "taken away" in writer.health.words
    writer.close()
    assert motors(path) == [float(k) for k in range(10, 20)]


@pytest.mark.parametrize("asked_before", [5, 230])
def test_requests_are_answered_after_the_database_was_replaced(path: Path, asked_before: int) -> None:
    writer = Writer(path)
    answerer = Answerer(cast(Pipeline, None), writer)
    for _ in range(asked_before):
        append(path, "nothing", {})
        answerer.answer_all(NINE)
    for name in path.parent.glob("shop.db*"):
        name.unlink()
    fill(writer, 0, 1)
    assert writer.flush(force=True)
    asked = [append(path, "nothing", {}) for _ in range(60)]
    answerer.answer_all(NINE)
    answerer.answer_all(NINE)
    with closing(open_readonly(path)) as db:
        assert [found.done for number in asked if (found := find(db, number)) is not None] == [True] * 60
    writer.close()


def test_another_file_in_its_place_is_used_and_never_with_the_log_of_the_old_one(path: Path, tmp_path: Path) -> None:
    writer = Writer(path)
    reader = Reader(path)
    fill(writer, 0, 10)
    writer.flush()
    assert len(list(reader.frames())) == 10  # holds the old file and its log open
    backup = tmp_path / "backup.db"
    ensure_schema(backup, here=True)
    other = Writer(backup)
    fill(other, 1000, 3)
    other.close()
    os.replace(backup, path)
    fill(writer, 10, 5)
    assert writer.flush(force=True)
    assert "replaced by another file" in writer.health.words
    writer.close()
    reader.close()
    assert sorted(motors(path)) == [float(k) for k in (*range(10, 15), *range(1000, 1003))]
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_a_new_database_is_not_begun_beside_the_log_of_one_that_was_moved(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db:
        db.execute("INSERT INTO meta(key, value) VALUES ('a', 'b')")
        db.commit()
        log = path.with_name("shop.db-wal").read_bytes()
    path.rename(path.with_name("moved.db"))
    path.with_name("shop.db-wal").write_bytes(log)
    ensure_schema(path, here=True)
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert db.execute("SELECT * FROM meta WHERE key = 'a'").fetchall() == []
    assert [kept.name.split("-")[0] for kept in path.parent.glob("*.left-*-wal")] == ["shop.left"]


@pytest.mark.parametrize("table", ["states", "alarms", "journal", "requests", "statuses"])
def test_damage_in_a_database_that_was_closed_well_is_set_aside(path: Path, table: str) -> None:
    writer = Writer(path)
    fill(writer, 0, 2_000)
    writer.state("estimator", {"drag": [0.1] * 2_000})
    writer.event(ShopEvent(NINE, EventKind.CLEANED))
    writer.close()
    with closing(sqlite3.connect(path)) as db:
        (page,) = db.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (table,)).fetchone()
    with open(path, "r+b") as file:
        file.seek(4096 * (page - 1))
        file.write(b"\xa5" * 4096)
    report = ensure_schema(path, here=True)
    assert report.set_aside is not None
    assert report.set_aside.exists()
    Writer(path).close()


def test_a_reader_follows_a_database_that_was_replaced(path: Path, tmp_path: Path) -> None:
    writer = Writer(path)
    fill(writer, 0, 3)
    writer.close()
    reader = Reader(path)
    assert len(list(reader.frames())) == 3
    other = tmp_path / "other.db"
    ensure_schema(other, here=True)
    os.replace(other, path)
    assert list(reader.frames()) == []
    reader.close()
    with pytest.raises(StoreError, match="closed"):
        reader.last_t()


def test_no_database_and_a_wrong_one_are_told_in_words(tmp_path: Path) -> None:
    reader = Reader(tmp_path / "none.db")
    with pytest.raises(StoreError, match="made when the daemon first runs"):
        reader.now()
    with pytest.raises(StoreError):
        Writer(tmp_path / "none" / "deep.db")
    junk = tmp_path / "junk.db"
    junk.write_bytes(b"junk" * 400)
    with pytest.raises(StoreError, match="damaged"):
        Reader(junk).now()
    with pytest.raises(StoreError, match="damaged"):
        Writer(junk)
    empty = tmp_path / "empty.db"
    empty.touch()
    with pytest.raises(StoreError, match="layout 0"):
        Writer(empty)
    with pytest.raises(StoreError, match="layout 0"):
        Reader(empty).now()


def test_a_reader_cannot_write(path: Path) -> None:
    with closing(open_readonly(path)) as db, pytest.raises(sqlite3.OperationalError, match="readonly"):
        db.execute("INSERT INTO meta(key, value) VALUES ('a', 'b')")


def test_a_damaged_file_that_cannot_be_set_aside_is_tried_again(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    hand = Hand()
    writer = Writer(path, commit_every_s=1e9, monotonic=hand)
    fill(writer, 0, 3_000)
    assert writer.flush()
    writer._committer.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    writer._committer.connection.execute("PRAGMA cache_size=0")
    with open(path, "r+b") as file:
        file.seek(4096)
        file.write(os.urandom(4096 * (os.path.getsize(path) // 4096 - 1)))

    def no_right(*_: object, **__: object) -> Path:
        raise StoreError("could not be set aside: Permission denied")

    with monkeypatch.context() as patched:
        patched.setattr(committer_module, "put_aside", no_right)
        patched.setattr("daemon.store.migrate.put_aside", no_right)
        fill(writer, 3_000, 10)
        for _ in range(3):
            hand.t += committer_module.RETRY_S + 1
            assert not writer.flush(force=True)
            assert "Permission denied" in writer.health.words
    hand.t += committer_module.RETRY_S + 1
    assert writer.flush(force=True)
    assert writer.health.set_aside
    writer.close()
