"""Frames: what is stored of them, idle time thinned, clocks that jump."""

from __future__ import annotations

import random
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from analysis.estimates import Estimate, Expected
from analysis.readings import CHANNELS, Frame, Quality, RunState
from daemon.store.reader import Reader
from daemon.store.writer import Writer
from tests.daemon.store.making import NINE, OFF, RUNNING, Hand, estimate, frame


def times(path: Path) -> list[float]:
    with closing(sqlite3.connect(path)) as db:
        return [t_ms / 1000 for (t_ms,) in db.execute("SELECT t_ms FROM frames ORDER BY t_ms")]


def test_a_frame_comes_back_as_it_went_in(path: Path) -> None:
    channels = {name: info.low + 0.37 * (info.high - info.low) for name, info in CHANNELS.items()}
    full = Estimate(
        NINE, 0.31, 0.011, 1012.5, 12.0, 1.15, 0.021, 21_000.25, ("planer", "band saw"), 0.9,
        along=-0.012, along_sd=0.01, off=1.7, air_density_kgm3=1.1875,
        expected={name: Expected(channels[name] + 1, 2.5) for name in ("inlet_pa", "filter_pa", "motor_a")},
    )
    writer = Writer(path)
    writer.frame(Frame(NINE, channels, {}, None, RUNNING, 12.0), full)
    assert writer.close()
    found = Reader(path).last_frame()
    assert found is not None
    assert (found["t"], found["state"], found["quality"]) == (NINE, "running", {})
    assert found["gates"] == ["band saw", "planer"]
    assert {name: found[name] for name in channels} == channels
    for name in (
        "flow_m3s", "flow_sd", "filter_drag", "drag_ratio", "flow_lost", "duct_resistance", "along", "off", "air_density_kgm3"
    ):
        assert found[name] == getattr(full, name), name
    for channel, stem, unit in (("inlet_pa", "inlet", "pa"), ("filter_pa", "filter", "pa"), ("motor_a", "motor", "a")):
        assert found[f"expected_{stem}_{unit}"] == full.expected[channel].value
        assert found[f"expected_{stem}_sd"] == full.expected[channel].sd


def test_what_is_unknown_is_none_and_the_quality_says_why(path: Path) -> None:
    writer = Writer(path)
    quality = {"motor_a": Quality.SILENT, "filter_pa": Quality.OUT_OF_RANGE, "inlet_pa": Quality.GOOD}
    writer.frame(Frame(NINE, {"inlet_pa": -2000.0}, quality, {"planer": True, "lathe": False}, RUNNING), None)
    writer.frame(Frame(NINE + 1, {}, {}, {"planer": False}, RUNNING), Estimate(NINE + 1))
    writer.frame(Frame(NINE + 2, {}, {}, None, RUNNING), Estimate(NINE + 2, gates=()))
    writer.frame(Frame(NINE + 3, {}, {}, None, RUNNING), Estimate(NINE + 3))
    writer.close()
    first, told_shut, found_shut, unknown = Reader(path).frames()
    assert first["quality"] == {"motor_a": "silent", "filter_pa": "out_of_range"}
    assert (first["inlet_pa"], first["motor_a"], first["filter_pa"], first["flow_m3s"]) == (-2000.0, None, None, None)
    assert first["gates"] == ["planer"]
    assert told_shut["gates"] == found_shut["gates"] == []
    assert unknown["gates"] is None


def test_a_number_that_is_none_is_stored_as_unknown(path: Path) -> None:
    writer = Writer(path)
    writer.frame(Frame(NINE, {"inlet_pa": float("nan")}, {}, None, RUNNING), Estimate(NINE, flow_m3s=float("nan")))
    writer.close()
    found = Reader(path).last_frame()
    assert found is not None
    assert found["inlet_pa"] is found["flow_m3s"] is None


def test_idle_time_is_thinned_to_one_frame_a_minute_with_both_edges(path: Path) -> None:
    writer = Writer(path)
    t, expected = NINE, []
    for state, seconds in (
        (OFF, 600), (RunState.STARTING, 3), (RUNNING, 90), (RunState.STOPPING, 4), (OFF, 3_600), (RUNNING, 5)
    ):
        span = [t + k for k in range(seconds)]
        for at in span:
            writer.frame(frame(at, state, inlet_pa=-1.0), None)
        expected += sorted({*span[::60], span[-1]}) if state is OFF else span
        t += seconds
    writer.close()
    assert times(path) == expected


