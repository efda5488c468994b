"""Power from current, against the textbook equivalent circuit of the induction machine and the definitions."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.duct.motor import Motor
from analysis.energy import UNCERTAINTY, power_drawn_w
from analysis.plant.motor import motor_from_plate, typical_plate

BARN = Motor(1491.4, 1, 230.0, 11.2)
THREE = Motor(2237.1, 3, 400.0, 4.9)


@given(shaft=st.floats(1.0, 2500.0), volts=st.floats(200.0, 255.0))
def test_it_reads_the_motors_model_backwards(shaft: float, volts: float) -> None:
    current = BARN.current_scalar(shaft, volts)
    assert float(power_drawn_w(BARN, current, volts)) == pytest.approx(BARN.power_in_w(shaft), rel=1e-6)


def test_at_full_load_it_is_the_plates_power_over_efficiency() -> None:
    # definition of efficiency: shaft power over electrical power
    for motor in (BARN, THREE):
        assert float(power_drawn_w(motor, motor.full_a)) == pytest.approx(motor.power_w / motor.full_efficiency, rel=1e-6)


@given(amps=st.floats(0.5, 30.0))
def test_never_more_than_volts_times_amperes_at_any_load(amps: float) -> None:
    for motor, phase in ((BARN, 1.0), (THREE, math.sqrt(3.0))):
        if amps >= motor.current_scalar(0.0):
            assert float(power_drawn_w(motor, amps)) <= phase * motor.voltage_v * amps * 1.0001


@pytest.mark.parametrize(
    ("kilowatt", "volts", "phases"), [(0.75, 230.0, 1), (1.8, 230.0, 1), (3.0, 230.0, 1), (1.1, 400.0, 3), (5.5, 400.0, 3)]
)
def test_against_an_equivalent_circuit(kilowatt: float, volts: float, phases: int) -> None:
    plate = typical_plate(kilowatt * 1000.0, volts, phases)
    motor = Motor(plate.power_w, phases, volts, plate.full_load_a)
    point = motor_from_plate(plate).run(np.linspace(0.0005, 0.12, 4000))
    loads = point.shaft_w / plate.power_w
    working = (loads > 0.4) & (loads < 1.1)
    assert working.sum() > 100
    share = power_drawn_w(motor, point.current_a[working]) / point.drawn_w[working]
    assert abs(share - 1.0).max() < UNCERTAINTY


def test_unknown_no_and_too_much_current() -> None:
    found = power_drawn_w(BARN, [math.nan, 0.0, 1.0, 1000.0])
    assert math.isnan(found[0])
    assert found[1] == 0.0
    assert found[2] == pytest.approx(BARN.power_in_w(0.0))
    assert found[3] == pytest.approx(BARN.power_in_w(3.0 * BARN.power_w), rel=1e-6)


def test_an_unknown_voltage_is_taken_as_the_plates() -> None:
    assert list(power_drawn_w(BARN, [9.0, 9.0], [math.nan, 230.0])) == pytest.approx([float(power_drawn_w(BARN, 9.0))] * 2)
