"""Trends against the frames they are made from, binned again with numpy."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest

from analysis.readings import RunState
from daemon.errors import StoreError
from daemon.store.reader import Reader, Trend
from daemon.store.writer import Writer
from tests.daemon.store.making import NINE, OFF, estimate, frame
from tests.support.fresh_store import fresh_store

RUNS = [(0, 1_500), (1_620, 2_000), (5_400, 6_100), (9_000, 14_000), (90_000, 93_000)]
"""Running from - to, seconds after nine."""


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, np.ndarray, np.ndarray]:
    """Two mornings with known runs; their times and inlet pressures."""

    path = tmp_path_factory.mktemp("trend") / "shop.db"
    fresh_store(path)
    rng = random.Random(3)
    writer = Writer(path)
    t, inlet = [], []
    for begin, end in RUNS:
        writer.frame(frame(NINE + begin - 1, RunState.STARTING, inlet_pa=-1.0), None)
        for k in range(begin, end):
            value = -2000 + 100 * np.sin(k / 500) + rng.gauss(0, 20)
            motor = None if 2_000 > k >= 1_620 else 9.0
            writer.frame(frame(NINE + k, inlet_pa=value, motor_a=motor), estimate(NINE + k, rng))
            t.append(NINE + k)
            inlet.append(value)
        writer.frame(frame(NINE + end, OFF, inlet_pa=-999_999.0), None)
    writer.close()
    return path, np.array(t), np.array(inlet)


def known(trend: Trend, name: str) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    columns = trend.series[name]
    keep = [at for at, value in enumerate(columns.mean) if value is not None]
    return (
        np.array([trend.t[at] for at in keep]), *(
            np.array([column[at] for at in keep], dtype=float) for column in (columns.mean, columns.min, columns.max)
        ),
    )


@pytest.mark.parametrize(
    ("start", "end", "points", "resolution"),
    [
        (0, 600, 700, "raw"), (0, 3_600, 500, "raw"), (100, 14_000, 1_200, "raw"), (0, 14_000, 300, "minute"),
        (-3_600, 100_000, 400, "minute"), (-86_400, 10 * 86_400, 600, "hour"), (0, 3_600, 2, "hour"), (0, 3_600, 7, "minute"),
        (77, 77, 10, "raw"),
    ],
)
def test_a_trend_equals_its_frames_binned_by_hand(
    shop: tuple[Path, np.ndarray, np.ndarray], start: float, end: float, points: int, resolution: str
) -> None:
    path, t, inlet = shop
    found = Reader(path).trend(["inlet_pa", "motor_a"], NINE + start, NINE + end, points)
    assert found.resolution == resolution
    assert 0 < len(found.t) <= points
    assert found.t == sorted(found.t)
    assert all(
        len(column) == len(found.t) for one in found.series.values() for column in (one.mean, one.min, one.max)
    )
    unit = {"raw": 0.001, "minute": 60.0, "hour": 3_600.0}[resolution]
    # A step that begins before the span is shown whole where it comes from roll-ups.
    first = NINE + start if unit < 1 else (NINE + start) // unit * unit
    last = NINE + end if unit < 1 else (NINE + end) // unit * unit + unit - 0.001
    inside = (t >= first) & (t <= last)
    step = np.round(t[inside] * 1000).astype(int) // round(found.step_s * 1000)
    at, mean, least, most = known(found, "inlet_pa")
    assert len(at) == len(np.unique(step))
    for number, each in enumerate(np.unique(step)):
        values = inlet[inside][step == each]
        assert mean[number] == pytest.approx(values.mean(), rel=1e-9)
        assert (least[number], most[number]) == (values.min(), values.max())


def test_where_the_fan_was_off_there_is_one_gap(shop: tuple[Path, np.ndarray, np.ndarray]) -> None:
    path, _, _ = shop
    for points, resolution in ((14_500, "raw"), (300, "minute")):
        found = Reader(path).trend(["inlet_pa"], NINE, NINE + 14_000, points)
        assert found.resolution == resolution
        gaps = [t for t, value in zip(found.t, found.series["inlet_pa"].mean, strict=True) if value is None]
        assert len(gaps) == 3
        for t, (_, end), (begin, _) in zip(gaps, RUNS[:3], RUNS[1:4], strict=True):
            assert NINE + end - 60 <= t <= NINE + begin + 60


def test_a_series_that_is_unknown_for_a_while_is_none_there_only(shop: tuple[Path, np.ndarray, np.ndarray]) -> None:
    found = Reader(shop[0]).trend(["motor_a", "inlet_pa"], NINE, NINE + 3_000, 3_200)
    pairs = zip(found.t, found.series["motor_a"].mean, found.series["inlet_pa"].mean, strict=True)
    silent = [t - NINE for t, motor, inlet in pairs if motor is None and inlet is not None]
    assert silent == [float(k) for k in range(1_620, 2_000)]


def test_running_time_adds_up(shop: tuple[Path, np.ndarray, np.ndarray]) -> None:
    path, _, _ = shop
    truth = sum(end - begin for begin, end in RUNS)
    for points in (20, 100, 2_000):
        found = Reader(path).trend(["running_s"], NINE - 3_600, NINE + 100_000, points)
        # Each run begins with its starting frame, one second before; its last minute is still open at the very end.
        assert sum(value or 0.0 for value in found.series["running_s"].mean) == pytest.approx(truth, abs=60)


def test_a_trend_reaches_up_to_the_last_frame_at_every_resolution(path: Path) -> None:
    writer = Writer(path)
    for k in range(5_000):
        writer.frame(frame(NINE + k, motor_a=1.0 if k < 4_990 else 100.0), None)
    writer.flush()
    reader = Reader(path)
    for points in (6_000, 80, 3):
        found = reader.trend(["motor_a"], NINE, NINE + 5_000, points)
        assert found.series["motor_a"].max[-1] == 100.0, found.resolution
    reader.close()
    writer.close()


def test_where_raw_frames_are_gone_minutes_serve(path: Path) -> None:
    writer = Writer(path, keep_raw_days=2.0)
    for day in range(6):
        for k in range(3_600):
            writer.frame(frame(NINE + day * 86_400 + k, motor_a=float(day)), None)
        writer.flush()
    writer.close()
    reader = Reader(path)
    old = reader.trend(["motor_a"], NINE + 300, NINE + 900, 600)
    assert (old.resolution, set(old.series["motor_a"].mean)) == ("minute", {0.0})
    new = reader.trend(["motor_a"], NINE + 5 * 86_400 + 300, NINE + 5 * 86_400 + 900, 700)
    assert (new.resolution, len(new.t)) == ("raw", 601)


def test_nonsense_is_refused_in_words(path: Path) -> None:
    reader = Reader(path)
    with pytest.raises(StoreError, match=r"no series 'suction'.*inlet_pa"):
        reader.trend(["suction"], NINE, NINE + 1, 10)
    with pytest.raises(StoreError, match="at least 2"):
        reader.trend(["inlet_pa"], NINE, NINE + 1, 1)
    with pytest.raises(StoreError, match="before it begins"):
        reader.trend(["inlet_pa"], NINE, NINE - 1, 10)
    assert reader.trend(["inlet_pa", "running_s"], NINE, NINE + 1e8, 100).t == []


def test_no_span_and_no_number_of_points_gives_more_points_than_asked(shop: tuple[Path, np.ndarray, np.ndarray]) -> None:
    rng = random.Random(5)
    reader = Reader(shop[0])
    for _ in range(150):
        start = NINE + rng.uniform(-5_000, 20_000)
        points = rng.randrange(2, 400)
        found = reader.trend(["inlet_pa"], start, start + rng.choice([0.5, 60, 997, 20_000, 2e6]), points)
        assert len(found.t) <= points


@pytest.mark.long
@pytest.mark.slow
def test_a_year_is_read_from_the_hours(path: Path) -> None:
    """2,200 working hours in a year of 250 days, written as roll-ups by the writer itself from thinned frames."""
    writer = Writer(path)
    rng = random.Random(9)
    for day in range(250):
        for k in range(0, 9 * 3_600, 120):
            t = NINE + day * 86_400 + k
            writer.frame(frame(t), estimate(t, rng))
    writer.close()
    reader = Reader(path)
    names = ["inlet_pa", "filter_pa", "motor_a", "flow_m3s", "drag_ratio"]
    found = reader.trend(names, NINE, NINE + 365 * 86_400, 1_000)
    assert found.resolution == "hour"
    assert 500 < len(found.t) <= 1_000
