"""A recording played as if it happened now."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from daemon.clock import FakeClock
from daemon.config.sources import ReplayTable
from daemon.sources.contract import Sample
from daemon.sources.replay import ReplaySource, replay_source
from tests.support.recordings import write_recording
from tests.support.waiting import eventually, running

T0 = 1_772_355_600.0


def recorded(path: Path, count: int, step_s: float = 1.0) -> Path:
    write_recording(path, (Sample("r", T0 + n * step_s, {"inlet_pa": -float(n)}) for n in range(count)))
    return path


def test_samples_come_when_their_time_has_come(tmp_path: Path) -> None:
    clock = FakeClock(T0)
    path = recorded(tmp_path / "r.jsonl", 100)
    with running(ReplaySource("barn", path, clock)) as at_work:
        assert [sample.t for sample in at_work.take(1)] == [T0]
        at_work.nothing_for(0.2)
        clock.t = T0 + 10.5
        assert [sample.t - T0 for sample in at_work.take(10)] == list(range(1, 11))
        at_work.nothing_for(0.1)
        assert at_work.health.state == "playing"
        clock.t = T0 + 99.0
        assert [sample.source for sample in at_work.take(89)] == ["barn"] * 89
        at_work.until("the recording has ended")
        assert at_work.health.samples == 100


def test_the_pace(tmp_path: Path) -> None:
    """No sample comes before its time on a clock that runs a thousand times as fast."""
    source, clock = replay_source("barn", recorded(tmp_path / "r.csv", 401), pace=1000.0)
    with running(source) as at_work:
        samples = []
        while len(samples) < 401:
            samples += at_work.take(1)
            assert samples[-1].t <= clock.now()
    assert clock.now() >= T0 + 400.0
    assert all(a.t < b.t for a, b in pairwise(samples))


def test_a_full_queue_is_waited_for(tmp_path: Path) -> None:
    path = recorded(tmp_path / "r.jsonl", 5000)
    with running(ReplaySource("barn", path, FakeClock(T0 + 5000.0)), room=1) as at_work:
        eventually(at_work.out.full)
        assert [sample.values["inlet_pa"] for sample in at_work.take(5000)] == [-float(n) for n in range(5000)]
        assert at_work.health.dropped == 0


def test_stops_promptly_in_the_middle_and_when_nobody_reads(tmp_path: Path) -> None:
    path = recorded(tmp_path / "r.jsonl", 5000)
    for now in (T0, T0 + 5000.0):
        with running(ReplaySource("barn", path, FakeClock(now)), room=1) as at_work:
            eventually(lambda: at_work.out.full())
            at_work.end()
            assert at_work.health.state == "stopped"


def test_bad_lines_are_counted_in_the_health(tmp_path: Path) -> None:
    path = tmp_path / "r.jsonl"
    path.write_text('garbage\n{"t":"2026-03-01T09:00:00Z","inlet_pa":-1}\n')
    with running(ReplaySource("barn", path, FakeClock(T0))) as at_work:
        at_work.until("the recording has ended")
        assert at_work.health.refused == {"not json": 1}


def test_a_recording_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="cannot read"):
        replay_source("barn", tmp_path / "absent.jsonl")
    with running(ReplaySource("barn", tmp_path / "absent.jsonl", FakeClock())) as at_work:
        at_work.until("cannot read")
        assert not at_work.health.connected


@pytest.mark.parametrize("pace", [0.0, -1.0, float("nan"), float("inf")])
def test_a_pace_that_cannot_be(pace: float) -> None:
    with pytest.raises(ValueError, match="pace"):
        ReplayTable(kind="replay", file="r.jsonl", pace=pace)
