"""Modbus RTU against a real server (pymodbus) over pseudo-terminals, and the arithmetic of registers and loops."""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin
from pymodbus.simulator import DataType, SimData, SimDevice

from daemon.backoff import RetrySettings
from daemon.clock import FakeClock
from daemon.config.sources import ModbusRegister, ModbusTable
from daemon.sources.modbus import ModbusSource, decode_registers, loop_value, register_value
from tests.support.modbus_line import Cable, Transmitters
from tests.support.waiting import eventually, running

T0 = 1_772_355_600.0
RANGE = (0.0, -5000.0)


@pytest.fixture
def cable(tmp_path: Path) -> Iterator[Cable]:
    made = Cable(tmp_path)
    yield made
    made.close()


@pytest.fixture
def transmitters(cable: Cable) -> Iterator[Transmitters]:
    made = Transmitters(
        cable.far,
        [
            SimDevice(1, simdata=[
                SimData(0, values=[-21005], datatype=DataType.INT16),
                SimData(1, values=[40000], datatype=DataType.UINT16),
                SimData(10, values=310.25, datatype=DataType.FLOAT32),
                SimData(20, values=math.nan, datatype=DataType.FLOAT32),
                SimData(30, values=[-70000], datatype=DataType.INT32),
            ]),
            SimDevice(2, simdata=[
                SimData(0, values=[12000, 3500, 21500, 3700], datatype=DataType.UINT16),
            ]),
        ],
    )
    yield made
    made.close()


def register(
    channel: str, unit: int, address: int, function: str = "input", type: str = "int16", word_order: str = "big", **more: Any
) -> dict[str, Any]:
    said = {"channel": channel, "unit": unit, "address": address, "function": function, "type": type, "word_order": word_order}
    return said | more


QUICK = RetrySettings(0.05, 0.4)


IMPATIENT_S = 0.15
"""Where somebody is asked who will not answer; the others may be as slow as the computer is."""


def source(
    cable: Cable, *registers: dict[str, Any], retry: RetrySettings = QUICK, timeout_s: float = 20.0, **table: Any
) -> ModbusSource:
    made = ModbusTable.model_validate(
        {"kind": "modbus", "name": "line", "device": str(cable.near), "registers": registers, **table})
    return ModbusSource(made, FakeClock(T0), timeout_s, retry)


@pytest.mark.slow
@pytest.mark.usefixtures("transmitters")
class TestAgainstARealServer:
    def test_every_type_scaled(self, cable: Cable) -> None:
        made = source(
            cable,
            register("inlet_pa", 1, 0, scale=0.1),
            register("filter_pa", 1, 10, "holding", "float32"),
            register("motor_a", 1, 1, "input", "uint16", scale=0.001, offset=-20.0),
            register("raw", 1, 30, "holding", "int32"),
            register("swapped", 1, 30, "holding", "uint32", "little"),
        )
        with running(made) as at_work:
            sample = at_work.take(1)[0]
            assert sample.source == "line"
            assert sample.t == T0
            assert sample.values == pytest.approx(
                {
                    "inlet_pa": -2100.5,
                    "filter_pa": 310.25,
                    "motor_a": 20.0,
                    "raw": -70000.0,
                    # the halves of -70000 = FFFE EE90 exchanged: EE90 FFFE
                    "swapped": float(0xEE90FFFE),
                }
            )
            assert at_work.health.refused == {}
            assert at_work.health.state == "reading"

    def test_current_loop(self, cable: Cable) -> None:
        names = ("half", "broken", "short", "under")
        registers = [
            register(name, 2, at, type="uint16", scale=0.001, at_4_ma=RANGE[0], at_20_ma=RANGE[1])
            for at, name in enumerate(names)
        ]
        with running(source(cable, *registers)) as at_work:
            values = at_work.take(1)[0].values
            assert values["half"] == pytest.approx(-2500.0)
            assert values["under"] == pytest.approx(93.75)  # 3.7 mA: 0.3 mA below zero of the range, not yet a fault
            assert math.isnan(values["broken"])
            assert math.isnan(values["short"])
            assert at_work.health.refused == {"loop current below 3.6 mA": 1, "loop current above 21 mA": 1}

    def test_what_a_unit_cannot_give_is_nan(self, cable: Cable) -> None:
        made = source(cable, register("a", 1, 500), register("b", 1, 20, "holding", "float32"))
        with running(made) as at_work:
            values = at_work.take(1)[0].values
            assert math.isnan(values["a"])
            assert math.isnan(values["b"])
            assert at_work.health.refused == {"unit answers: illegal address": 1, "not a number": 1}

    def test_a_unit_that_does_not_answer_is_left_out_and_named(self, cable: Cable) -> None:
        cable.deaf = {9}
        made = source(cable, register("a", 9, 0), register("b", 1, 0), every="0.1 s", timeout_s=IMPATIENT_S)
        with running(made) as at_work:
            at_work.until("no answer from unit 9")
            samples = at_work.take(8)
            assert all(set(sample.values) == {"b"} for sample in samples)
            assert at_work.health.refused["no answer"] <= 5  # asked seldom after three times

    def test_garbled_answers_are_not_believed(self, cable: Cable) -> None:
        with running(source(cable, register("a", 1, 0), every="0.05 s", timeout_s=IMPATIENT_S)) as at_work:
            at_work.take(1)
            cable.garble = True
            at_work.until("no answer from unit 1: check wiring, baud (9600) and parity (N)")
            cable.garble = False
            at_work.until("reading", 8.0)

    def test_unplugged_and_stopped_promptly(self, cable: Cable) -> None:
        made = source(cable, register("a", 1, 0), every="0.05 s", retry=RetrySettings(300.0, 600.0))
        with running(made) as at_work:
            at_work.take(1)
            cable.unplug_near()
            eventually(lambda: not at_work.health.connected)
            assert "unplugged?" in at_work.health.state or "no device" in at_work.health.state
            at_work.end()


