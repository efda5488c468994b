"""The words backup, restore and export, as the owner types them."""

from __future__ import annotations

import csv
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from typer.testing import CliRunner

from daemon.__main__ import app
from daemon.errors import AlreadyRunning, StoreError
from daemon.store.lock import StoreLock
from tests.support.daemon_process import shop_file
from tests.support.released import fill


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    path = shop_file(tmp_path, '[[source]]\nkind = "serial"\ndevice = "/dev/x"', port=0)
    fill(tmp_path / "shop.db")
    return path


def count(store: Path, table: str = "frames") -> int:
    with closing(sqlite3.connect(store)) as db:
        found: int = db.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
        return found


def test_a_copy_is_made_while_the_store_is_held_and_put_back_only_when_it_is_not(shop: Path, tmp_path: Path) -> None:
    store, copy = tmp_path / "shop.db", tmp_path / "copies" / "copy.db"
    with StoreLock(store):
        made = CliRunner().invoke(app, ["backup", str(shop), str(copy)])
        assert made.exit_code == 0, made.output
        refused = CliRunner().invoke(app, ["backup", str(shop), str(copy), "--restore"])
        assert isinstance(refused.exception, AlreadyRunning)
    assert f"{count(store)} single frames, verified" in made.output
    again = CliRunner().invoke(app, ["backup", str(shop), str(copy)])
    assert isinstance(again.exception, StoreError)
    before = count(store)
    with closing(sqlite3.connect(store)) as db, db:
        db.execute("DELETE FROM frames")
    put_back = CliRunner().invoke(app, ["backup", str(shop), str(copy), "--restore"])
    assert put_back.exit_code == 0, put_back.output
    assert count(store) == before > 0
    (kept,) = tmp_path.glob("shop*replaced*")
    assert kept.name in put_back.output.replace("\n", "")
    assert count(kept) == 0


def test_what_is_no_backup_is_not_put_back(shop: Path, tmp_path: Path) -> None:
    before = count(tmp_path / "shop.db")
    refused = CliRunner().invoke(app, ["backup", str(shop), str(shop), "--restore"])
    assert isinstance(refused.exception, StoreError)
    assert CliRunner().invoke(app, ["backup", str(shop), str(tmp_path / "nothing.db"), "--restore"]).exit_code == 2
    assert count(tmp_path / "shop.db") == before


def test_a_table_goes_out_as_csv_and_as_parquet_alike(shop: Path, tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    for name, more in (("minutes.csv", []), ("minutes.parquet", ["--parquet"])):
        told = CliRunner().invoke(app, ["export", str(shop), "minutes", str(tmp_path / name), *more])
        assert told.exit_code == 0, told.output
    rows = list(csv.DictReader((tmp_path / "minutes.csv").read_text().splitlines()))
    table = parquet.read_table(tmp_path / "minutes.parquet")
    assert len(rows) == table.num_rows == count(tmp_path / "shop.db", "minutes") > 0
    assert [float(row["inlet_pa_mean"]) if row["inlet_pa_mean"] else None for row in rows] == \
        table.column("inlet_pa_mean").to_pylist()


@pytest.mark.parametrize(("words", "steps"), [
    (["backup", "{shop}", "{out}"], ["copying", "checking the copy"]),
    (["export", "{shop}", "frames", "{out}"], ["exporting frames: 0 rows"]),
])
def test_how_far_it_is_is_said_on_stderr_and_a_pipe_hears_each_step(
    words: list[str], steps: list[str], shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daemon.cli.common.Progress.EVERY_S", 0.0)  # else a line comes after ten seconds
    given = [word.format(shop=shop, out=tmp_path / "out") for word in words]
    made = CliRunner().invoke(app, given)
    assert made.exit_code == 0, made.output
    lines = made.stderr.splitlines()
    assert [next((line for line in lines if line.startswith(step)), None) is not None for step in steps] == [True] * len(steps)
    assert "\r" not in made.stderr
    assert not any(step in made.stdout for step in steps)
