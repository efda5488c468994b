"""Roll-ups and alarms copied to a real PostgreSQL server, which comes and goes."""

from __future__ import annotations

import importlib.util
import json
import signal
import socket
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from daemon.alarms.types import AlarmState
from daemon.config.load import load
from daemon.errors import OutletError
from daemon.store import postgres
from daemon.store.postgres import SCHEMA, Mirror
from daemon.store.writer import Writer
from tests.daemon.store.making import NINE, estimate, frame, step
from tests.support.broker import free_port
from tests.support.daemon_process import DaemonProcess, shop_file
from tests.support.fake_device import FakeDevice
from tests.support.postgres import PostgresServer, programs
from tests.support.released import fill
from tests.support.waiting import eventually

needs_server = pytest.mark.skipif(
    programs() is None or importlib.util.find_spec("psycopg") is None,
    reason="needs a PostgreSQL server (apt install postgresql) and psycopg (.venv/bin/pip install '.[postgres]')",
)


@pytest.fixture(scope="module")
def server() -> Iterator[PostgresServer]:
    made = PostgresServer()
    made.start()
    yield made
    made.remove()


@pytest.fixture
def store(tmp_path: Path) -> Path:
    path = tmp_path / "shop.db"
    fill(path)
    return path


def mirror(store: Path, server: PostgresServer, shop: str) -> Mirror:
    file = store.parent / "where"
    file.write_text(server.where + "\n")
    return Mirror(store, shop, file, every_s=0.2)


def ask(server: PostgresServer, sql: str, *given: object) -> list[tuple[Any, ...]]:
    import psycopg

    with psycopg.connect(server.where) as connection:
        return connection.execute(sql, given).fetchall()


def copied(store: Path, server: PostgresServer, shop: str) -> Mirror:
    import psycopg

    one = mirror(store, server, shop)
    with psycopg.connect(server.where, autocommit=True) as connection:
        connection.execute(SCHEMA)
        one.copy(connection, threading.Event())
    return one


@pytest.mark.slow
@needs_server
def test_what_is_copied_equals_what_is_stored_however_often(store: Path, server: PostgresServer) -> None:
    for _ in range(2):
        copied(store, server, "barn")
    with closing(sqlite3.connect(store)) as db:
        for table, step_s in (("minutes", 60), ("hours", 3600)):
            for series in ("inlet_pa", "flow_m3s", "expected_motor_a"):
                ours = db.execute(
                    f"SELECT t_ms / 1000.0, {series}_n, {series}_mean, {series}_min, {series}_max FROM {table} "
                    f"WHERE {series}_n > 0 ORDER BY 1"
                ).fetchall()
                theirs = ask(
                    server, "SELECT extract(epoch FROM t)::float8, n, mean, low, high FROM ductwarden.rollups "
                    "WHERE shop = 'barn' AND series = %s AND step_s = %s ORDER BY 1", series, step_s,
                )
                assert ours == theirs
                assert ours
        ran = db.execute("SELECT sum(running_s) FROM hours").fetchone()[0]
    hours = "FROM ductwarden.rollups WHERE shop = 'barn' AND series = 'running_s' AND step_s = 3600"
    assert ask(server, f"SELECT sum(mean) {hours}") == [(ran,)]
    alarms = "SELECT id, condition, state, extract(epoch FROM raised)::float8 FROM ductwarden.alarms WHERE shop = 'barn'"
    assert ask(server, alarms) == [(1, "bag_full", "unacknowledged", NINE + 600.0)]


@pytest.mark.slow
@needs_server
@pytest.mark.long
def test_two_shops_stand_beside_each_other_and_only_what_is_new_is_sent(store: Path, server: PostgresServer) -> None:
    import psycopg

    first = copied(store, server, "one")
    copied(store, server, "two")
    assert ask(server, "SELECT shop, count(*) FROM ductwarden.alarms WHERE shop IN ('one', 'two') GROUP BY 1 ORDER BY 1") == [
        ("one", 1), ("two", 1)
    ]
    writer = Writer(store)
    writer.transition(step(1, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, NINE + 9000.0, NINE + 600.0))
    for second in range(0, 8000, 20):
        writer.frame(frame(NINE + 86_400.0 + second), estimate(NINE + 86_400.0 + second))
    writer.close()
    with psycopg.connect(server.where, autocommit=True) as connection:
        assert first.copy(connection, threading.Event()) > 0
        for _ in range(3):
            again = first.copy(connection, threading.Event())
    # Two hours before the newest minute and hour, in fewer than twenty series; not the day before.
    assert 0 < again < (postgres.AGAIN_S / 60.0 + 1 + 3) * 20
    assert ask(server, "SELECT state FROM ductwarden.alarms WHERE shop = 'one'") == [("acknowledged",)]
    assert ask(server, "SELECT state FROM ductwarden.alarms WHERE shop = 'two'") == [("unacknowledged",)]


