"""The computer's clock: not set at the start, set by hours and days while running, summer time."""

from __future__ import annotations

import json
import logging
import os
import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from analysis.conditions import Condition
from analysis.estimates import Estimate
from analysis.readings import Frame, RunState
from daemon.alarms.types import Transition
from daemon.clock import EARLIEST_T, ClockWatch, WallClock, doubt, kernel_in_step, step_words, wait_for_sound_clock
from daemon.config.load import load, parse
from daemon.pipeline import Pipeline
from daemon.service import Service
from daemon.sources.contract import Sample
from daemon.store.reader import Reader
from daemon.store.writer import Writer
from daemon.wiring import build_limits, build_pipeline, local_minute
from tests.support.daemon_process import BARN, shop_day, shop_file
from tests.support.fake_device import FakeDevice
from tests.support.fresh_store import fresh_store
from tests.support.waiting import eventually

NOON = 1_790_000_000.0
HOUR, DAY = 3600.0, 86_400.0
JUMPS = [3 * HOUR, -3 * HOUR, 3 * DAY, -3 * DAY, HOUR, -HOUR, 400 * DAY, 55.0, 9.0, -30.0, -3.0]


class TestAtTheStart:
    def test_a_clock_that_is_not_set_goes_on_from_the_last_time_of_the_store(self) -> None:
        now = [12.0]
        clock = WallClock(NOON, wall=lambda: now[0], monotonic=lambda: now[0])
        assert clock.now() == NOON
        now[0] += 60.0
        assert clock.now() == NOON + 60.0
        now[0] = NOON + 7 * HOUR
        assert clock.now() == NOON + 7 * HOUR

    def test_without_a_store_it_begins_where_no_frame_can_lie_before(self) -> None:
        clock = WallClock(None, wall=lambda: 12.0, monotonic=lambda: 5.0)
        assert clock.now() == EARLIEST_T

    def test_what_cannot_be_believed(self) -> None:
        assert "has not been set" in doubt(12.0, None, True)
        assert "already holds 2026-09-21" in doubt(NOON - HOUR, NOON, None)
        assert doubt(NOON - HOUR, NOON, True) == ""  # a time service vouches for it: yesterday's clock was the wrong one
        assert doubt(NOON - 30.0, NOON, False) == ""
        assert doubt(NOON, None, False) == ""

    def test_waits_until_it_is_set_and_says_so(self, caplog: pytest.LogCaptureFixture) -> None:
        looks = iter([12.0, 12.5, *[NOON] * 5])
        told: list[str] = []
        with caplog.at_level(logging.INFO, "ductwarden"):
            assert wait_for_sound_clock(
                None, threading.Event(), 30.0, wall=lambda: next(looks), in_step=lambda: False, told=told.append
            )
        assert told == [
            "the computer's clock says 1970-01-01 00:00:12 UTC: it has not been set yet; waiting up to 30 s for it to be set"
        ]
        assert [record.levelname for record in caplog.records] == ["WARNING", "INFO"]

    def test_the_wait_is_bounded_and_ends_at_once_when_told_to_stop(self, caplog: pytest.LogCaptureFixture) -> None:
        began = time.monotonic()
        assert not wait_for_sound_clock(None, threading.Event(), 0.2, wall=lambda: 12.0, in_step=lambda: False)
        assert time.monotonic() - began >= 0.2
        assert "going on although" in caplog.text
        stop = threading.Event()
        stop.set()
        # an hour, were it not told to stop
        assert not wait_for_sound_clock(None, stop, 3600.0, wall=lambda: 12.0, in_step=lambda: False)

    def test_the_kernel_can_be_asked(self) -> None:
        assert kernel_in_step() in (True, False, None)


class TestTheWatch:
    def test_notices_a_step_once_and_not_the_passing_of_time(self) -> None:
        wall, mono = [NOON], [5.0]
        watch = ClockWatch(lambda: wall[0], lambda: mono[0])
        for _ in range(100):
            wall[0] += 0.2505  # slewed: a five-hundredth fast
            mono[0] += 0.25
            assert watch.moved() is None
        wall[0] -= 2 * HOUR
        assert watch.moved() == pytest.approx(-2 * HOUR, abs=1.0)
        assert watch.moved() is None
        assert watch.steps == 1

    def test_its_words(self) -> None:
        assert step_words(-2 * HOUR) == "the computer's clock was set back by 2.0 h"
        assert step_words(3 * DAY) == "the computer's clock was set forward by 3.0 days (or the computer slept)"


@dataclass
class Seen:
    """A sink that keeps frames and alarms."""

    frames: list[Frame] = field(default_factory=list)
    transitions: list[Transition] = field(default_factory=list)

    def frame(self, frame: Frame, estimate: Estimate) -> None:
        self.frames.append(frame)

    def transition(self, transition: Transition) -> None:
        self.transitions.append(transition)

    def run(self, began_t: float, ended_t: float | None) -> None: ...
    def finding(self, finding: object, raised: bool) -> None: ...
    def event(self, event: object) -> None: ...


