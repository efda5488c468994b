"""The whole sketch, compiled with a stub of the Arduino core and run on a board made of a computer: its lines and its
messages are read by the daemon's own sources."""

from __future__ import annotations

import math
import os
import re
import shutil
import subprocess
import threading
from pathlib import Path

import pytest

from daemon.backoff import RetrySettings
from daemon.clock import FakeClock
from daemon.config.sources import MqttTable
from daemon.sources.contract import SourceHealth
from daemon.sources.mqtt import MqttSource
from daemon.sources.wire import LineParser, WireSettings
from tests.hardware.building import SKETCH, STUB, compiled, compiler
from tests.support.broker import Broker
from tests.support.waiting import eventually, running

BOARDS = {
    "10 bits": (("NODE_TEST_AVR",), "one", 5.0),
    "12 bits": (("ADC_BITS=12", "ADC_US=20"), "one", 5.0),
    "12 bits, another watchdog": (("ADC_BITS=12", "ADC_US=60"), "two", 5.0),
}
TRUE = {"inlet_pa": -2375.0, "filter_pa": 375.0, "motor_a": 9.41}
"""What the pins carry: transmitters of 0.5 to 4.5 V for 0 to -5000 and 0 to 2500 Pa, a transformer of 30 A a volt."""


def pins(truth: dict[str, float], hertz: float = 60.0, volts: float = 5.0) -> dict[str, str]:
    """The voltages of these values as the stub wants them, with the pulsation of a fan on the pressures."""
    inlet = 0.5 + 4.0 * truth["inlet_pa"] / -5000.0
    bags = 0.5 + 4.0 * truth["filter_pa"] / 2500.0
    wave = truth["motor_a"] / 30.0 * math.sqrt(2.0 / 1.01)  # a tenth of third harmonic
    return {
        "PIN_0": f"{inlet},0.030,29.3,0,0.004", "PIN_1": f"{bags},0.020,31.7,0,0.004",
        "PIN_2": f"{volts / 2 + 0.02},{wave},{hertz},{0.1 * wave},0.001", "VOLTS": str(volts),
    }


def said(program: Path, seconds: int, environment: dict[str, str]) -> tuple[list[str], str]:
    """Lines on the serial port, and what the stub tells at the end."""
    ran = subprocess.run([program, str(seconds)], env={**os.environ, **environment}, capture_output=True, timeout=60, check=True)
    assert ran.stdout.endswith(b"\r\n")
    return ran.stdout.decode().splitlines(), ran.stderr.decode()


def read(lines: list[str]) -> tuple[list[dict[str, float]], SourceHealth]:
    """The lines through the daemon's parser, a checksum being required."""
    health = SourceHealth("bench", "serial")
    parser = LineParser("bench", WireSettings(checksum="required", known=frozenset(TRUE)), health)
    samples = [parser.parse(line.encode(), 1000.0) for line in lines]
    return [dict(sample.values) for sample in samples if sample is not None], health


@pytest.fixture(scope="module", params=BOARDS)
def board(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, float]:
    defines, watchdog, volts = BOARDS[request.param]
    program = tmp_path_factory.mktemp("sketch") / "sketch"
    return compiled(program, SKETCH / "shop_node.ino", STUB / "run_sketch.cpp", defines=defines, watchdog=watchdog), volts


@pytest.mark.parametrize("hertz", [50.0, 60.0])
def test_the_values_arrive(board: tuple[Path, float], hertz: float) -> None:
    program, volts = board
    lines, told = said(program, 5, pins(TRUE, hertz, volts))
    values, health = read(lines)
    assert len(values) == 5
    assert health.refused == {}
    for sample in values:
        assert sample["inlet_pa"] == pytest.approx(TRUE["inlet_pa"], abs=3.0)
        assert sample["filter_pa"] == pytest.approx(TRUE["filter_pa"], abs=2.0)
        assert sample["motor_a"] == pytest.approx(TRUE["motor_a"], rel=0.005)
    took, hungry = map(float, re.findall(r"(\d+\.\d+) s", told))
    assert took == pytest.approx(5.0, abs=0.01)  # one line a second, whatever the converter's speed
    assert 0.5 < hungry < 2.0  # fed once a second


def test_a_motor_at_rest_reads_nothing(board: tuple[Path, float]) -> None:
    program, volts = board
    lines, _ = said(program, 2, pins({"inlet_pa": 0.0, "filter_pa": 0.0, "motor_a": 0.0}, 60.0, volts))
    for sample in read(lines)[0]:
        assert sample["motor_a"] < 0.06
        assert abs(sample["inlet_pa"]) < 3.0