@pytest.mark.slow
@needs_server
@pytest.mark.long
def test_a_server_that_comes_and_goes_is_waited_for_and_caught_up_with(
    store: Path, server: PostgresServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(postgres, "Backoff", lambda stop, first_s, cap_s: Backoff(stop, 0.1, 0.2))
    from daemon.backoff import Backoff

    server.stop()
    one = mirror(store, server, "patient")
    stop = threading.Event()
    one.start(stop)
    try:
        eventually(lambda: one.health.failed > 0, 20.0, "it is told that the server is away")
        assert "next try in" in one.health.state
        server.start()
        eventually(lambda: one.health.connected and one.health.delivered > 0, 20.0, "it is copied")
        server.stop()
        eventually(lambda: not one.health.connected, 20.0, "the loss is told")
        server.start()
        eventually(lambda: one.health.connected, 20.0, "connected again")
    finally:
        stop.set()
        one.join()
    assert ask(server, "SELECT count(*) FROM ductwarden.alarms WHERE shop = 'patient'") == [(1,)]


def test_without_the_package_it_says_which_and_goes_on_trying(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(name: str) -> object:
        raise ImportError(name)

    monkeypatch.setattr(postgres.importlib, "import_module", missing)
    one = Mirror(store, "barn", None, "NOWHERE")
    stop = threading.Event()
    one.start(stop)
    eventually(lambda: "psycopg is not installed" in one.health.state, 5.0)
    stop.set()
    one.join()


def test_the_connection_string_comes_from_a_file_or_a_variable(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "where").write_text("host=pg.example\n")
    assert Mirror(tmp_path / "s.db", "barn", tmp_path / "where")._where() == "host=pg.example"
    monkeypatch.setenv("DUCTWARDEN_PG", "host=other.example")
    assert Mirror(tmp_path / "s.db", "barn", None, "DUCTWARDEN_PG")._where() == "host=other.example"
    with pytest.raises(OutletError, match="is not set"):
        Mirror(tmp_path / "s.db", "barn", None, "NOT_THERE")._where()
    with pytest.raises(OutletError, match="cannot be read"):
        Mirror(tmp_path / "s.db", "barn", tmp_path / "nothing")._where()
    path = shop_file(tmp_path, '[[source]]\nkind = "serial"\ndevice = "/dev/x"', port=0)
    assert Mirror.of(load(path)) is None
    path.write_text(path.read_text().replace('file = "shop.db"', 'file = "shop.db"\npostgres_file = "where"'))
    found = Mirror.of(load(path))
    assert found is not None
    assert found._where() == "host=pg.example"


@pytest.mark.long
@pytest.mark.slow
def test_a_server_that_never_answers_delays_neither_sensing_nor_the_end(tmp_path: Path) -> None:
    with socket.socket() as silent:  # takes connections, and says nothing
        silent.bind(("127.0.0.1", 0))
        silent.listen(8)
        silent.settimeout(90.0)
        # Named sixty times over, each is tried for ten seconds: were it waited for, the end would take ten minutes.
        hosts, ports = ",".join(["127.0.0.1"] * 60), ",".join([str(silent.getsockname()[1])] * 60)
        (tmp_path / "where").write_text(f"host={hosts} port={ports} user=x dbname=x")
        wire = FakeDevice(tmp_path / "by-id-feed-room")
        port = free_port()
        path = shop_file(tmp_path, f'[[source]]\nkind = "serial"\ndevice = "{wire.path}"', port=port)
        path.write_text(path.read_text().replace('file = "shop.db"', 'file = "shop.db"\npostgres_file = "where"'))
        daemon = DaemonProcess(path, port, 50.0)
        daemon.start()
        try:
            tried, _ = silent.accept()
            health: dict[str, Any] = {}

            def heard() -> bool:
                wire.line('{"inlet_pa": -2000, "filter_pa": 250, "motor_a": 9}')
                health.update(daemon.get("/api/v1/health") or {})
                return bool(health.get("sources")) and health["sources"][0]["samples"] >= 30

            eventually(heard, what="readings are taken in")
            assert "postgres" in json.dumps(health)
            assert daemon.end(signal.SIGTERM) == 0
            tried.close()
        finally:
            daemon.end(signal.SIGKILL)
            wire.close()
    with closing(sqlite3.connect(tmp_path / "shop.db")) as db:
        assert db.execute("SELECT count(*) FROM frames WHERE motor_a > 8").fetchone()[0] >= 30
