"""Calibration, vetting, framing and the run state: from a raw sample to a frame."""

from __future__ import annotations

import math
import random
from collections.abc import Iterable

import pytest

from analysis.readings import Quality, Reading
from analysis.run_state import RunDetector, RunThresholds
from daemon.calibrate import Calibrator, SensorSpec
from daemon.framing import Framer, LiveFramer
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

    def test_a_current_known_by_its_power_is_watts_over_volts(self) -> None:
        spec = SensorSpec("motor_a", "power", unit="kW", volts=230.0 * 0.85)
        (reading,) = Calibrator((spec,)).readings(Sample("plug", 0.0, {"power": 1.71}))
        assert reading.value == pytest.approx(1710.0 / (230.0 * 0.85))

    def test_a_name_that_two_sources_use_is_the_channel_of_the_source_that_is_named(self) -> None:
        specs = (SensorSpec("filter_pa", "p1", source="bags"), SensorSpec("inlet_pa", "p1"))
        calibrator = Calibrator(specs)
        assert [calibrator.readings(Sample(source, 0.0, {"p1": 1.0}))[0].channel for source in ("bags", "duct")] == [
            "filter_pa", "inlet_pa"]

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
    @pytest.mark.parametrize("value", [-7000.0, 501.0])
    def test_out_of_range(self, value: float) -> None:
        (out,) = Vetter((INLET,)).vet(readings((0, value)), True)
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


def live(*specs: SensorSpec) -> LiveFramer:
    return LiveFramer(specs or (INLET,), RunDetector(RunThresholds()), grace_s=0.5)


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

    def test_gates_stay_as_last_reported(self) -> None:
        frames = framer()
        frames.add(0.0, readings((0, -5.0)), {"planer": True})
        frames.add(1.0, readings((1, -5.0)), {"lathe": False})
        (frame,) = frames.add(2.0, readings((2, -5.0)))
        assert frame.gates == {"planer": True, "lathe": False}


class TestLiveFraming:
    def test_silence_makes_frames_without_values(self) -> None:
        frames = live()
        frames.add(0.0, readings((0, -5.0)))
        out = [f for now in range(11) for f in frames.advance(float(now))]
        assert [f.t for f in out] == [float(t) for t in range(9)]
        assert out[-1].quality == {"inlet_pa": Quality.SILENT}

    def test_a_tick_waits_for_the_slower_source_although_the_quicker_has_gone_on(self) -> None:
        frames = live(INLET, MOTOR)
        frames.advance(10.0)
        frames.add(10.1, readings((10.1, -5.0)))
        frames.add(11.0, readings((11.0, -6.0)))
        frames.add(10.9, [Reading("motor_a", 10.9, 9.0)])
        (frame,) = frames.advance(11.6)
        assert frame.values == {"inlet_pa": -5.0, "motor_a": 9.0}
        assert frames.late == 0

    @pytest.mark.parametrize("off_by", [9.0, -9.0])
    def test_a_node_whose_clock_is_some_seconds_off_is_heard_and_disturbs_no_other(self, off_by: float) -> None:
        frames = live(INLET, MOTOR)
        out = []
        for now in range(100, 160):
            frames.add(now + off_by, readings((now + off_by, -5.0 - now)))
            frames.add(float(now), [Reading("motor_a", float(now), 9.0)])
            out += frames.advance(now + 0.2)
        assert [f.t for f in out] == [float(t) for t in range(100, 158)]
        assert all(f.motor_a == 9.0 for f in out)
        assert all(f.inlet_pa is not None for f in out[9:])
        assert frames.late == 0

    def test_what_comes_half_a_minute_late_is_dropped_and_counted(self) -> None:
        frames = live()
        frames.advance(100.0)
        frames.add(60.0, readings((60, -9.0)))
        frames.add(100.0, readings((100, -5.0)))
        (frame,) = frames.advance(101.5)
        assert (frame.inlet_pa, frames.late) == (-5.0, 1)

    def test_a_clock_set_forward_carries_on_without_made_up_frames(self) -> None:
        frames = live()
        frames.add(0.0, readings((0, -5.0)))
        frames.advance(0.2)
        frames.add(86_400.1, readings((86_400.1, -6.0)))
        out = frames.advance(86_400.2) + frames.advance(86_402.0)
        assert [(f.t, f.inlet_pa) for f in out] == [(0.0, -5.0), (86_398.0, None), (86_399.0, None), (86_400.0, -6.0)]

    def test_a_clock_set_back_loses_no_reading_and_carries_on_at_once(self) -> None:
        frames = live()
        out = frames.advance(10_000.0)
        frames.add(10_000.2, readings((10_000.2, -5.0)))
        frames.add(10_001.2, readings((10_001.2, -6.0)))
        frames.add(100.0, readings((100, -7.0)))
        frames.add(101.0, readings((101, -8.0)))
        out += frames.advance(101.4) + frames.advance(102.6)
        assert [(f.t, f.inlet_pa) for f in out] == [(10_000.0, -5.0), (10_001.0, -6.0), (101.0, -7.5)]
        assert frames.clock_steps_back == 1

    def test_after_a_minute_without_a_turn_every_reading_still_gets_its_own_frame(self) -> None:
        frames = live()
        frames.advance(0.0)
        for t in range(90):
            frames.add(float(t), readings((t, -5.0 - t)))
        out = frames.advance(90.0)
        assert [(f.t, f.inlet_pa) for f in out] == [(float(t), -5.0 - t) for t in range(89)]

    def test_what_waits_at_the_end_is_not_lost(self) -> None:
        frames = live()
        frames.advance(5.0)
        for t in (5.0, 5.5, 7.0):
            frames.add(t, readings((t, -t)))
        assert [(f.t, f.inlet_pa) for f in frames.flush()] == [(5.0, -5.25), (7.0, -7.0)]
        assert frames.flush() == []