def test_faults_are_said_not_guessed(board: tuple[Path, float]) -> None:
    """A broken wire (nothing on the pin), a transmitter that tells a fault (0.1 V), a current beyond the converter."""
    program, volts = board
    broken = pins(TRUE, 60.0, volts) | {"PIN_0": "0,0,1,0,0", "PIN_1": "0.1,0.001,30,0,0"}
    broken["PIN_2"] = f"{volts / 2},{volts * 0.6},60,0,0"
    values, health = read(said(program, 2, broken)[0])
    assert all(math.isnan(sample[name]) for sample in values for name in TRUE)
    assert health.refused == {"not a number": 6}


def test_one_broken_wire_leaves_the_others(board: tuple[Path, float]) -> None:
    program, volts = board
    values, _ = read(said(program, 2, pins(TRUE, 60.0, volts) | {"PIN_1": "5,0,1,0,0"})[0])
    assert all(math.isnan(sample["filter_pa"]) for sample in values)
    assert all(sample["motor_a"] == pytest.approx(9.41, rel=0.01) for sample in values)


def test_a_board_without_a_known_watchdog_is_said_to_be_one(tmp_path: Path) -> None:
    told = compiler(tmp_path / "sketch", SKETCH / "shop_node.ino", STUB / "run_sketch.cpp", watchdog="")
    assert "no watchdog is known for this board" in told.stderr


@pytest.mark.long
@pytest.mark.slow
@pytest.mark.skipif(shutil.which("g++") is None, reason="g++ is not installed: the node's C++ is not compiled here")
def test_over_a_real_broker_and_back_after_a_loss(tmp_path: Path) -> None:
    broker = Broker(tmp_path / "broker", password=("node", "mortise"))
    broker.start()
    defines = (
        "NODE_MQTT=1", f"BROKER_PORT={broker.port}", 'BROKER="127.0.0.1"', 'BROKER_USER="node"', 'BROKER_PASSWORD="mortise"',
    )
    program = compiled(tmp_path / "sketch", SKETCH / "shop_node.ino", STUB / "run_sketch.cpp", defines=defines)
    secret = tmp_path / "password"
    secret.write_text("mortise\n")
    table = MqttTable.model_validate({
        "kind": "mqtt", "name": "barn", "host": "127.0.0.1", "port": broker.port, "user": "node", "password_file": str(secret),
        "topics": {"shop/unit": "json", "shop/node/online": "online"},
    })
    node = subprocess.Popen([program, "400", "20"], env={**os.environ, **pins(TRUE)}, stdout=subprocess.DEVNULL,
                            stderr=subprocess.DEVNULL)
    try:
        with running(MqttSource(table, WireSettings(), FakeClock(1000.0), RetrySettings(0.05, 0.2))) as at_work:
            samples = at_work.take(3)
            values = [sample.values for sample in samples if "inlet_pa" in sample.values]
            assert values
            assert values[-1] == pytest.approx(TRUE, rel=0.005)
            broker.stop()
            eventually(lambda: not at_work.health.connected)
            broker.start()
            back: list[object] = []
            eventually(lambda: at_work.health.connected, 10.0)
            while not back:  # the node's own pause doubles on its own clock, fifty times as fast
                back = [sample for sample in at_work.take(1) if "filter_pa" in sample.values]
    finally:
        node.kill()
        node.wait(90.0)
        broker.stop()


@pytest.mark.long
@pytest.mark.slow
@pytest.mark.skipif(shutil.which("g++") is None, reason="g++ is not installed: the node's C++ is not compiled here")
def test_a_node_that_dies_is_said_to_be_gone(tmp_path: Path) -> None:
    """The will: the broker itself says so, retained."""
    import paho.mqtt.client as paho
    from paho.mqtt.enums import CallbackAPIVersion

    broker = Broker(tmp_path / "broker")
    broker.start()
    defines = ("NODE_MQTT=1", f"BROKER_PORT={broker.port}", 'BROKER="127.0.0.1"')
    program = compiled(tmp_path / "sketch", SKETCH / "shop_node.ino", STUB / "run_sketch.cpp", defines=defines)
    heard: list[bytes] = []
    subscribed = threading.Event()
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.on_connect = lambda c, *_: c.subscribe("shop/node/online")
    client.on_subscribe = lambda *_: subscribed.set()
    client.on_message = lambda _c, _u, message: heard.append(message.payload)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    node = subprocess.Popen([program, "400", "20"], env={**os.environ, **pins(TRUE)}, stdout=subprocess.DEVNULL,
                            stderr=subprocess.DEVNULL)
    try:
        assert subscribed.wait(90.0)
        eventually(lambda: heard == [b"true"], 10.0)
        node.kill()
        eventually(lambda: heard == [b"true", b"false"], 10.0)
    finally:
        node.kill()
        node.wait(90.0)
        client.disconnect()
        client.loop_stop()
        broker.stop()
