"""Roll-ups against a recomputation from the raw frames with numpy, which shares no code with them."""

from __future__ import annotations

import random
import sqlite3
import tempfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analysis.readings import RunState
from daemon.store.schema import HOUR_MS, MINUTE_MS, STORED
from daemon.store.writer import Writer
from tests.daemon.store.making import NINE, OFF, RUNNING, estimate, frame
from tests.support.thoroughness import examples

MAX_STEP_MS = 10_000
STATES = [RunState.OFF, RunState.RUNNING, RunState.STARTING, RunState.STOPPING, RunState.UNKNOWN]


def recomputed(db: sqlite3.Connection, unit_ms: int) -> dict[int, dict[str, float]]:
    """Every minute or hour straight from the raw frames."""
    rows = db.execute(f"SELECT t_ms, state, {','.join(STORED)} FROM frames ORDER BY t_ms").fetchall()
    t = np.array([row[0] for row in rows])
    state = np.array([row[1] for row in rows])
    values = np.array([row[2:] for row in rows], dtype=float)  # None becomes NaN
    on = (state == 1) | (state == 2)
    steps = np.diff(t, prepend=t[0])
    seconds = np.where(on & (steps <= MAX_STEP_MS), steps, 0) / 1000.0
    found: dict[int, dict[str, float]] = {}
    for unit in np.unique(t // unit_ms):
        here = t // unit_ms == unit
        run = here & (state == 1)
        if not run.any() and not seconds[here].sum():
            continue
        row: dict[str, float] = {"n": int(run.sum()), "running_s": float(seconds[here].sum())}
        for at, name in enumerate(STORED):
            known = values[run, at][~np.isnan(values[run, at])]
            if known.size:
                row |= {
                    f"{name}_n": known.size, f"{name}_mean": known.mean(), f"{name}_min": known.min(),
                    f"{name}_max": known.max(),
                }
        found[int(unit) * unit_ms] = row
    return found


def stored(db: sqlite3.Connection, table: str) -> dict[int, dict[str, float]]:
    cursor = db.execute(f"SELECT * FROM {table}")
    names = [column[0] for column in cursor.description]
    return {
        row[0]: {name: value for name, value in zip(names[1:], row[1:], strict=True) if value is not None}
        for row in cursor
    }


def check(path: Path) -> int:
    """Compare every finished minute and hour; returns how many minutes there were."""
    with closing(sqlite3.connect(path)) as db:
        (newest,) = db.execute("SELECT max(t_ms) FROM frames").fetchone()
        for table, unit in (("minutes", MINUTE_MS), ("hours", HOUR_MS)):
            kept = stored(db, table)
            again = {start: row for start, row in recomputed(db, unit).items() if start != newest // unit * unit}
            assert kept.keys() == again.keys(), table
            for start, row in again.items():
                assert kept[start].keys() == row.keys(), (table, start)
                assert list(kept[start].values()) == pytest.approx([row[name] for name in kept[start]], rel=1e-9, abs=1e-9)
        assert db.execute("SELECT count(*) FROM rollup_due").fetchone() == (0,)
        return int(db.execute("SELECT count(*) FROM minutes").fetchone()[0])


def far_ahead(writer: Writer, t: float) -> None:
    """A frame three hours later finishes every minute and hour before it."""
    writer.frame(frame(t + 3 * 3_600), None)
    writer.flush()


def test_a_working_day_with_restarts_equals_a_recomputation(path: Path) -> None:
    rng = random.Random(11)
    writer = Writer(path)
    t = NINE + 17.25
    for _ in range(12):
        for state, seconds in (
            (RunState.STARTING, 3), (RUNNING, rng.randrange(20, 700)), (RunState.STOPPING, 5), (OFF, rng.randrange(10, 900))
        ):
            for _ in range(seconds):
                t += 1.0 + rng.uniform(-0.02, 0.02)
                motor = None if rng.random() < 0.1 else 9.4 + rng.gauss(0, 0.2)
                writer.frame(
                    frame(t, state, inlet_pa=-2100 + rng.gauss(0, 30), filter_pa=300 + rng.gauss(0, 5), motor_a=motor),
                    estimate(t, rng) if state is RUNNING else None,
                )
                if rng.random() < 0.002:
                    writer.flush()
                if rng.random() < 0.001:
                    writer.close()
                    writer = Writer(path)
                elif rng.random() < 0.001:  # a crash: what was not committed is gone, nothing is closed
                    writer._committer.abandon()
                    writer = Writer(path)
        t += rng.choice([0, 30, 7_200])
    far_ahead(writer, t)
    writer.close()
    assert check(path) > 50


tick = st.tuples(
    st.sampled_from([0.0, 0.25, 1.0, 1.0, 1.0, 7.0, 30.0, 61.0, 3_700.0, -0.5, -3.0, -45.0, -130.0, -4_000.0]),
    st.sampled_from(STATES + [RUNNING] * 5),
    st.sampled_from([None, 1.0, 2.5, -7.0]),
    st.sampled_from(["", "", "", "", "flush", "restart", "crash"]),
)


@settings(max_examples=examples(80), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(tick, st.integers(1, 25)), min_size=1, max_size=40))
def test_whatever_the_clock_does_roll_ups_equal_a_recomputation(
    fresh_copy: Callable[[Path], Path], story: list[tuple[tuple[float, RunState, float | None, str], int]]
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = fresh_copy(Path(folder) / "shop.db")
        writer = Writer(path, commit_every_s=1e9)
        t = highest = NINE
        for (dt, state, value, then), repeats in story:
            t += dt
            for _ in range(repeats):
                writer.frame(frame(t, state, inlet_pa=value), None)
                highest = max(highest, t)
                t += 1.0
            if then == "flush":
                writer.flush()
            elif then == "restart":
                writer.close()
                writer = Writer(path, commit_every_s=1e9)
            elif then == "crash":
                writer._committer.abandon()
                writer = Writer(path, commit_every_s=1e9)
        far_ahead(writer, highest)
        writer.close()
        check(path)


@pytest.mark.parametrize("restart", [False, True])
@pytest.mark.parametrize(
    "story",
    [
        # Back into the minute before, and forward again into the minute that was left half done.
        [(0, 91), (50, 3), (95, 20)],
        # Back to the last second of a minute, whose successor is finished already and now has another frame before it.
        [(0, 130), (59.5, 1), (131, 5)],
        # Back, and on through what was seen already into new time.
        [(0, 200), (30, 300)],
        # Back into the last minute of the hour before.
        [(0, 4_000), (3_545, 30), (4_000, 200)],
    ],
)
def test_minutes_visited_twice(path: Path, story: list[tuple[float, int]], restart: bool) -> None:
    writer = Writer(path)
    for start, count in story:
        for k in range(count):
            writer.frame(frame(NINE + start + k, motor_a=start + k), None)
        writer.flush()
        if restart:
            writer.close()
            writer = Writer(path)
    far_ahead(writer, NINE + 4_200)
    writer.close()
    assert check(path) >= 2


def test_the_minute_under_way_is_finished_after_a_restart(path: Path) -> None:
    writer = Writer(path)
    for k in range(90):
        writer.frame(frame(NINE + k, motor_a=float(k)), None)
    writer.close()
    writer = Writer(path)
    for k in range(90, 121):
        writer.frame(frame(NINE + k, motor_a=float(k)), None)
    writer.close()
    with closing(sqlite3.connect(path)) as db:
        rows = db.execute("SELECT t_ms, n, motor_a_mean, motor_a_min, motor_a_max FROM minutes ORDER BY t_ms").fetchall()
    # Means of 0..59 and 60..119.
    assert rows == [(NINE * 1000, 60, 29.5, 0.0, 59.0), (NINE * 1000 + MINUTE_MS, 60, 89.5, 60.0, 119.0)]


def test_running_time_is_witnessed_by_frames_at_most_ten_seconds_apart(path: Path) -> None:
    writer = Writer(path)
    for at in (0.0, 10.0, 20.001, 21.001):
        writer.frame(frame(NINE + at), None)
    far_ahead(writer, NINE)
    writer.close()
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("SELECT n, running_s FROM minutes").fetchall() == [(4, 11.0)]


def test_raw_frames_go_after_their_time_and_roll_ups_stay(path: Path) -> None:
    writer = Writer(path, keep_raw_days=3.0)
    for day in range(10):
        for k in range(3_000):
            writer.frame(frame(NINE + day * 86_400 + k), None)
        writer.flush()
    newest = NINE + 9 * 86_400 + 2_999
    writer.close()
    with closing(sqlite3.connect(path)) as db:
        (oldest, count) = db.execute("SELECT min(t_ms) / 1000.0, count(*) FROM frames").fetchone()
        minutes = db.execute("SELECT count(*) FROM minutes").fetchone()[0]
    assert newest - 4 * 86_400 <= oldest
    assert count < 5 * 3_000
    # 50 minutes a day, of which the last is still open.
    assert minutes == 10 * 50 - 1


@pytest.mark.parametrize("committed_after", [3_000, 5_000])
def test_a_clock_that_leaps_ahead_for_a_while_wipes_nothing(path: Path, committed_after: int) -> None:
    writer = Writer(path, keep_raw_days=3.0, commit_every_s=1e9)
    for k in range(5_000):
        writer.frame(frame(NINE + k), None)
        if k + 1 == committed_after:  # as a slow computer does; the frames before the leap count for no time after it
            writer.flush()
    for k in range(600):
        writer.frame(frame(NINE + 400 * 86_400 + k), None)
    writer.flush()
    for k in range(5_000, 6_000):
        writer.frame(frame(NINE + k), None)
    writer.close()
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("SELECT count(*) FROM frames").fetchone() == (6_600,)


def test_standing_still_lets_go_of_nothing(path: Path) -> None:
    writer = Writer(path, keep_raw_days=3.0)
    for k in range(4_000):
        writer.frame(frame(NINE + k), None)
    for k in range(0, 30 * 86_400, 3_600):
        writer.frame(frame(NINE + 5_000 + k, OFF, inlet_pa=0.0), None)
        writer.flush()
    writer.close()
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("SELECT count(*) FROM frames WHERE state = 1").fetchone() == (4_000,)