class Live:
    """The live pipeline on a clock that the test sets: turns four times a second, a reading each second."""

    def __init__(self, pipeline: Pipeline, t: float = NOON) -> None:
        self.pipeline = pipeline
        self.t = t
        self.fed = 0

    def second(self, values: dict[str, float], jump: float = 0.0) -> None:
        self.pipeline.feed([Sample("unit", self.t + 0.1, {**values, "air_c": 20.0 + self.fed * 1e-3})])
        self.fed += 1
        for quarter in range(4):
            self.t += 0.25 + (jump if quarter == 1 else 0.0)
            self.pipeline.advance(self.t)


@pytest.fixture(scope="module")
def day() -> list[dict[str, float]]:
    """A quarter of an hour of the shop in good health: a minute at rest, then running."""
    return list(shop_day(BARN, drag_ratio=1.1, bag_fill=0.05, minutes=15.0, cutting=False))


@pytest.mark.parametrize("jump", JUMPS)
@pytest.mark.parametrize("while_running", [True, pytest.param(False, marks=pytest.mark.long)])
def test_a_clock_that_is_set_raises_nothing_and_loses_no_frame(
    jump: float, while_running: bool, day: list[dict[str, float]], tmp_path: Path
) -> None:
    text = BARN.read_text().replace("[sensor.motor_a]", '[sensor.air_c]\n[sensor.motor_a]').replace("hours =", "# hours =")
    config = parse(text, BARN)
    store = tmp_path / "shop.db"
    fresh_store(store)
    seen = Seen()
    pipeline = build_pipeline(config, grace_s=0.5)
    writer = Writer(store)
    pipeline.sinks = [writer, seen]
    live = Live(pipeline)
    at = 400 if while_running else 30
    for number, values in enumerate(day):
        live.second(values, jump if number == at else 0.0)
    pipeline.finish()
    writer.close()
    assert seen.transitions == []
    known = [f for f in seen.frames if f.inlet_pa is not None]
    # Every reading is in a frame of its own, in the order in which they came (a small step back puts a few into one).
    assert len(known) >= live.fed - (abs(jump) + 1.0 if -5.0 < jump < 0.0 else 1.0)
    order = [f.values["air_c"] for f in known]
    assert order == sorted(order)
    assert len(known) - len(set(order)) <= 5  # a channel may be held for five seconds, no longer
    assert {f.state for f in known} >= {RunState.OFF, RunState.RUNNING}
    assert len(seen.frames) < live.fed + 10, "frames were made up for time that nobody saw"
    with closing(sqlite3.connect(store)) as db:
        steps = db.execute("SELECT before_t, after_t FROM clock_steps").fetchall()
        running = db.execute("SELECT count(*) FROM frames WHERE state = 1").fetchone()[0]
    assert running == sum(f.state is RunState.RUNNING for f in seen.frames)
    if jump < -5.0:
        ((before, after),) = steps
        # While the fan is off frames are thinned: the step shows between those that are stored.
        assert after - before == pytest.approx(jump, abs=61.0 if not while_running else 3.0)
    else:
        assert steps == []


@pytest.mark.parametrize("jump", [-3 * HOUR, -20.0, 3 * HOUR])
def test_a_reading_that_was_under_way_while_the_clock_was_set_is_in_a_frame_at_once(jump: float) -> None:
    pipeline = build_pipeline(load(BARN), grace_s=0.5)
    seen = Seen()
    pipeline.sinks = [seen]
    for second in range(20):
        pipeline.feed([Sample("unit", NOON + second, {"motor_a": 0.0})])
        pipeline.advance(NOON + second + 0.9)
    now = NOON + 20.0 + jump
    pipeline.advance(now)
    pipeline.feed([Sample("unit", NOON + 20.0, {"motor_a": 5.0})])  # stamped before the step, handed over after it
    for turn in range(12):
        pipeline.advance(now + 0.25 * turn)
    assert 5.0 in [frame.motor_a for frame in seen.frames] or jump > 0.0
    assert pipeline.framer.late == (1 if jump > 0.0 else 0)


def _spoken(wire: FakeDevice, seconds: Iterator[dict[str, float]], pipelines: list[Pipeline]) -> float:
    """Another line is sent; the time of the newest frame."""
    wire.line(json.dumps(next(seconds)))
    eventually(wire.read_up, what="the line is read")
    frame = pipelines[0].last_frame if pipelines else None
    return 0.0 if frame is None else frame.t


