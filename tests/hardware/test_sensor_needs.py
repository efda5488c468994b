"""Ranges, signals and effects of errors, against the solver itself and against the arithmetic of a current transformer."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analysis.duct.design import AsBuilt
from analysis.duct.solve import every_gate_set, solve, solve_many
from analysis.sensor_needs import burden, drawing_sd, effects, needs, signals
from daemon.config.load import load

DESIGN = load(Path(__file__).parents[2] / "daemon" / "demo" / "chair-barn.toml").design


def test_the_ranges_hold_every_gate_set() -> None:
    """Not only the sets that were looked at: all sixteen, clean and three times as dirty, in thick air, with a strong fan."""
    found = {need.channel: need for need in needs(DESIGN)}
    gates = every_gate_set(DESIGN)
    dense = replace(DESIGN.air, density_kgm3=1.06 * DESIGN.air.density_kgm3)
    for ratio in (1.0, 3.0):
        points = solve_many(DESIGN, gates, filter_drag_pasm3=ratio * DESIGN.filter.clean_drag_pasm3, air=dense,
                            as_built=AsBuilt(fan_pressure=1.05))
        assert found["inlet_pa"].span is not None
        assert float(np.max(-points.inlet_pa)) < found["inlet_pa"].span
        assert found["filter_pa"].span is not None
        assert float(np.max(points.filter_pa)) < found["filter_pa"].span
        assert points.motor_a is not None
        assert found["motor_a"].span is not None
        assert float(np.max(points.motor_a)) < found["motor_a"].span
    assert found["inlet_pa"].low < 0.0 < found["filter_pa"].high


def test_signs_of_the_signals_are_the_trade_s() -> None:
    """Size of suction, filter pressure, current: blocked up/down/down, loaded down/up/down, leak down/up/up, torn bag
    up/down/up, slow fan down/down/down (common practice, and a toy model's signs)."""
    planer = {signal.words: signal for signal in signals(DESIGN, ("planer",))}
    for words, signs in (
        ("half of the planer's pipe plugged", (1, -1, -1)), ("bags at 1.75 times their clean drag", (-1, 1, -1)),
        ("the bandsaw's gate left open as well", (-1, 1, 1)), ("the hose off at the planer", (-1, 1, 1)),
        ("a bag torn: drag down to a third", (1, -1, 1)), ("the fan 5 % slow", (-1, -1, -1)),
    ):
        signal = planer[words]
        assert signal.motor_a is not None
        assert (-np.sign(signal.inlet_pa), np.sign(signal.filter_pa), np.sign(signal.motor_a)) == signs, words


def test_an_error_of_the_inlet_does_what_was_said() -> None:
    """Move the truth until the inlet reads 10 Pa otherwise, and see how far the flow has gone."""
    said = next(effect for effect in effects(DESIGN, ("lathe",)) if effect.words == "inlet zero off by 10 Pa (0.04 inwg)")
    assert said.flow_by_inlet is not None
    base = solve(DESIGN, ("lathe",))
    low, high = 0.9, 1.1
    for _ in range(50):
        middle = 0.5 * (low + high)
        everywhere = AsBuilt(run_k=dict.fromkeys(DESIGN.run_names, middle), port_k=dict.fromkeys(DESIGN.port_names, middle))
        moved = solve(DESIGN, ("lathe",), as_built=everywhere)
        low, high = (middle, high) if moved.inlet_pa - base.inlet_pa > 10.0 else (low, middle)
    assert moved.flow_m3s / base.flow_m3s - 1.0 == pytest.approx(said.flow_by_inlet, rel=0.05)


def test_density_is_the_error_that_hurts_most() -> None:
    """Ten degrees look like a tenth of the flow when one small port is open, if nobody measures the air."""
    found = {effect.words: effect for effect in effects(DESIGN, ("planer",))}
    warm = found["air taken for 15 °C (59 °F) while it has 25 °C (77 °F)"]
    assert warm.flow_by_inlet is not None
    assert abs(warm.flow_by_inlet) == max(abs(e.flow_by_inlet) for e in found.values() if e.flow_by_inlet is not None)
    assert warm.flow_by_filter == pytest.approx(0.0, abs=0.002)
    assert 0.01 < drawing_sd(DESIGN, ("planer",)) < 0.1


def test_signals_need_an_open_port() -> None:
    with pytest.raises(ValueError, match="open port"):
        signals(DESIGN, ())


@pytest.mark.parametrize(("amps", "ratio", "volts"), [(15.0, 1000.0, 3.3), (30.0, 2000.0, 5.0), (100.0, 2000.0, 3.3)])
def test_a_burden_keeps_the_peaks_inside_the_converter(amps: float, ratio: float, volts: float) -> None:
    found = burden(amps, ratio, volts)
    wave = volts / 2 + math.sqrt(2) * amps / ratio * found.chosen_ohm * np.sin(np.linspace(0, 2 * np.pi, 1001))
    assert 0.0 < wave.min() < wave.max() < volts
    assert wave.max() - volts / 2 == pytest.approx(found.peak_v, rel=1e-4)
    assert 0.7 * found.largest_ohm < found.chosen_ohm <= found.largest_ohm
    assert found.clips_a > amps
    with pytest.raises(ValueError, match="above zero"):
        burden(0.0, ratio, volts)