def test_no_port_at_all(tmp_path: Path) -> None:
    table = {"kind": "modbus", "device": str(tmp_path / "absent"), "registers": [register("a", 1, 0)]}
    made = ModbusSource(ModbusTable.model_validate(table), FakeClock())
    with running(made) as at_work:
        at_work.until("there is no device")
        at_work.end()


@pytest.mark.slow
def test_nobody_on_the_line(cable: Cable) -> None:
    with running(source(cable, register("a", 1, 0), timeout_s=IMPATIENT_S)) as at_work:
        at_work.until("no answer from unit 1: check wiring")
        at_work.end()


TYPES = ModbusClientMixin.DATATYPE
RANGES = {
    "int16": st.integers(-(2**15), 2**15 - 1),
    "uint16": st.integers(0, 2**16 - 1),
    "int32": st.integers(-(2**31), 2**31 - 1),
    "uint32": st.integers(0, 2**32 - 1),
    "float32": st.floats(width=32, allow_nan=False),
}


@pytest.mark.parametrize("kind", RANGES)
@pytest.mark.parametrize("order", ["big", "little"])
@given(data=st.data())
def test_registers_against_pymodbus_own_conversion(kind: str, order: Any, data: st.DataObject) -> None:
    number = data.draw(RANGES[kind])
    registers = ModbusClientMixin.convert_to_registers(number, TYPES[kind.upper()], word_order=order)
    assert decode_registers(registers, kind, order) == number


def test_a_known_float() -> None:
    """IEEE 754 single precision: 0x42F6E979 is 123.456 to seven digits (python's struct agrees)."""
    assert decode_registers([0x42F6, 0xE979], "float32", "big") == struct.unpack(">f", bytes.fromhex("42f6e979"))[0]
    assert decode_registers([0xE979, 0x42F6], "float32", "little") == pytest.approx(123.456, abs=1e-5)


@pytest.mark.parametrize(
    ("current", "value"),
    [
        (4.0, 0.0),
        (8.0, -1250.0),
        (12.0, -2500.0),
        (20.0, -5000.0),
        (20.5, -5156.25),
        (3.8, 62.5),
        (3.6, 125.0),
        (3.59, "loop current below 3.6 mA"),
        (0.0, "loop current below 3.6 mA"),
        (21.0, -5312.5),
        (21.01, "loop current above 21 mA"),
        (math.nan, "not a number"),
        (math.inf, "not a number"),
    ],
)
def test_loop_value(current: float, value: float | str) -> None:
    assert loop_value(current, *RANGE) == (value if isinstance(value, str) else pytest.approx(value))


@given(st.floats(3.6, 21.0), st.floats(-1e4, 1e4), st.floats(1.0, 1e4))
def test_a_loop_is_a_straight_line_through_its_two_points(current: float, low: float, span: float) -> None:
    value = loop_value(current, low, low + span)
    assert isinstance(value, float)
    assert (value - low) / span == pytest.approx((current - 4.0) / 16.0, abs=1e-9)


def test_an_answer_of_the_wrong_length() -> None:
    double = ModbusRegister.model_validate(register("a", 1, 0, "holding", "float32"))
    assert register_value([1], double) == "wrong length of answer"
    with pytest.raises(ValueError, match="takes 2 registers, not 1"):
        decode_registers([1], "float32", "big")


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"scale": 0.0}, "scale is 0"),
        ({"scale": math.inf}, "finite"),
        ({"at_4_ma": 5.0, "at_20_ma": 5.0}, "measures nothing"),
    ],
)
def test_registers_that_cannot_be(wrong: dict[str, Any], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        ModbusRegister.model_validate(register("a", 1, 0) | wrong)


def test_two_registers_of_one_channel() -> None:
    with pytest.raises(ValueError, match="two registers feed one channel"):
        ModbusTable.model_validate({"kind": "modbus", "device": "d", "registers": [register("a", 1, 0), register("a", 2, 0)]})
