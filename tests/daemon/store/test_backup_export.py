"""Backups taken while the daemon writes, restored, and refused when they are not sound. Exports read back by others."""

from __future__ import annotations

import csv
import sqlite3
import sys
import threading
from collections.abc import Callable
from contextlib import closing
from datetime import datetime
from pathlib import Path

import pytest

from analysis.events import EventKind, ShopEvent
from daemon.errors import AlreadyRunning, StoreError
from daemon.sources.recording import RecordingReport, read_recording
from daemon.store.backup import backup, restore, verify
from daemon.store.export import EXPORTED, export_table
from daemon.store.lock import StoreLock
from daemon.store.reader import Reader
from daemon.store.writer import Writer
from tests.daemon.store.making import NINE, OFF, estimate, frame


def filled(path: Path, count: int = 500) -> Path:
    writer = Writer(path)
    for k in range(count):
        writer.frame(frame(NINE + k, motor_a=float(k), inlet_pa=-2000.5), estimate(NINE + k))
    writer.event(ShopEvent(NINE, EventKind.CLEANED, "owner", 'said "clean", and\nmeant it'))
    writer.close()
    return path


def test_a_backup_while_frames_are_written_is_one_moment_of_the_database(path: Path, tmp_path: Path) -> None:
    writer = Writer(path, commit_every_s=0.0)
    for k in range(20_000):
        writer._take(frame(NINE + k, motor_a=float(k)), None)
    writer.flush()
    stop = threading.Event()
    heard: list[str] = []

    def write() -> None:
        k = 20_000
        while not stop.is_set():
            writer.frame(frame(NINE + k, motor_a=float(k)), None)
            k += 1

    thread = threading.Thread(target=write)
    thread.start()
    try:
        report = backup(path, tmp_path / "copy.db", progress=heard.append)
    finally:
        stop.set()
        thread.join(90)
    writer.close()
    assert report.frames >= 20_000
    assert report.bytes == (tmp_path / "copy.db").stat().st_size
    assert heard[-2:] == ["copying: 100%", "checking the copy"]
    frames = [row["motor_a"] for row in Reader(tmp_path / "copy.db").frames()]
    assert frames == [float(k) for k in range(report.frames)]
    assert writer.health.failures == 0
    assert sorted(p.name for p in tmp_path.glob("copy*")) == ["copy.db"]


def test_a_backup_never_replaces_a_file_unasked(path: Path, tmp_path: Path) -> None:
    target = tmp_path / "copy.db"
    target.write_text("mine")
    with pytest.raises(StoreError, match="exists already"):
        backup(path, target)
    assert target.read_text() == "mine"
    backup(path, target, overwrite=True)
    assert verify(target).frames == 0
    with pytest.raises(StoreError, match="exists already"):
        backup(path, path, overwrite=True)
    with pytest.raises(StoreError, match="no database"):
        backup(tmp_path / "none.db", tmp_path / "copy2.db")
    assert not (tmp_path / "copy2.db").exists()


def test_restoring_brings_everything_back_and_keeps_what_stood_there(path: Path, tmp_path: Path) -> None:
    filled(path)
    backup(path, tmp_path / "copy.db")
    writer = Writer(path)
    writer.frame(frame(NINE + 9_000), None)
    writer.close()
    kept = restore(tmp_path / "copy.db", path, stamp="20260302-120000")
    assert kept == path.with_name("shop.replaced-20260302-120000.db")
    assert len(list(Reader(path).frames())) == 500
    assert len(list(Reader(kept).frames())) == 501
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    again = Writer(path)
    again.frame(frame(NINE + 10_000), None)
    assert again.close()
    assert restore(tmp_path / "copy.db", tmp_path / "new.db") is None
    assert len(list(Reader(tmp_path / "new.db").frames())) == 500


