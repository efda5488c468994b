"""[[source]] tables as a person writes them -> the settings of the sources."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.clock import FakeClock
from daemon.config.load import parse
from daemon.errors import ConfigError
from daemon.memory import Past
from daemon.sources.build import build_sources
from daemon.sources.modbus import ModbusSource
from daemon.sources.mqtt import MqttSource
from daemon.sources.serial_port import SerialSource

BARN = Path("daemon/demo/chair-barn.toml").read_text()
HEAD, _, TAIL = BARN.partition('[[source]]\nname = "demo shop"')
SENSORS = "[sensor.inlet_pa]" + TAIL.partition("[sensor.inlet_pa]")[2]


def built(*tables: str) -> list[object]:
    config = parse(HEAD + "\n".join(tables) + "\n" + SENSORS, Path("shop.toml"))
    return list(build_sources(config, FakeClock(0.0), Past())[0])


def test_serial_mqtt_and_modbus_side_by_side() -> None:
    serial, mqtt, modbus = built(
        '[[source]]\nkind = "serial"\nname = "node"\ndevice = "/dev/ttyX"\nparity = "E"\ndtr = false\n'
        'format = "columns"\ncolumns = ["t", "inlet_pa", "-"]',
        '[[source]]\nkind = "mqtt"\nname = "house"\nhost = "broker.lan"\n'
        '[source.topics]\n"barn/p" = "filter_pa"\n"barn/all" = "json"\n"gate/planer" = "gate:planer"\n'
        '"clamp/state" = { channel = "motor_a", field = "power.amps" }',
        '[[source]]\nkind = "modbus"\nname = "loop"\ndevice = "/dev/ttyY"\nunit = 3\nregisters = [\n'
        '  { channel = "filter_pa", address = 0 },\n'
        '  { channel = "motor_a", address = 4, unit = 7, scale = 0.001, at_4_ma = 0.0, at_20_ma = 40.0 },\n]',
    )
    assert isinstance(serial, SerialSource)
    assert isinstance(mqtt, MqttSource)
    assert isinstance(modbus, ModbusSource)
    assert serial.table.parity == "E"
    assert serial.table.dtr is False
    carried = {topic: (carried.channel, carried.gate, carried.field) for topic, carried in mqtt.table.topics.items()}
    assert carried == {
        "barn/p": ("filter_pa", None, "value"), "barn/all": (None, None, "value"), "gate/planer": (None, "planer", "value"),
        "clamp/state": ("motor_a", None, "power.amps"),
    }
    first, second = modbus.table.registers
    assert (modbus.table.unit, first.unit, first.at_20_ma) == (3, None, None)
    assert (second.unit, second.at_20_ma) == (7, 40.0)


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ('[[source]]\nkind = "mqtt"\nname = "x"\nhost = "h"\ntopics = { "a/#/b" = "inlet_pa" }', "only be the last level"),
        ('[[source]]\nkind = "modbus"\nname = "x"\ndevice = "d"\n'
         'registers = [{ channel = "inlet_pa", address = 0, at_4_ma = 1.0 }]',
         "belong together"),
        ('[[source]]\nkind = "modbus"\nname = "x"\ndevice = "d"\nregisters = [{ channel = "inlet_pa", address = 70000 }]',
         "65535"),
        ('[[source]]\nkind = "modbus"\nname = "x"\ndevice = "d"\n'
         'registers = [{ channel = "inlet_pa", address = 0, unit = 0, type = "int64" }]', "int64"),
        ('[[source]]\nkind = "serial"\nname = "x"\ndevice = "d"\nformat = "columns"', "belong together"),
        ('[[source]]\nkind = "simulator"\nname = "a"\n[[source]]\nkind = "serial"\nname = "b"\ndevice = "d"',
         "plays at its own time"),
        ('[[source]]\nkind = "serial"\nname = "a"\ndevice = "d"\n[[source]]\nkind = "serial"\nname = "b"\ndevice = "d"',
         "line .*d is read by 'a' already: one port is one"),
        ('[[source]]\nkind = "serial"\nname = "a"\ndevice = "d"\n[[source]]\nkind = "modbus"\nname = "b"\ndevice = "d"\n'
         'registers = [{ channel = "inlet_pa", address = 0 }]', "the unit of each transmitter at its registers"),
        ('[[source]]\nkind = "replay"\nname = "a"\nfile = "missing.jsonl"', "missing.jsonl"),
    ],
)
def test_a_source_that_cannot_be_is_told(table: str, words: str) -> None:
    with pytest.raises(ConfigError, match=words):
        built(table)
