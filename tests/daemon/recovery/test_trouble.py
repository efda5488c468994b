"""What the running daemon does in trouble: full, read-only and broken disks, damaged files, a second daemon, own errors."""

from __future__ import annotations

import contextlib
import json
import logging
import queue
import shutil
import signal
import sqlite3
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from itertools import islice, pairwise
from pathlib import Path

import pytest
from typer.testing import CliRunner

from analysis.conditions import Condition
from analysis.estimates import Estimate
from analysis.findings import Finding
from daemon.__main__ import app
from daemon.alarms.types import AlarmState, Transition
from daemon.config.load import load, parse
from daemon.pipeline import Pipeline
from daemon.sources.contract import Sample, SampleQueue, SourceHealth
from daemon.supervision import keep_source, part_failed
from daemon.wiring import build_pipeline
from tests.support.broker import free_port
from tests.support.daemon_process import BARN, DaemonProcess, shop_day, shop_file
from tests.support.fake_device import FakeDevice
from tests.support.waiting import eventually

MOUNT = shutil.which("mount") or shutil.which("mount", path="/bin:/sbin:/usr/sbin")
PACE = 10.0


class Shop:
    """A daemon that a device feeds with lines of its own at ten a second."""

    def __init__(self, folder: Path, store: Path | None = None) -> None:
        self.wire = FakeDevice(folder / "by-id-feed-room")
        self.port = free_port()
        source = f'[[source]]\nkind = "serial"\nname = "feed room"\ndevice = "{self.wire.path}"'
        self.config = shop_file(folder, source, port=self.port)
        self.store = store or folder / "shop.db"
        self.config.write_text(self.config.read_text().replace('"shop.db"', f'"{self.store}"'))
        self.daemon = DaemonProcess(self.config, self.port, PACE)
        self.sent = 0

    def send(self, seconds: float) -> None:
        """Lines for a while, each with a current that tells them apart."""
        for _ in range(int(seconds * PACE)):
            self.sent += 1
            line = {"inlet_pa": -2000.0 - self.sent % 7, "filter_pa": 250.0, "motor_a": 9.0 + self.sent * 1e-4}
            self.wire.line(json.dumps(line))
            eventually(self.wire.read_up, what="the line is read")  # late lines would meet in one frame
            time.sleep(1.0 / PACE)

    def health(self) -> str:
        """All that the health page says, as text."""
        return json.dumps(self.daemon.get("/api/v1/health") or {})

    def taken(self) -> int:
        """Lines that the daemon has read, as its health page tells."""
        health = self.daemon.get("/api/v1/health")
        return int(health["sources"][0]["samples"]) if health and health["sources"] else 0

    def count(self, store: Path | None = None) -> int:
        """Running frames in the store."""
        with closing(sqlite3.connect(store or self.store)) as db:
            found: int = db.execute("SELECT count(*) FROM frames WHERE motor_a > 8").fetchone()[0]
            return found

    def stop(self) -> None:
        """Properly."""
        assert self.daemon.end(signal.SIGTERM) == 0, self.daemon.words()

    def close(self) -> None:
        self.daemon.end(signal.SIGKILL)
        self.wire.close()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of three megabytes."""
    folder = tmp_path / "disk"
    folder.mkdir()
    command = [MOUNT or "mount", "-t", "tmpfs", "-o", "size=3m", "ductwarden-test", str(folder)]
    if subprocess.run(command, capture_output=True, timeout=90).returncode != 0:
        pytest.skip("a small disk can only be mounted by root")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True, timeout=90)


@pytest.fixture
def shops() -> Iterator[Callable[..., Shop]]:
    made: list[Shop] = []

    def make(folder: Path, store: Path | None = None) -> Shop:
        made.append(Shop(folder, store))
        return made[-1]

    yield make
    for shop in made:
        shop.close()


@pytest.mark.long
@pytest.mark.slow
def test_a_full_disk_is_told_and_nothing_is_lost_once_there_is_room(
    tmp_path: Path, small_disk: Path, shops: Callable[..., Shop]
) -> None:
    shop = shops(tmp_path, small_disk / "shop.db")
    shop.daemon.start()
    shop.send(2.0)
    filler = small_disk / "filler"
    with filler.open("wb", buffering=0) as file, contextlib.suppress(OSError):
        while file.write(b"x" * 4096):
            pass
    assert shutil.disk_usage(small_disk).free < 4096

    def told() -> bool:
        shop.send(0.5)
        return "is full" in shop.health() and " ERROR ductwarden: the store: the disk that holds " in shop.daemon.words()

    eventually(told, what="the health page and the log say that the disk is full")
    assert shop.daemon.get("/api/v1/now") is not None
    filler.unlink()
    shop.send(1.0)
    eventually(lambda: "writing again" in shop.health(), what="it writes again by itself")
    shop.stop()
    with closing(sqlite3.connect(shop.store)) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        amps = [a for (a,) in db.execute("SELECT motor_a FROM frames WHERE motor_a > 8 ORDER BY t_ms")]
    # Two lines may meet in one frame, which then holds their mean; none may be missing between.
    assert amps == sorted(amps)
    steps = [round((b - a) * 1e4, 3) for a, b in pairwise(amps)]
    assert max(steps) <= 1.5 + 1e-6
    assert amps[-1] == pytest.approx(9.0 + shop.sent * 1e-4, abs=1.01e-4)


@pytest.mark.long
@pytest.mark.slow
def test_a_read_only_disk_ends_the_start_with_its_own_exit_code(
    tmp_path: Path, small_disk: Path, shops: Callable[..., Shop]
) -> None:
    shop = shops(tmp_path, small_disk / "shop.db")
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True, timeout=90)
    shop.daemon.spawn()
    assert shop.daemon.ended() == 4
    assert "Read-only file system" in shop.daemon.words()
    assert "Traceback" not in shop.daemon.words()


@pytest.mark.long
@pytest.mark.slow
def test_a_damaged_store_is_set_aside_loudly_and_the_shop_is_watched(tmp_path: Path, shops: Callable[..., Shop]) -> None:
    shop = shops(tmp_path)
    shop.daemon.start()
    shop.send(1.5)
    eventually(shop.count, what="frames are stored")
    shop.daemon.end(signal.SIGKILL)
    with shop.store.open("r+b") as file:
        for page in range(1, max(2, shop.store.stat().st_size // 4096)):
            file.seek(page * 4096)
            file.write(b"\xa5" * 512)
    for side in tmp_path.glob("shop.db-*"):
        side.unlink()
    shop.daemon.start()
    assert "was damaged" in shop.daemon.words()
    assert " ERROR " in shop.daemon.words()
    assert list(tmp_path.glob("shop*damaged*"))
    before = shop.sent
    shop.send(1.5)
    eventually(lambda: shop.taken() >= shop.sent - before, what="the lines are read")
    assert "set aside" in shop.health()
    shop.stop()
    assert shop.count() >= (shop.sent - before) // 2
    with closing(sqlite3.connect(shop.store)) as db:
        (note,) = db.execute("SELECT text FROM journal").fetchone()
    assert note.startswith("The database was damaged. It is kept as ")


@pytest.mark.slow
def test_a_second_daemon_is_turned_away_and_the_first_goes_on(tmp_path: Path, shops: Callable[..., Shop]) -> None:
    shop = shops(tmp_path)
    shop.daemon.start()
    second = DaemonProcess(shop.config, free_port())
    second.log = tmp_path / "second.log"
    second.spawn("--no-dashboard")
    try:
        assert second.ended() == 5
    finally:
        second.end(signal.SIGKILL)
    assert f"another daemon (process {shop.daemon.pid}) already works on" in second.words()
    assert "Traceback" not in second.words()
    shop.send(1.5)
    assert shop.daemon.alive()
    shop.stop()
    assert shop.count() > 0


@pytest.mark.long
@pytest.mark.slow
def test_a_port_that_is_taken_is_told_and_leaves_the_store_in_order(tmp_path: Path, shops: Callable[..., Shop]) -> None:
    first = shops(tmp_path)
    first.daemon.start()
    folder = tmp_path / "other"
    folder.mkdir()
    other = shops(folder)
    other.config.write_text(other.config.read_text().replace(f"port = {other.port}", f"port = {first.port}"))
    other.daemon.spawn()
    assert other.daemon.ended() == 2
    assert f"cannot listen on 127.0.0.1 port {first.port}" in other.daemon.words()
    with closing(sqlite3.connect(other.store)) as db:
        assert db.execute("SELECT value FROM meta WHERE key = 'closed'").fetchone() == ("1",)


DAMAGED = {
    "missing": None,
    "empty": b"",
    "binary": b"\x00\xff\xfe\x80" * 300,
    "cut off": BARN.read_bytes()[:1500] + b'\nname = "cu',
    "wrong unit": BARN.read_bytes().replace(b'"14 ft"', b'"14 furlongs"'),
    "a slip of the pen": BARN.read_bytes().replace(b"[filter]", b"[fliter]"),
}


@pytest.mark.slow
@pytest.mark.parametrize(
    "kind", [kind if kind in ("missing", "wrong unit") else pytest.param(kind, marks=pytest.mark.long) for kind in DAMAGED]
)
def test_a_damaged_or_missing_configuration_is_told_in_words_with_exit_code_2(kind: str, tmp_path: Path) -> None:
    path = tmp_path / "shop.toml"
    content = DAMAGED[kind]
    if content is not None:
        path.write_bytes(content)
    daemon = DaemonProcess(path, 0)
    daemon.spawn()
    try:
        assert daemon.ended(30.0) == 2
    finally:
        daemon.end(signal.SIGKILL)
    assert str(path) in daemon.words()
    assert "Traceback" not in daemon.words()
    assert not list(tmp_path.glob("*.db*"))


def test_an_error_that_nobody_foresaw_is_logged_and_ends_with_exit_code_1(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(config: object) -> object:
        raise RuntimeError("planted")

    monkeypatch.setattr("daemon.cli.watch._dashboard", fail)
    path = tmp_path / "shop.toml"
    path.write_text(BARN.read_text())
    before = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT)}
    log = tmp_path / "daemon.log"
    try:
        ended = CliRunner().invoke(app, ["run", str(path), "--log-file", str(log), "--log-format", "json"])
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        for opened in list(logging.getLogger().handlers):
            if isinstance(opened, logging.FileHandler):
                logging.getLogger().removeHandler(opened)
                opened.close()
    assert ended.exit_code == 1
    last = json.loads(log.read_text().splitlines()[-1])
    assert last["level"] == "critical"
    assert last["words"].endswith("RuntimeError: planted")
    assert "test_trouble.py" in last["traceback"]
    with closing(sqlite3.connect(tmp_path / "demo.db")) as db:
        assert db.execute("SELECT value FROM meta WHERE key = 'closed'").fetchone() == ("1",)


class Broken:
    """Stands in for a part with an error of its own."""

    condition = Condition.WEAK_FAN

    def update(self, what: object) -> Estimate:
        raise ZeroDivisionError("planted")

    def findings(self) -> tuple[Finding, ...]:
        raise ZeroDivisionError("planted")


def pipeline_with(sensors: str = "") -> tuple[Pipeline, list[Transition]]:
    pipeline = build_pipeline(parse(BARN.read_text() + sensors, BARN))
    told: list[Transition] = []
    pipeline.moved = told.extend  # type: ignore[method-assign]
    return pipeline, told


def loaded_shop() -> Iterator[Sample]:
    day = shop_day(BARN, drag_ratio=2.4, bag_fill=0.05, minutes=60.0, cutting=False)
    return (Sample("unit", 1_790_000_000.0 + at, values) for at, values in enumerate(day))


def test_a_detector_that_fails_blinds_no_other(caplog: pytest.LogCaptureFixture) -> None:
    pipeline, told = pipeline_with()
    pipeline.detectors = [Broken(), *pipeline.detectors, Broken()]  # type: ignore[list-item]
    pipeline.trouble = part_failed
    pipeline.feed(loaded_shop())
    assert {step.alarm.condition for step in told} == {Condition.FILTER_LOADING}
    assert "Broken.update failed by an error of our own: ZeroDivisionError: planted" in caplog.text
    pipeline.trouble = None
    with pytest.raises(ZeroDivisionError):  # in a replay and in tests it is not hidden
        pipeline.feed(loaded_shop())


def test_an_estimator_that_fails_leaves_readings_in_the_store_and_says_why(caplog: pytest.LogCaptureFixture) -> None:
    pipeline, _ = pipeline_with()
    pipeline.estimator = Broken()  # type: ignore[assignment]
    pipeline.trouble = part_failed
    pipeline.feed(islice(loaded_shop(), 200))
    assert pipeline.frames == 199
    assert pipeline.last_estimate is not None
    assert pipeline.last_estimate.flow_m3s is None
    assert "the estimator failed" in pipeline.last_estimate.notes[0]
    assert "Broken.update" in caplog.text


def test_readings_that_repeat_to_the_digit_are_borne_and_told() -> None:
    pipeline, told = pipeline_with()
    same = {"inlet_pa": -2100.0, "filter_pa": 250.0, "motor_a": 9.0}
    off = {"inlet_pa": 0.0, "filter_pa": 0.0, "motor_a": 0.0}
    start = 1_790_000_000.0
    pipeline.feed(Sample("unit", start + at, same if at > 60 else off) for at in range(1200))
    pipeline.finish()
    assert {(step.alarm.condition, step.alarm.where) for step in told} >= {(Condition.SENSOR_FAULT, "inlet_pa")}


@pytest.mark.parametrize(("silent_s", "wanted"), [(110, []), (400, [AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED])])
def test_a_node_that_is_silent_is_told_unless_it_is_back_within_two_minutes(silent_s: int, wanted: list[AlarmState]) -> None:
    pipeline = build_pipeline(load(BARN), grace_s=0.5)
    told: list[Transition] = []
    pipeline.moved = told.extend  # type: ignore[method-assign]
    t = 1_790_000_000.0
    day = list(shop_day(BARN, drag_ratio=1.1, bag_fill=0.05, minutes=35.0, cutting=False))
    for second, values in enumerate(day):
        t += 1.0
        if not 500 <= second < 500 + silent_s:  # the node is without power, the fan runs on
            pipeline.feed([Sample("unit", t, values)])
        pipeline.advance(t)
    steps = [(step.alarm.condition, step.after) for step in told if step.alarm.where == "inlet_pa"]
    assert steps == [(Condition.SENSOR_FAULT, state) for state in wanted]


class Faulty:
    """A source with an error of its own: it fails twice, then works."""

    def __init__(self) -> None:
        self.health = SourceHealth("faulty", "serial")
        self.runs = 0

    def run(self, out: SampleQueue, stop: threading.Event) -> None:
        self.runs += 1
        if self.runs < 3:
            raise KeyError("planted")
        out.put([Sample("faulty", 1.0, {"inlet_pa": 1.0})])
        stop.wait()


def test_a_source_that_ends_by_an_error_of_its_own_begins_anew_and_says_so(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr("daemon.supervision._FIRST_PAUSE_S", 0.05)
    source = Faulty()
    out: SampleQueue = queue.Queue()
    stop = threading.Event()
    thread = threading.Thread(target=keep_source, args=(source, out, stop))
    thread.start()
    try:
        assert out.get(timeout=90.0)
    finally:
        stop.set()
        thread.join(90.0)
    assert source.runs == 3
    assert "KeyError: 'planted'" in source.health.last_error
    assert caplog.text.count("begins anew") == 2
