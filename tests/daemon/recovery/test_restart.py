"""Sources with a time of their own go on behind the store after a restart: event time never goes back."""

from __future__ import annotations

import signal
import sqlite3
import threading
import time
from contextlib import closing
from itertools import islice, pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest

from analysis.plant import demo
from analysis.plant.convert import from_design
from daemon.cli import watch
from daemon.config.load import load
from daemon.service import Service
from daemon.sources.simulated import SimulatorSettings, demo_blocks
from tests.support.broker import free_port
from tests.support.daemon_process import BARN, DaemonProcess
from tests.support.recordings import write_blocks
from tests.support.waiting import eventually


def lived(path: Path, more: int) -> None:
    """One life of the daemon in this process, until so many more frames are stored."""
    store = path.parent / "demo.db"
    seen = len(times(store))
    service = Service(load(path))
    thread = threading.Thread(target=service.run)
    thread.start()
    try:
        eventually(lambda: len(times(store)) >= seen + more, 30.0, "frames come")
    finally:
        service.stop()
        thread.join(90.0)
    assert not thread.is_alive()


def times(store: Path) -> list[float]:
    """Event times of all frames."""
    with closing(sqlite3.connect(store)) as db:
        if not db.execute("SELECT 1 FROM sqlite_master WHERE name = 'frames'").fetchone():
            return []
        return [t / 1000.0 for (t,) in db.execute("SELECT t_ms FROM frames ORDER BY t_ms")]


def steps(store: Path) -> int:
    """How often event time went back."""
    with closing(sqlite3.connect(store)) as db:
        found: int = db.execute("SELECT count(*) FROM clock_steps").fetchone()[0]
        return found


@pytest.mark.long
@pytest.mark.slow
def test_the_simulated_shop_goes_on_from_the_second_at_which_it_was_left(tmp_path: Path) -> None:
    path = tmp_path / "shop.toml"
    port = free_port()
    path.write_text(BARN.read_text().replace("pace = 120 ", "pace = 600 ").replace("port = 8765", f"port = {port}"))
    store = tmp_path / "demo.db"
    daemon = DaemonProcess(path, port)
    for kill in (signal.SIGTERM, signal.SIGKILL, signal.SIGTERM):
        daemon.start()
        try:
            before = len(times(store))
            eventually(lambda seen=before: len(times(store)) > seen + 300, 20.0, "frames come")
        finally:
            daemon.end(kill)
    found = times(store)
    assert steps(store) == 0
    assert 0.0 <= found[0] - demo.opening(time.time(), time.localtime().tm_gmtoff) < 600.0
    # What passes while it starts is passed over (at this pace ten minutes a second), and a kill loses half a second of it.
    assert max(b - a for a, b in pairwise(found)) < 900.0


@pytest.mark.long
@pytest.mark.slow
def test_a_recording_is_played_once_however_often_the_daemon_starts(tmp_path: Path) -> None:
    opens = 1_790_000_000.0
    settings = SimulatorSettings(from_design(load(BARN).design), opens_t=opens)
    frames = write_blocks(tmp_path / "day.jsonl", islice(demo_blocks(settings, opens), 20))
    path = tmp_path / "shop.toml"
    head, _, rest = BARN.read_text().partition('[[source]]\nname = "demo shop"')
    sensors = "[sensor.inlet_pa]" + rest.partition("[sensor.inlet_pa]")[2]
    source = '[[source]]\nkind = "replay"\nfile = "day.jsonl"\npace = 200\n'
    path.write_text(head + source + sensors.replace("port = 8765", "port = 0"))
    for _ in range(3):
        lived(path, 200)
    found = times(tmp_path / "demo.db")
    assert steps(tmp_path / "demo.db") == 0
    assert 600 <= len(found) == len(set(found)) <= frames
    assert all(t == int(t) for t in found), "a frame was moved aside for another of the same second"


@pytest.mark.parametrize("terminal", [True, False])
def test_a_closed_terminal_ends_the_daemon_and_any_other_hang_up_is_answered(
    terminal: bool, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    stopped: list[bool] = []
    monkeypatch.setattr("os.isatty", lambda stream: terminal)
    watch._hung_up(cast("Service", SimpleNamespace(stop=lambda: stopped.append(True))))
    assert stopped == [True] * terminal
    assert ("the daemon ends" if terminal else "restart the daemon") in caplog.text
