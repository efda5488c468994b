"""The simulator as a live source: prompt to start and to stop, at the clock's pace, and the same when started anew."""

from __future__ import annotations

import itertools
import queue
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from analysis.plant import demo
from daemon.clock import Clock, PacedClock
from daemon.sources.contract import Sample, SampleQueue
from daemon.sources.simulated import SimulatedSource, SimulatorSettings, demo_blocks
from tests.support.barn import barn
from tests.support.waiting import eventually

MONDAY_OPENS = 1_772_409_600.0 + demo.OPENS_S
SETTINGS = SimulatorSettings(barn(), name="shop", seed=2)


@contextmanager
def running(
    clock: Clock, settings: SimulatorSettings = SETTINGS, size: int = 1000
) -> Iterator[tuple[SimulatedSource, SampleQueue, threading.Event, threading.Thread]]:
    source, out, stop = SimulatedSource(settings, clock), queue.Queue(size), threading.Event()
    thread = threading.Thread(target=source.run, args=(out, stop), daemon=True)
    thread.start()
    try:
        yield source, out, stop, thread
    finally:
        stop.set()
        thread.join(60.0)
        assert not thread.is_alive()


def taken(out: SampleQueue, count: int) -> list[Sample]:
    found: list[Sample] = []
    while len(found) < count:
        found += out.get(timeout=60.0)
    return found


def test_the_first_sample_comes_at_once() -> None:
    with running(PacedClock(MONDAY_OPENS, 120.0)) as (_, out, _, _):
        first = out.get(timeout=60.0)
    assert MONDAY_OPENS <= first[0].t < MONDAY_OPENS + 60.0
    assert first[0].source == "shop"
    assert set(first[0].values) == {"inlet_pa", "filter_pa", "motor_a"}


def test_samples_come_each_second_of_event_time_and_none_before_its_time() -> None:
    clock = PacedClock(MONDAY_OPENS, 120.0)
    with running(clock) as (source, out, _, _):
        lists = [out.get(timeout=60.0) for _ in range(6)]
        assert lists[-1][-1].t <= clock.now(), "no sample is of a time to come"
    times = [sample.t for batch in lists for sample in batch]
    assert times == [times[0] + i for i in range(len(times))]
    assert MONDAY_OPENS <= times[0] < MONDAY_OPENS + 300.0
    assert source.health.samples >= len(times)
    assert source.health.kind == "simulator"


def test_it_stops_promptly() -> None:
    with running(PacedClock(MONDAY_OPENS, 1.0)) as (source, out, stop, thread):
        out.get(timeout=60.0)
        stop.set()
        thread.join(60.0)
        assert not thread.is_alive()
    assert source.health.state == "stopped"
    assert not source.health.connected


def test_a_full_queue_is_waited_for_and_nothing_is_lost() -> None:
    with running(PacedClock(MONDAY_OPENS, 600.0), size=1) as (_, out, _, _):
        eventually(out.full)
        times = [sample.t for sample in taken(out, 300)]
    assert times == [times[0] + i for i in range(len(times))]
    assert MONDAY_OPENS <= times[0] < MONDAY_OPENS + 300.0


def test_it_stops_while_the_queue_is_full() -> None:
    with running(PacedClock(MONDAY_OPENS, 600.0), size=1) as (_, out, stop, thread):
        eventually(out.full)
        stop.set()
        thread.join(60.0)
        assert not thread.is_alive()


def test_started_anew_it_goes_on_where_the_shop_would_be() -> None:
    later = MONDAY_OPENS + 2.0 * 3600.0
    whole = itertools.chain.from_iterable(block.frames() for block in demo_blocks(SETTINGS, MONDAY_OPENS))
    day = itertools.takewhile(lambda row: row[0] < later + 1200.0, whole)
    expected = {t: values for t, values, _ in day if t >= later}
    settings = SimulatorSettings(barn(), name="shop", seed=2, opens_t=MONDAY_OPENS)
    with running(PacedClock(later, 300.0), settings) as (_, out, _, _):
        got = taken(out, 30)[:30]
    assert later <= got[0].t < later + 600.0
    assert all(sample.values == expected[sample.t] for sample in got)


def test_started_anew_days_later_it_is_where_the_shop_would_be_too() -> None:
    settings = SimulatorSettings(barn(), name="shop", seed=2, opens_t=MONDAY_OPENS)
    with running(PacedClock(MONDAY_OPENS + 2.2 * 86400.0, 120.0), settings) as (_, out, _, _):
        first = out.get(timeout=60.0)
    assert first[0].t == pytest.approx(MONDAY_OPENS + 2.2 * 86400.0, abs=1.0)


def test_a_shop_left_too_long_ago_opens_anew() -> None:
    settings = SimulatorSettings(barn(), seed=2, opens_t=MONDAY_OPENS)
    block = next(demo_blocks(settings, MONDAY_OPENS + 364 * 86400.0 + 10.0))
    assert block.t[0] == MONDAY_OPENS + 364 * 86400.0


def test_a_pace_that_is_changed_leaves_no_instant_out() -> None:
    clock = PacedClock(MONDAY_OPENS, 1000.0)
    before = clock.now()
    clock.go_at(1.0)
    after = clock.now()
    assert before <= after <= before + 60_000.0
    assert clock.now() - after < 60.0, "seconds of the shop are seconds now, however busy the computer"
