"""Sensors and the series behind them: correlation, noise, steps, drift and every sensor fault."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from analysis.plant.asbuilt import NO_SPREAD, as_built
from analysis.plant.blocks import Block
from analysis.plant.day import steady
from analysis.plant.faults import Fault, FaultKind
from analysis.plant.sensors import FAST_S, LOCAL_S, Pulsation
from analysis.plant.series import coloured, lag, recursion
from analysis.plant.simulate import simulate
from tests.support.barn import barn

NOON = 1_772_452_800.0


def run(seconds: float = 1200.0, faults: tuple[Fault, ...] = (), **more: object) -> Block:
    shop = as_built(barn(), 1, NO_SPREAD)
    blocks = simulate(shop, steady(["planer"], NOON, seconds), 9, faults, **more)  # type: ignore[arg-type]
    return next(block for block in blocks if block.truth.fan.any())


def test_the_recursion_is_the_librarys_filter() -> None:
    drive = np.random.default_rng(1).standard_normal(1000)
    ours = recursion(drive, 0.93, 2.0)
    theirs, _ = lfilter([1.0], [1.0, -0.93], drive, zi=[0.93 * 2.0])
    assert ours == pytest.approx(theirs, abs=1e-10)


def test_a_lag_reaches_sixty_three_percent_in_its_time() -> None:
    assert lag(np.ones(10), 5.0, 0.0)[4] == pytest.approx(1.0 - np.exp(-1.0))


def test_coloured_noise_has_its_variance_and_correlation() -> None:
    noise = coloured(np.random.default_rng(2).standard_normal(200_000), 6.0, 0.0)
    assert np.std(noise) == pytest.approx(1.0, rel=0.02)
    for gap in (1, 6, 12):
        assert np.mean(noise[gap:] * noise[:-gap]) == pytest.approx(np.exp(-gap / 6.0), abs=0.03)


def test_pulsation_is_correlated_as_stated() -> None:
    """The part common to all channels falls with the fast time, each tap's own with the local one."""
    pulse = Pulsation().draw(np.random.default_rng(3), 100_000, np.ones(100_000))["inlet_pa"]
    whole = np.corrcoef(pulse[1:], pulse[:-1])[0, 1]
    assert np.exp(-1.0 / LOCAL_S) < whole < np.exp(-1.0 / 45.0)
    far = np.corrcoef(pulse[15:], pulse[:-15])[0, 1]
    assert 0.02 < far < 0.25
    assert FAST_S > LOCAL_S


def test_pulsation_goes_on_from_block_to_block() -> None:
    whole = Pulsation().draw(np.random.default_rng(4), 50, np.ones(50))
    pulsation, rng = Pulsation(), np.random.default_rng(4)
    pulsation.draw(rng, 50, np.ones(50))
    after = pulsation.draw(rng, 50, np.ones(50))
    jump = abs(after["inlet_pa"][0] - whole["inlet_pa"][-1])
    assert jump < 4.0 * np.std(np.diff(whole["inlet_pa"]))


def test_readings_of_a_steady_run_are_not_independent() -> None:
    block = run()
    inlet = block.channels["inlet_pa"][60:1190]
    assert np.corrcoef(inlet[1:], inlet[:-1])[0, 1] > 0.4
    assert 0.003 < np.std(inlet) / abs(np.mean(inlet)) < 0.015


def test_readings_come_in_the_sensors_steps() -> None:
    block = run(120.0)
    for name, step in (("inlet_pa", 1.0), ("filter_pa", 0.5), ("motor_a", 0.01)):
        counts = block.channels[name] / step
        assert counts == pytest.approx(np.round(counts), abs=1e-6)


def test_zero_drifts_with_temperature() -> None:
    """At rest in January and July the zero differs by the coefficient times the difference in temperature."""
    shop = as_built(barn(), 1, NO_SPREAD)
    seen = []
    for t in (1_768_478_400.0, 1_784_116_800.0):
        blocks = simulate(shop, steady([], t, 60.0, idle_s=3600.0), 9, channels=("inlet_pa", "air_c"), idle_step_s=1.0)
        first = next(iter(blocks))
        seen.append((np.mean(first.channels["air_c"]), np.mean(first.channels["inlet_pa"])))
    (cold, low), (warm, high) = seen
    assert warm - cold > 10.0
    assert (high - low) / (warm - cold) == pytest.approx(shop.sensors["inlet_pa"].drift_per_k, rel=0.05)


def fault(kind: FaultKind, where: str, size: float = 0.0) -> Fault:
    return Fault(kind, NOON + 330.0, where=where, size=size)


def test_stuck_repeats_to_the_digit() -> None:
    block = run(faults=(fault(FaultKind.SENSOR_STUCK, "inlet_pa"),))
    assert len(set(block.channels["inlet_pa"][300:].tolist())) == 1
    assert len(set(block.channels["inlet_pa"][100:290].tolist())) > 5


def test_silent_sends_nothing() -> None:
    block = run(faults=(fault(FaultKind.SENSOR_SILENT, "motor_a"),))
    assert np.all(np.isnan(block.channels["motor_a"][300:]))
    rows = list(block.frames())
    assert "motor_a" in rows[200][1]
    assert "motor_a" not in rows[400][1]
    assert set(rows[400][1]) == {"inlet_pa", "filter_pa"}


@pytest.mark.parametrize("kind", [FaultKind.SENSOR_OFFSET, FaultKind.SENSOR_DRIFT])
def test_offset_and_drift_add_what_they_say(kind: FaultKind) -> None:
    healthy, wrong = run(), run(faults=(fault(kind, "filter_pa", 40.0),))
    added = wrong.channels["filter_pa"] - healthy.channels["filter_pa"]
    late = float(np.mean(added[1100:1190]))
    expected = 40.0 if kind == FaultKind.SENSOR_OFFSET else 40.0 * 845.0 / 86400.0
    assert late == pytest.approx(expected, abs=0.3)
    assert np.all(added[:300] == 0.0)


def test_noise_and_spikes() -> None:
    healthy = run()
    noisy = run(faults=(fault(FaultKind.SENSOR_NOISE, "inlet_pa", 60.0),))
    added = noisy.channels["inlet_pa"][300:1190] - healthy.channels["inlet_pa"][300:1190]
    assert np.std(added) == pytest.approx(60.0, rel=0.15)
    spiked = run(faults=(fault(FaultKind.SENSOR_SPIKES, "inlet_pa", 900.0),))
    high = np.abs(spiked.channels["inlet_pa"][300:1190] - np.median(spiked.channels["inlet_pa"][300:1190])) > 600.0
    assert 0.008 < np.mean(high) < 0.035


def test_dropouts_come_as_often_as_asked() -> None:
    block = run(dropout=0.05)
    assert np.mean(np.isnan(block.channels["inlet_pa"])) == pytest.approx(0.05, abs=0.02)


def test_a_plugged_tube_holds_its_pressure_after_the_fan_stops() -> None:
    block = run(600.0, faults=(fault(FaultKind.TUBE_PLUGGED, "inlet_pa"),))
    assert block.channels["inlet_pa"][-1] < -1000.0
    assert abs(block.channels["filter_pa"][-1]) < 30.0


def test_sensor_faults_name_channels() -> None:
    with pytest.raises(ValueError, match="'gate_pa' is no channel"):
        run(faults=(fault(FaultKind.SENSOR_STUCK, "gate_pa"),))
    with pytest.raises(ValueError, match="no such channel: wind_ms"):
        run(channels=("wind_ms",))