@pytest.mark.long
@pytest.mark.slow
def test_the_running_daemon_notes_a_correction_and_the_trend_shows_both_sides(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[Pipeline] = []

    def build(*given: Any, **more: Any) -> Pipeline:
        made.append(build_pipeline(*given, **more))
        return made[0]

    monkeypatch.setattr("daemon.service.build_pipeline", build)
    wire = FakeDevice(tmp_path / "by-id-feed-room")
    source = f'[[source]]\nkind = "serial"\nname = "feed room"\ndevice = "{wire.path}"'
    path = shop_file(tmp_path, source, port=0, more="[running]\nsettle = \"1 s\"")
    path.write_text(path.read_text().replace("hours =", "# hours ="))
    off = [0.0]
    service = Service(load(path), wall=lambda: time.time() + off[0])
    thread = threading.Thread(target=service.run)
    thread.start()
    try:
        seconds = iter(list(shop_day(path, drag_ratio=1.1, bag_fill=0.05, minutes=10.0))[70:])
        for off[0] in (0.0, -2 * HOUR, -2 * HOUR + 3 * DAY):
            # Some frames with this clock: those of the loop's own time, not of how fast it turns.
            since = time.time() + off[0]
            eventually(lambda s=since: s + 3.0 < _spoken(wire, seconds, made) < s + HOUR, what="frames with this clock")  # type: ignore[misc]
    finally:
        service.stop()
        thread.join(90.0)
        wire.close()
    assert not thread.is_alive()
    reader = Reader(tmp_path / "shop.db")
    notes = [entry.text for entry in reader.journal()]
    assert sorted(notes) == [
        "the computer's clock was set back by 2.0 h",
        "the computer's clock was set forward by 3.0 days (or the computer slept)",
    ]
    assert reader.alarms() == []
    now = time.time()
    trend = reader.trend(["inlet_pa"], now - 4 * HOUR, now + 4 * DAY, 4000)
    held = [t for t, value in zip(trend.t, trend.series["inlet_pa"].mean, strict=True) if value is not None]
    spans = {round((t - now) / HOUR) for t in held}
    assert spans == {-2, 0, 70}
    reader.close()


@pytest.mark.long
@pytest.mark.slow
def test_a_store_that_is_ahead_of_the_clock_is_waited_for_and_then_gone_on_from(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    wire = FakeDevice(tmp_path / "by-id-feed-room")
    path = shop_file(tmp_path, f'[[source]]\nkind = "serial"\nname = "feed room"\ndevice = "{wire.path}"', port=0)

    def last_t() -> float:
        with closing(sqlite3.connect(tmp_path / "shop.db")) as db:
            try:
                (found,) = db.execute("SELECT max(t_ms) FROM frames").fetchone()
            except sqlite3.OperationalError:  # not made yet
                found = None
        return (found or 0) / 1000.0

    def life(wall: float, until_t: float) -> None:
        began = time.time()
        service = Service(load(path), wall=lambda: wall + time.time() - began, wait_s=1.0)
        thread = threading.Thread(target=service.run)
        thread.start()

        def stored() -> bool:
            wire.line('{"inlet_pa": -2000, "filter_pa": 250, "motor_a": 9}')
            return last_t() > until_t

        try:
            eventually(stored, what="the frames are stored")
        finally:
            service.stop()
            thread.join(90.0)
        assert not thread.is_alive()

    with caplog.at_level(logging.INFO, "ductwarden"):
        life(NOON, NOON + 2.0)
        assert caplog.text == "" or "waiting" not in caplog.text
        before = last_t()
        life(12.0, before + 2.0)  # switched off and on again: a computer without a clock of its own
    assert "has not been set yet; waiting up to 1 s" in caplog.text
    assert "going on although" in caplog.text
    reader = Reader(tmp_path / "shop.db")
    first, last = reader.first_t(), reader.last_t()
    reader.close()
    wire.close()
    assert first is not None
    assert last is not None
    assert NOON - 2 <= first < before < last < NOON + 600.0  # nothing is filed under 1970, and the order is kept


@pytest.fixture
def berlin() -> Iterator[ZoneInfo]:
    before = os.environ.get("TZ")
    os.environ["TZ"] = "Europe/Berlin"
    time.tzset()
    yield ZoneInfo("Europe/Berlin")
    if before is None:
        del os.environ["TZ"]
    else:
        os.environ["TZ"] = before
    time.tzset()


@pytest.mark.parametrize("change", ["2026-03-29", pytest.param("2026-10-25", marks=pytest.mark.long)])
def test_the_shops_hours_follow_summer_time(change: str, berlin: ZoneInfo, day: list[dict[str, float]]) -> None:
    # Against the time zone database by way of zoneinfo, another reading of it than the C library's.
    begins = datetime.fromisoformat(change).replace(tzinfo=berlin) - timedelta(hours=3)
    for minute in range(30 * 60):
        t = begins.timestamp() + 60.0 * minute
        local = datetime.fromtimestamp(t, UTC).astimezone(berlin)
        assert local_minute(t) == (local.weekday(), local.hour * 60 + local.minute)
    config = load(BARN)
    assert build_limits(config).hours == (6 * 60 + 30, 19 * 60)
    for days in (-1, 0, 1):
        for clock, wanted in (("06:35", False), ("18:35", False), ("19:30", True)):
            when = (datetime.fromisoformat(change) + timedelta(days=days)).date()
            start = datetime.fromisoformat(f"{when} {clock}").replace(tzinfo=berlin).timestamp()
            seen = Seen()
            pipeline = build_pipeline(config)
            pipeline.sinks = [seen]
            pipeline.feed(Sample("unit", start + at, values) for at, values in enumerate(day))
            pipeline.finish()
            told = {step.alarm.condition for step in seen.transitions}
            assert told == ({Condition.LEFT_RUNNING} if wanted else set()), (when, clock)
