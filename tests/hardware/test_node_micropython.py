"""The node's script on a board made of a computer: under this Python, over a real broker, and under a real MicroPython where
one is installed (``DUCTWARDEN_MICROPYTHON`` names micropython.mjs of its WebAssembly build; node runs it)."""

from __future__ import annotations

import importlib.util
import io
import math
import os
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from daemon.backoff import RetrySettings
from daemon.clock import FakeClock
from daemon.config.sources import MqttTable
from daemon.sources.contract import SourceHealth
from daemon.sources.mqtt import MqttSource
from daemon.sources.wire import LineParser, WireSettings
from tests.hardware.building import PYTHON_NODE, node_modules
from tests.support.broker import Broker, free_port
from tests.support.waiting import eventually, running

STUB = Path(__file__).parent / "micropython_stub"
TRUE = {"inlet_pa": -2375.0, "filter_pa": 375.0, "motor_a": 9.41}
MICROPYTHON = os.environ.get("DUCTWARDEN_MICROPYTHON", "")


class VirtualTime:
    """MicroPython's clock: every look at it costs 20 us, sleeping what it says. It runs over as a board's does."""

    OVER = 1 << 30

    def __init__(self) -> None:
        self.now_us = 0

    def ticks_us(self) -> int:
        self.now_us += 20
        return self.now_us % self.OVER

    def ticks_ms(self) -> int:
        return self.now_us // 1000 % self.OVER

    def sleep_ms(self, ms: int) -> None:
        self.now_us += 1000 * ms

    def ticks_diff(self, after: int, before: int) -> int:
        return (after - before + self.OVER // 2) % self.OVER - self.OVER // 2


def machine() -> ModuleType:
    """The stub of the board."""
    spec = importlib.util.spec_from_file_location("machine", STUB / "machine.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


class Wlan:
    """Wi-Fi that comes up at the second look."""

    def __init__(self, _kind: int) -> None:
        self.asked: list[str] = []

    def active(self, _on: bool) -> None:
        pass

    def isconnected(self) -> bool:
        return bool(self.asked)

    def connect(self, name: str, _password: str) -> None:
        self.asked.append(name)


@contextmanager
def board(monkeypatch: pytest.MonkeyPatch, clock: VirtualTime) -> Iterator[tuple[Any, Any, io.StringIO]]:
    """The script's main module and settings, and what it writes."""
    for name in ("ticks_us", "ticks_ms", "sleep_ms", "ticks_diff"):
        monkeypatch.setattr(time, name, getattr(clock, name), raising=False)
    network = ModuleType("network")
    network.WLAN, network.STA_IF = Wlan, 0  # type: ignore[attr-defined]
    out = io.StringIO()
    monkeypatch.setattr(sys, "stdout", out)
    with node_modules("main", "settings", stubs={"machine": machine(), "network": network}) as (main, settings):
        yield main, settings, out


def read(text: str) -> list[dict[str, float]]:
    """The lines through the daemon's parser, a checksum being required; nothing may be refused."""
    health = SourceHealth("bench", "serial")
    parser = LineParser("bench", WireSettings(checksum="required", known=frozenset(TRUE)), health)
    samples = [parser.parse(line.encode(), 1000.0) for line in text.split("\r\n")[:-1]]
    assert set(health.refused) <= {"not a number"}
    return [dict(sample.values) for sample in samples if sample is not None]


def true(sample: dict[str, float]) -> None:
    assert sample["inlet_pa"] == pytest.approx(TRUE["inlet_pa"], abs=4.0)
    assert sample["filter_pa"] == pytest.approx(TRUE["filter_pa"], abs=2.5)
    assert sample["motor_a"] == pytest.approx(TRUE["motor_a"], rel=0.006)


@pytest.mark.parametrize("hertz", [50.0, 60.0])
def test_the_values_arrive(monkeypatch: pytest.MonkeyPatch, hertz: float) -> None:
    clock = VirtualTime()
    clock.now_us = VirtualTime.OVER - 1_500_000  # the clock runs over on the way
    with board(monkeypatch, clock) as (main, _, out):
        signals = sys.modules["machine"].SIGNALS  # type: ignore[attr-defined]
        signals[28] = (signals[28][0], signals[28][1], hertz, signals[28][3])
        began = clock.now_us
        main.run(3)
        fed = sys.modules["machine"].FED  # type: ignore[attr-defined]
    samples = read(out.getvalue())
    assert len(samples) == 3
    for sample in samples:
        true(sample)
    assert clock.now_us - began == pytest.approx(3e6, abs=2e4)
    assert fed[0] == 8000
    assert len(fed) == 4


def test_faults_are_said_not_guessed(monkeypatch: pytest.MonkeyPatch) -> None:
    with board(monkeypatch, VirtualTime()) as (main, _, out):
        sys.modules["machine"].SIGNALS.update({  # type: ignore[attr-defined]
            26: (0.0, 0.0, 1.0, 0.0), 27: (0.05, 0.001, 30.0, 0.0), 28: (1.65, 2.0, 60.0, 0.0),
        })
        main.run(1)
    (sample,) = read(out.getvalue())
    assert all(math.isnan(sample[name]) for name in TRUE)


@pytest.mark.slow
def test_over_a_real_broker_and_back_after_a_loss(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Said by the script itself: a connection that is refused, one that is lost, and the pauses between."""
    broker = Broker(tmp_path / "broker", password=("node", "mortise"))
    secret = tmp_path / "password"
    secret.write_text("mortise\n")
    clock = VirtualTime()
    with board(monkeypatch, clock) as (_, settings, _):
        settings.BROKER, settings.BROKER_PORT = "127.0.0.1", broker.port
        settings.BROKER_USER, settings.BROKER_PASSWORD = "node", "tenon"
        with node_modules("mqtt_link", stubs={"network": sys.modules["network"]}) as (mqtt_link,):
            meals: list[int] = []
            dog = type("Dog", (), {"feed": lambda self: meals.append(1)})()
            link = mqtt_link.MqttLink(settings, dog)
            assert not link.say("{}")  # no Wi-Fi yet
            assert not link.say("{}")  # the pause is not over
            clock.sleep_ms(1000)
            assert not link.say("{}")  # nobody listens
            assert link.pause_ms == 2000
            broker.start()
            clock.sleep_ms(2000)
            assert not link.say("{}")  # the wrong password
            settings.BROKER_PASSWORD = "mortise"
            mqtt = MqttTable.model_validate({
                "kind": "mqtt", "name": "barn", "host": "127.0.0.1", "port": broker.port, "user": "node",
                "password_file": str(secret), "topics": {"shop/unit": "json"}})
            try:
                with running(MqttSource(mqtt, WireSettings(), FakeClock(1000.0), RetrySettings(0.05, 0.2))) as at_work:
                    at_work.until("connected, waiting")
                    clock.sleep_ms(4000)
                    said = threading.Event()

                    def heard() -> bool:
                        if link.say('{"inlet_pa":-2375.0}'):
                            said.set()
                        return at_work.health.samples > 0

                    eventually(heard, 5.0)
                    assert said.is_set()
                    assert at_work.take(1)[0].values == {"inlet_pa": -2375.0}
                    assert link.pause_ms == 1000
                    broker.stop()
                    eventually(lambda: not link.say("{}"), 5.0)
                    broker.start()
                    eventually(lambda: at_work.health.connected, 5.0)
                    count = at_work.health.samples

                    def again() -> bool:
                        clock.sleep_ms(500)
                        link.say('{"inlet_pa":-1.0}')
                        return at_work.health.samples > count

                    eventually(again, 10.0)
                    assert meals
            finally:
                link.lost()
                broker.stop()


def test_nobody_listens_costs_no_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Between two tries nothing is waited for: the lines on the serial port go on."""
    with board(monkeypatch, VirtualTime()) as (main, settings, out):
        settings.MQTT, settings.BROKER, settings.BROKER_PORT = True, "127.0.0.1", free_port()
        main.run(4)
    assert len(read(out.getvalue())) == 4


@pytest.mark.slow
@pytest.mark.skipif(
    not (MICROPYTHON and Path(MICROPYTHON).exists() and shutil.which("node")),
    reason="no MicroPython: set DUCTWARDEN_MICROPYTHON to micropython.mjs of its WebAssembly build",
)
def test_under_a_real_micropython() -> None:
    ran = subprocess.run(["node", STUB / "run_node.mjs", MICROPYTHON, PYTHON_NODE, "3"], capture_output=True, timeout=60)
    assert ran.returncode == 0, ran.stderr.decode()
    samples = read(ran.stdout.decode())
    assert len(samples) == 3
    for sample in samples:
        true(sample)
