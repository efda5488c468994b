"""Calibration, vetting, framing and the run state: from a raw sample to a frame."""

from __future__ import annotations

import math

import pytest

from analysis.readings import Quality, Reading, RunState
from analysis.run_state import RunDetector, RunThresholds
from daemon.calibrate import Calibrator, SensorSpec
from daemon.framing import Framer
from daemon.sources.contract import Sample, SourceHealth
from daemon.vetting import Vetter

INLET = SensorSpec("inlet_pa", "inlet_pa", low=-6000, high=500, max_jump=1500, stuck_s=30, hold_s=5)
MOTOR = SensorSpec("motor_a", "amps", source="node", hold_s=5, low=-0.5, high=60)


def readings(*pairs: tuple[float, float | None]) -> list[Reading]:
    return [
        Reading("inlet_pa", t, value, Quality.GOOD if value is not None else Quality.UNREADABLE) for t, value in pairs
    ]


class TestCalibration:
    def test_unit_scale_and_offset(self) -> None:
        # 2 in. w.g. of suction, sensor mounted the wrong way round; 249.08891 Pa: NIST SP 811 App. B.8.
        spec = SensorSpec("inlet_pa", "p1", unit="inwg", scale=-1.0, offset=5.0)
        (reading,) = Calibrator((spec,)).readings(Sample("any", 10.0, {"p1": 2.0}))
        assert reading.value == pytest.approx(-2 * 249.08891 + 5.0)
        assert (reading.channel, reading.t, reading.quality) == ("inlet_pa", 10.0, Quality.GOOD)

    def test_fahrenheit_keeps_its_zero(self) -> None:
        spec = SensorSpec("air_c", "temp", unit="F")
        (reading,) = Calibrator((spec,)).readings(Sample("any", 0.0, {"temp": 68.0}))
        assert reading.value == pytest.approx(20.0)

    @pytest.mark.parametrize("raw", [math.nan, math.inf, -math.inf, 1e308 * 10])
    def test_what_is_not_finite_is_unreadable(self, raw: float) -> None:
        (reading,) = Calibrator((INLET,)).readings(Sample("any", 0.0, {"inlet_pa": raw}))
        assert (reading.value, reading.quality) == (None, Quality.UNREADABLE)

    def test_an_unknown_name_is_counted_and_a_foreign_source_is_not_heard(self) -> None:
        health = {"node": SourceHealth("node", "serial"), "other": SourceHealth("other", "mqtt")}
        calibrator = Calibrator((MOTOR,), health)
        assert calibrator.readings(Sample("node", 0.0, {"amps": 9.0, "watts": 1.0}))[0].value == 9.0
        assert calibrator.readings(Sample("other", 0.0, {"amps": 9.0})) == []
        assert health["node"].unknown_channels == {"watts": 1}
        assert health["other"].refused == {"unknown channel": 1}


class TestVetting:
    def test_out_of_range(self) -> None:
        (out,) = Vetter((INLET,)).vet(readings((0, -7000.0)), True)
        assert (out.value, out.quality) == (None, Quality.OUT_OF_RANGE)

    def test_a_lone_spike_never_passes_and_a_step_arrives_one_reading_late(self) -> None:
        vetter = Vetter((INLET,))
        spike = vetter.vet(readings((0, -100.0), (1, -5000.0), (2, -110.0)), True)
        assert [r.value for r in spike] == [-100.0, None, -110.0]
        step = vetter.vet(readings((3, -2500.0), (4, -2510.0), (5, -2490.0)), True)
        assert [r.value for r in step] == [None, -2510.0, -2490.0]
        assert vetter.counts == {"inlet_pa": {"jump": 2}}

    def test_stuck_only_while_running(self) -> None:
        same = [(float(t), -2000.0) for t in range(40)]
        running = Vetter((INLET,)).vet(readings(*same), True)
        assert running[29].quality is Quality.GOOD
        assert [r.quality for r in running[30:]] == [Quality.STUCK] * 10
        resting = Vetter((INLET,)).vet(readings(*same), False)
        assert {r.quality for r in resting} == {Quality.GOOD}