def two_senders(vetter: Vetter, values: Iterable[float], t0: float = 0.0, every_s: float = 0.5) -> list[Quality]:
    """What becomes of readings of one channel."""
    found = []
    for number, value in enumerate(values):
        (read,) = vetter.vet([Reading("inlet_pa", t0 + every_s * number, value)], True)
        found.append(read.quality)
    return found


def test_two_senders_of_one_channel_are_told_not_averaged() -> None:
    noise = random.Random(5).gauss
    vetter = Vetter([SensorSpec("inlet_pa", "inlet_pa", low=-12_000.0, high=3_000.0)])
    found = two_senders(vetter, ([-2486.0, -100.0, -2486.0][n % 3] + noise(0, 40) for n in range(200)))
    assert set(found[20:]) == {Quality.DOUBLED}
    one = two_senders(vetter, (-2486.0 + noise(0, 40) for _ in range(200)), t0=1000.0)
    assert set(one) == {Quality.GOOD}, "once one of them is gone the other is believed again"


@pytest.mark.parametrize("story", ["starts and stops", "turbulence", "gates"])
def test_one_sender_of_a_lively_shop_is_believed(story: str) -> None:
    noise = random.Random(6).gauss
    values = {
        "starts and stops": [(-2400.0 if n // 8 % 2 else 0.0) + noise(0, 60) for n in range(400)],
        "turbulence": [-2500.0 + noise(0, 120) for _ in range(2000)],
        "gates": [-2500.0 + 500.0 * (n // 12 % 2) + noise(0, 30) for n in range(400)],
    }[story]
    vetter = Vetter([SensorSpec("inlet_pa", "inlet_pa", low=-12_000.0, high=3_000.0)])
    assert set(two_senders(vetter, values, every_s=1.0)) == {Quality.GOOD}


def test_a_channel_that_two_sources_bring_is_taken_from_one() -> None:
    health = {name: SourceHealth(name, "serial") for name in ("unit", "other")}
    calibrator = Calibrator((SensorSpec("inlet_pa", "inlet_pa"),), health)
    taken = [
        calibrator.readings(Sample(source, t, {"inlet_pa": value}))
        for t in range(20) for source, value in (("unit", -2486.0), ("other", -2400.0))
    ]
    assert {reading.value for readings in taken for reading in readings} == {-2486.0}
    assert health["other"].refused == {"inlet_pa comes from unit": 20}
    (reading,) = calibrator.readings(Sample("other", 40.0, {"inlet_pa": -2400.0}))
    assert reading.value == -2400.0, "the other stands in once the first is silent"


def gates_at(framer: LiveFramer, told: dict[int, dict[str, bool]], until: int) -> dict[int, object]:
    found: dict[int, object] = {}
    for second in range(until):
        framer.add(float(second), [Reading("motor_a", float(second), 5.0)], told.get(second))
        for frame in framer.advance(second + 1.0):
            found[round(frame.t)] = None if frame.gates is None else dict(frame.gates)
    return found


def test_a_gate_that_told_its_state_each_second_and_falls_silent_is_not_known_any_more() -> None:
    told = {n: {"planer": True} for n in range(20)} | {19: {"planer": True, "lathe": False}}
    found = gates_at(live(SensorSpec("motor_a", "motor_a")), told, 120)
    assert found[19] == {"planer": True, "lathe": False}
    assert found[29] == {"planer": True, "lathe": False}
    assert found[40] == {"lathe": False}, "of the other it is not known how often it speaks"


def test_a_gate_that_speaks_when_it_is_moved_stands_for_hours_and_not_for_ever() -> None:
    found = gates_at(live(SensorSpec("motor_a", "motor_a")), {5: {"planer": True}, 60: {"planer": False}}, 5 * 3600)
    assert found[3 * 3600] == {"planer": False}
    assert found[5 * 3600 - 10] is None