def test_while_idle_a_change_in_what_the_sensors_can_tell_is_kept(path: Path) -> None:
    writer = Writer(path)
    for k in range(50):
        writer.frame(frame(NINE + k, OFF, inlet_pa=None if 20 <= k < 30 else 0.0), None)
    writer.close()
    assert times(path) == [NINE, NINE + 20, NINE + 30, NINE + 49]


def test_an_idle_clock_set_back_still_keeps_a_frame_a_minute(path: Path) -> None:
    writer = Writer(path)
    for start in (NINE, NINE - 86_400):
        for k in range(180):
            writer.frame(frame(start + k, OFF, inlet_pa=0.0), None)
    writer.close()
    assert len([t for t in times(path) if t < NINE - 80_000]) >= 3


def test_frames_of_one_time_are_all_kept_in_the_order_of_their_arrival(path: Path) -> None:
    writer = Writer(path)
    for k in range(25):
        writer.frame(frame(NINE, motor_a=float(k)), None)
        if k % 10 == 9:
            writer.flush()
    writer.frame(frame(NINE + 0.001, motor_a=25.0), None)
    writer.close()
    found = list(Reader(path).frames())
    assert [row["motor_a"] for row in found] == [float(k) for k in range(26)]
    assert all(row["t"] - NINE < 0.03 for row in found)
    assert writer.health.moved_frames == 25


@pytest.mark.parametrize("restart", [False, True])
def test_a_clock_set_back_loses_nothing_and_is_on_record(path: Path, restart: bool) -> None:
    writer = Writer(path)
    for k in range(300):
        writer.frame(frame(NINE + k, motor_a=1.0), None)
    if restart:
        writer.close()
        writer = Writer(path)
    for k in range(400):
        writer.frame(frame(NINE + 100 + k, motor_a=2.0), None)
    writer.close()
    found = list(Reader(path).frames())
    assert len(found) == 700
    assert [row["motor_a"] for row in found].count(1.0) == 300
    second = [row["t"] for row in found if row["motor_a"] == 2.0]
    assert second == sorted(second)
    assert second == pytest.approx([NINE + 100 + k for k in range(400)], abs=0.0015)
    with closing(sqlite3.connect(path)) as db:
        steps = db.execute("SELECT before_t, after_t FROM clock_steps").fetchall()
    # After a restart nobody knows what the clock had shown last, so there is no step to tell.
    assert steps == ([] if restart else [(NINE + 299, NINE + 100)])


def test_a_record_that_cannot_be_stored_is_left_out_alone_and_counted(path: Path) -> None:
    writer = Writer(path)
    writer.frame(frame(NINE, motor_a=1.0), None)
    writer.frame(Frame(NINE + 1, {"motor_a": object()}, {}, None, RUNNING), None)  # type: ignore[dict-item]
    writer.frame(frame(NINE + 2, motor_a=3.0), None)
    assert writer.flush()
    assert writer.health.refused == 1
    assert "could not be stored" in writer.health.words
    writer.close()
    assert times(path) == [NINE, NINE + 2]


def test_a_commit_is_due_by_real_time_not_by_event_time(path: Path) -> None:
    hand = Hand()
    writer = Writer(path, commit_every_s=1.0, monotonic=hand)
    for k in range(20):
        writer.frame(frame(NINE + k * 100), None)
    assert times(path) == []
    hand.t += 1.0
    writer.frame(frame(NINE + 2_000), None)
    assert len(times(path)) == 21
    writer.close()


def test_many_frames_are_committed_before_their_time(path: Path) -> None:
    writer = Writer(path, commit_every_s=1e9, monotonic=Hand())
    for k in range(5_001):
        writer.frame(frame(NINE + k), None)
    assert len(times(path)) == 5_000
    writer.close()


def test_frames_with_an_estimate_survive_a_restart_bit_by_bit(path: Path) -> None:
    rng = random.Random(7)
    sent = [estimate(NINE + k, rng) for k in range(100)]
    writer = Writer(path)
    for each in sent:
        writer.frame(frame(each.t), each)
    writer.close()
    assert [row["flow_m3s"] for row in Reader(path).frames()] == [each.flow_m3s for each in sent]