class TestRunState:
    limits = RunThresholds(on_a=2.0, off_a=1.0, off_hold_s=2.0, settle_s=5.0, coast_s=10.0)

    def states(self, series: list[tuple[float, dict[str, float]]]) -> list[str]:
        detector = RunDetector(self.limits)
        return [detector.update(t, values).value for t, values in series]

    def test_hysteresis_holds_between_the_limits(self) -> None:
        series = [(float(t), {"motor_a": a}) for t, a in enumerate([0, 1.5, 3, 1.5, 1.5, 1.5, 1.5, 1.5, 1.5])]
        assert self.states(series) == ["off", "off", *["starting"] * 5, "running", "running"]

    def test_a_dip_is_not_a_stop(self) -> None:
        series = [(float(t), {"motor_a": a}) for t, a in enumerate([0, 3, 3, 3, 3, 3, 3, 0, 3, 3])]
        assert self.states(series)[7:] == ["stopping", "running", "running"]

    def test_stop_coasts_then_rests(self) -> None:
        series = [(float(t), {"motor_a": 3.0 if t < 10 else 0.0}) for t in range(25)]
        states = self.states(series)
        assert states[9] == "running"
        assert set(states[10:20]) == {"stopping"}
        assert set(states[20:]) == {"off"}

    def test_pressure_stands_in_for_a_missing_current(self) -> None:
        series = [(0.0, {"inlet_pa": -3.0}), (1.0, {"inlet_pa": -900.0}), (9.0, {"inlet_pa": -900.0})]
        assert self.states(series) == ["off", "starting", "running"]

    def test_blind_is_unknown_and_not_off(self) -> None:
        series = [(0.0, {"motor_a": 3.0}), (10.0, {"motor_a": 3.0}), (20.0, {}), (60.0, {}), (61.0, {"motor_a": 3.0})]
        assert self.states(series) == ["starting", "running", "running", "unknown", "starting"]

    def test_idle_current_of_any_induction_motor_counts_as_on(self) -> None:
        # An induction motor idles at 30-50 % of its full-load current: common practice, from memory.
        limits = RunThresholds.for_motor(10.0)
        assert limits.off_a < limits.on_a < 3.0


def framer(*specs: SensorSpec) -> Framer:
    return Framer(specs or (INLET,), RunDetector(RunThresholds()))


class TestFraming:
    def test_readings_of_one_tick_are_averaged_and_the_next_tick_closes_it(self) -> None:
        frames = framer()
        assert frames.add(100.2, readings((100.2, -10.0))) == []
        assert frames.add(100.7, readings((100.7, -20.0))) == []
        (frame,) = frames.add(101.1, readings((101.1, -30.0)))
        assert (frame.t, frame.inlet_pa) == (100.0, -15.0)

    def test_a_silent_channel_is_held_then_has_no_value(self) -> None:
        frames = framer(INLET, SensorSpec("filter_pa", "filter_pa", hold_s=2.0))
        frames.add(0.0, [*readings((0, -10.0)), Reading("filter_pa", 0.0, 50.0)])
        out = [f for t in range(1, 6) for f in frames.add(float(t), readings((t, -10.0)))]
        assert [f.filter_pa for f in out] == [50.0, 50.0, 50.0, None, None]
        assert out[3].quality == {"filter_pa": Quality.SILENT}

    def test_a_bad_reading_says_why(self) -> None:
        frames = framer()
        frames.add(0.0, readings((0, None)))
        (frame,) = frames.add(1.0, readings((1, -5.0)))
        assert frame.quality == {"inlet_pa": Quality.UNREADABLE}
        assert frame.inlet_pa is None

    def test_a_gap_makes_no_frames_in_a_replay(self) -> None:
        frames = framer()
        frames.add(0.0, readings((0, -5.0)))
        (frame,) = frames.add(7200.0, readings((7200, -5.0)))
        assert frame.t == 0.0
        assert [f.t for f in frames.flush()] == [7200.0]

    def test_live_silence_makes_frames_without_values(self) -> None:
        frames = framer()
        frames.add(0.0, readings((0, -5.0)))
        out = frames.advance(10.0)
        assert [f.t for f in out] == [float(t) for t in range(9)]
        assert out[-1].quality == {"inlet_pa": Quality.SILENT}

    def test_a_late_reading_is_dropped_and_counted(self) -> None:
        frames = framer()
        frames.add(10.0, readings((10, -5.0)))
        assert frames.add(8.0, readings((8, -9.0))) == []
        assert frames.late == 1

    def test_a_clock_set_back_carries_on_at_the_earlier_time(self) -> None:
        frames = framer()
        frames.add(10_000.0, readings((10_000, -5.0)))
        out = [f for t in range(6) for f in frames.add(100.0 + t, readings((100.0 + t, -6.0)))]
        assert frames.clock_steps_back == 1
        assert [f.t for f in out] == [10_000.0, 102.0, 103.0, 104.0]

    def test_a_clock_set_forward_carries_on_without_made_up_frames(self) -> None:
        frames = framer()
        frames.add(0.0, readings((0, -5.0)))
        assert len(frames.advance(86_400.0)) == 1
        assert len(frames.advance(86_402.0)) <= 3

    def test_gates_stay_as_last_reported(self) -> None:
        frames = framer()
        frames.add(0.0, readings((0, -5.0)), {"planer": True})
        frames.add(1.0, readings((1, -5.0)), {"lathe": False})
        (frame,) = frames.add(2.0, readings((2, -5.0)))
        assert frame.gates == {"planer": True, "lathe": False}
