"""The plant's motor against worked textbook machines, code tables of full-load currents and plain physics."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.plant.motor import Circuit, MotorTable, motor_from_plate, start_up, typical_plate
from analysis.plant.shop import Nameplate

HP = 745.6999


def test_three_phase_textbook_machine() -> None:
    """460 V, 25 hp, four poles, slip 2.2 %: the question stands in several public copies, the answer 18.88 A at a power
    factor of 0.833 lagging, 12 530 W drawn, 10 485 W given at 1760 rpm is from memory of the textbook."""
    point = Circuit(3, 460.0 / 3**0.5, 0.641, 1.106, 0.332, 0.464, 26.3, 1100.0, 1800.0).run(0.022)
    assert float(point.current_a) == pytest.approx(18.88, rel=0.002)
    assert float(point.power_factor) == pytest.approx(0.833, abs=0.002)
    assert float(point.drawn_w) == pytest.approx(12530.0, rel=0.002)
    assert float(point.shaft_w) == pytest.approx(10485.0, rel=0.002)
    assert float(point.rpm) == pytest.approx(1760.4, abs=0.1)


def test_single_phase_textbook_machine() -> None:
    """1/4 hp, 110 V, four poles, slip 5 %, rotating losses 37 W: the question stands in a public copy, the answer 3.59 A
    at 0.62, 147 W, 1710 rpm is from memory of the textbook (whose impedances are rounded to three figures)."""
    point = Circuit(1, 110.0, 2.02, 2.79, 4.12, 2.12, 66.8, 37.0, 1800.0).run(0.05)
    assert float(point.current_a) == pytest.approx(3.59, rel=0.006)
    assert float(point.power_factor) == pytest.approx(0.62, abs=0.005)
    assert float(point.shaft_w) == pytest.approx(147.0, rel=0.006)
    assert float(point.rpm) == pytest.approx(1710.0, abs=0.1)


NEC_ONE_PHASE = {1.5: 10.0, 2.0: 12.0, 3.0: 17.0, 5.0: 28.0}
NEC_THREE_PHASE = {1.5: 6.0, 2.0: 6.8, 3.0: 9.6, 5.0: 15.2}


@pytest.mark.parametrize(("phases", "table"), [(1, NEC_ONE_PHASE), (3, NEC_THREE_PHASE)])
def test_typical_plates_lie_under_the_code_tables(phases: int, table: dict[float, float]) -> None:
    """NEC tables 430.248 and 430.250 at 230 V, made for sizing wires: a motor draws 70 to 105 % of them."""
    for power, amps in table.items():
        assert 0.70 < typical_plate(power * HP, 230.0, phases).full_load_a / amps < 1.05


@pytest.mark.parametrize(("phases", "table"), [(1, NEC_ONE_PHASE), (3, NEC_THREE_PHASE)])
def test_a_machine_can_be_made_for_every_current_of_the_code(phases: int, table: dict[float, float]) -> None:
    for power, amps in table.items():
        plate = Nameplate(power * HP, 230.0, amps, phases)
        point = motor_from_plate(plate).run(np.array([0.0417, 1e-4, 1.0]))
        assert point.shaft_w[0] == pytest.approx(plate.power_w, rel=1e-6)
        assert point.current_a[0] == pytest.approx(amps, rel=1e-6)
        assert point.current_a[1] == pytest.approx(plate.idle_share * amps, rel=1e-6)
        assert 4.0 < point.current_a[2] / amps < 8.0, "locked rotor draws 4 to 8 times full load (common practice)"


def test_energy_is_not_made() -> None:
    circuit = motor_from_plate(Nameplate(2.0 * HP, 230.0, 11.2))
    point = circuit.run(np.linspace(0.002, 0.2, 50))
    assert np.all(point.shaft_w < point.drawn_w)


def test_idle_current_rises_faster_than_voltage() -> None:
    """Saturation: 5 % more voltage, more than 5 % more idle current."""
    circuit = motor_from_plate(Nameplate(2.0 * HP, 230.0, 11.2))
    idle = circuit.run(np.full(2, 1e-4), np.array([1.0, 1.05])).current_a
    assert idle[1] / idle[0] > 1.07


def test_a_loaded_motor_draws_more_at_low_voltage() -> None:
    table = MotorTable(motor_from_plate(Nameplate(2.0 * HP, 230.0, 11.2)), 2.0 * HP)
    for share in (0.65, 0.8, 1.0):
        load = np.full(2, share * 2.0 * HP)
        slip, current = table.look_up(load, np.array([1.0, 0.88]))
        assert current[1] > current[0]
        assert slip[1] > slip[0]


def test_the_table_is_the_circuit() -> None:
    circuit = motor_from_plate(Nameplate(2.0 * HP, 230.0, 11.2))
    point = circuit.run(np.array([0.02, 0.03, 0.04]), 0.97)
    slip, current = MotorTable(circuit, 2.0 * HP).look_up(point.shaft_w, np.full(3, 0.97))
    assert current == pytest.approx(point.current_a, rel=2e-3)
    assert slip == pytest.approx([0.02, 0.03, 0.04], rel=5e-3)


def test_running_up_takes_a_second_or_two_with_a_heavy_current() -> None:
    """A heavy wheel is up in 0.5 to 4 s and draws several times its plate meanwhile (common practice)."""
    plate = Nameplate(2.0 * HP, 230.0, 11.2)
    rise = start_up(motor_from_plate(plate), plate.power_w, 0.8 * plate.power_w)
    up = 0.1 * int(np.argmax(rise.speed > 0.95))
    assert 0.5 < up < 4.0
    assert rise.current_a[0] > 4.0 * plate.full_load_a
    assert rise.current_a[-1] < plate.full_load_a


def test_a_plate_with_too_little_current_is_refused() -> None:
    with pytest.raises(ValueError, match="too little current"):
        motor_from_plate(Nameplate(2.0 * HP, 230.0, 6.0))
