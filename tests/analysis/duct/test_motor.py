"""Motor current against the electrical code's tables, the plate and the known shape."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.duct.motor import Motor, nec_full_load_a
from analysis.units import HORSEPOWER_W

BARN = Motor(2 * HORSEPOWER_W, 1, 230.0, 11.2, 1.15)


@pytest.mark.parametrize(
    ("horsepower", "phases", "volts", "amperes"),
    [
        # NEC table 430.248, single phase (seen in a copy of the 1999 edition)
        (1, 1, 115, 16), (1.5, 1, 115, 20), (2, 1, 115, 24), (3, 1, 115, 34), (5, 1, 115, 56),
        (1, 1, 230, 8.0), (1.5, 1, 230, 10), (2, 1, 230, 12), (3, 1, 230, 17), (5, 1, 230, 28),
        # NEC table 430.250, three phase (seen in a copy of the 2008 edition)
        (1, 3, 230, 4.2), (1.5, 3, 230, 6.0), (2, 3, 230, 6.8), (3, 3, 230, 9.6), (5, 3, 230, 15.2), (2, 3, 115, 13.6),
    ],
)
def test_full_load_current_is_the_codes(horsepower: float, phases: int, volts: float, amperes: float) -> None:
    power = horsepower * HORSEPOWER_W
    assert nec_full_load_a(power, phases, volts) == pytest.approx(amperes, rel=1e-9)
    motor = Motor(power, phases, volts)
    assert motor.full_load_a == pytest.approx(amperes)
    assert motor.current_scalar(power) == pytest.approx(amperes, rel=1e-9)


def test_outside_the_tables_there_is_no_current_to_guess() -> None:
    assert nec_full_load_a(100 * HORSEPOWER_W, 3, 230.0) is None
    assert nec_full_load_a(HORSEPOWER_W, 1, 48.0) is None
    with pytest.raises(ValueError, match="give full_load_current"):
        Motor(100 * HORSEPOWER_W, 3, 230.0)
    # 240 V reads the 230 V column and carries it over
    assert nec_full_load_a(2 * HORSEPOWER_W, 1, 240.0) == pytest.approx(12 * 230 / 240)


@pytest.mark.parametrize("motor", [BARN, Motor(2 * HORSEPOWER_W, 3, 230.0), Motor(1100.0, 3, 400.0, 2.5)])
def test_current_meets_the_plate_and_idles_between_30_and_50_percent(motor: Motor) -> None:
    assert motor.current_scalar(motor.power_w) == pytest.approx(motor.full_a, rel=1e-9)
    # idle 30 to 50 % of full load (from memory)
    assert 0.30 <= motor.current_scalar(0.0) / motor.full_a <= 0.50
    load = np.linspace(0.0, 1.5, 60) * motor.power_w
    current = motor.current_a(load)
    assert (np.diff(current) > 0).all()
    # amperes are not power: half the load takes well over half the current
    assert float(motor.current_a(0.5 * motor.power_w)) > 0.52 * motor.full_a


@pytest.mark.parametrize("motor", [BARN, Motor(2 * HORSEPOWER_W, 3, 230.0)])
def test_energy_is_conserved(motor: Motor) -> None:
    """Power in exceeds power out by the losses, and volts times amperes exceed power in (power factor below 1)."""
    phase = 1.0 if motor.phases == 1 else math.sqrt(3.0)
    for load in (0.0, 0.3, 0.7, 1.0, 1.2):
        shaft = load * motor.power_w
        power_in = motor.power_in_w(shaft)
        assert power_in > shaft
        assert motor.current_scalar(shaft) * motor.voltage_v * phase >= power_in * (1 - 1e-12)
    assert motor.power_w / motor.power_in_w(motor.power_w) == pytest.approx(motor.full_efficiency)


def test_line_voltage() -> None:
    # loaded: less voltage, more current, about in proportion; idle: less voltage, less magnetising current
    full = BARN.power_w
    assert BARN.current_scalar(full, 0.9 * 230) / BARN.current_scalar(full) == pytest.approx(1 / 0.9, rel=0.06)
    assert BARN.current_scalar(0.0, 0.9 * 230) < BARN.current_scalar(0.0)


@given(shaft=st.floats(min_value=0.0, max_value=2500.0), volts=st.floats(min_value=190.0, max_value=260.0))
def test_both_paths_give_the_same_number(shaft: float, volts: float) -> None:
    assert float(BARN.current_a(shaft, volts)) == pytest.approx(BARN.current_scalar(shaft, volts), rel=1e-12)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((2 * HORSEPOWER_W, 1, 230.0, 5.0), "contradicts itself"),
        ((2 * HORSEPOWER_W, 2, 230.0, 11.0), "1 or 3 phases"),
        ((0.0, 1, 230.0, 11.0), "more than zero"),
    ],
)
def test_an_impossible_plate_is_refused(arguments: tuple[float, int, float, float], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        Motor(*arguments)


def test_a_plate_with_little_current_means_a_better_motor() -> None:
    good = Motor(2 * HORSEPOWER_W, 1, 230.0, 8.0)
    assert good.full_efficiency > BARN.full_efficiency