def test_a_backup_that_is_not_sound_is_not_restored(
    path: Path, tmp_path: Path, fresh_copy: Callable[[Path], Path]
) -> None:
    filled(path)
    before = path.read_bytes()
    copy = tmp_path / "copy.db"
    backup(path, copy)
    with open(copy, "r+b") as file:
        file.seek(8_192)
        file.write(b"\x00" * 9_000)
    with pytest.raises(StoreError):
        restore(copy, path)
    other = tmp_path / "recipes.db"
    with closing(sqlite3.connect(other)) as db:
        db.execute("CREATE TABLE recipe(name)")
        db.commit()
    with pytest.raises(StoreError, match="no database of this program"):
        restore(other, path)
    newer = fresh_copy(tmp_path / "newer.db")
    with closing(sqlite3.connect(newer)) as db:
        db.execute("PRAGMA user_version=99")
    with pytest.raises(StoreError, match="layout 99"):
        restore(newer, path)
    with pytest.raises(StoreError, match="itself"):
        restore(path, path)
    assert path.read_bytes() == before


def test_nothing_is_restored_under_a_running_daemon(path: Path, tmp_path: Path) -> None:
    backup(path, tmp_path / "copy.db")
    with StoreLock(path), pytest.raises(AlreadyRunning):
        restore(tmp_path / "copy.db", path)


def read(target: Path) -> list[dict[str, str]]:
    with open(target, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_exported_frames_are_a_recording_that_can_be_played(path: Path, tmp_path: Path) -> None:
    writer = Writer(path)
    for k in range(300):
        writer.frame(frame(NINE + k + 0.25, motor_a=9.0 + k / 7, inlet_pa=-2000.5, filter_pa=None), estimate(NINE + k))
    writer.frame(frame(NINE + 300, OFF, motor_a=0.0), None)
    writer.close()
    target = tmp_path / "frames.csv"
    assert export_table(path, "frames", target) == 301
    rows = read(target)
    assert rows[0]["t"] == "2026-03-02T09:00:00.250Z"
    assert (rows[0]["state"], rows[-1]["state"]) == ("running", "off")
    assert rows[0]["gates"] == "band saw|planer"
    assert rows[0]["quality"] == "filter_pa=silent"
    samples = list(read_recording(target, RecordingReport(target)))
    assert [s.t for s in samples] == pytest.approx([*(NINE + k + 0.25 for k in range(300)), NINE + 300])
    assert [s.values["motor_a"] for s in samples[:300]] == [9.0 + k / 7 for k in range(300)]
    assert {s.values["inlet_pa"] for s in samples[:300]} == {-2000.5}


def test_every_table_can_be_exported_and_spans_are_kept(path: Path, tmp_path: Path) -> None:
    filled(path)
    for table in EXPORTED:
        export_table(path, table, tmp_path / f"{table}.csv")
    assert export_table(path, "frames", tmp_path / "some.csv", start=NINE + 10, end=NINE + 19) == 10
    assert export_table(path, "minutes", tmp_path / "m.csv", start=NINE, end=NINE + 119) == 2
    assert read(tmp_path / "m.csv")[1]["motor_a_mean"] == "89.5"
    assert export_table(path, "journal", tmp_path / "journal.csv") == 1
    (entry,) = read(tmp_path / "journal.csv")
    assert entry["text"] == 'said "clean", and\nmeant it'
    assert datetime.fromisoformat(entry["t"]).timestamp() == NINE
    with pytest.raises(StoreError, match="no table 'meta'"):
        export_table(path, "meta", tmp_path / "meta.csv")
    with pytest.raises(StoreError, match="cannot be written"):
        export_table(path, "frames", tmp_path / "no" / "folder.csv")


def test_parquet_without_its_package_is_told_in_words(path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(StoreError, match="pip install pyarrow"):
        export_table(path, "frames", tmp_path / "frames.parquet", format="parquet")
    assert list(tmp_path.glob("*.parquet*")) == []


def test_parquet_is_read_back_the_same(path: Path, tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    filled(path)
    target = tmp_path / "frames.parquet"
    assert export_table(path, "frames", target, format="parquet") == 500
    table = parquet.read_table(target)
    assert table.column("motor_a").to_pylist() == [float(k) for k in range(500)]
    assert table.column("t")[0].as_py().timestamp() == NINE
    assert table.column("pitot_pa").null_count == 500
    assert export_table(path, "notices", tmp_path / "none.parquet", format="parquet") == 0
    assert export_table(path, "hours", tmp_path / "hours.parquet", format="parquet") == 0
    assert export_table(path, "minutes", tmp_path / "minutes.parquet", format="parquet") == 8
