"""Trends: any series over any span, never more points than asked for, from the coarsest data that is fine enough.

A trend speaks of running: only running frames count, and where the fan was off there is a gap. Spans whose steps are
at most ``RAW_STEP_S`` long come from raw frames, up to ``MINUTE_STEP_S`` from minutes, longer ones from hours; where raw
frames were let go already, minutes serve instead. Minutes and hours that are not rolled up yet are filled in from the
finer data, so that a trend always reaches up to the last frame.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from analysis.readings import RunState
from daemon.errors import StoreError
from daemon.store.schema import HOUR_MS, MINUTE_MS, RUNNING, SERIES, STATE_CODES

RAW_STEP_S = 15.0
MINUTE_STEP_S = 1_200.0
RAW_GAP_S = 10.0
"""Raw frames further apart than this have a gap between them."""

Resolution = Literal["raw", "minute", "hour"]
Column = list[float | None]

_RUN = STATE_CODES[RunState.RUNNING]


@dataclass(slots=True)
class Columns:
    """One series: mean, least and greatest of each step, None in a gap. ``running_s`` has sums in ``mean`` only."""

    mean: Column = field(default_factory=list)
    min: Column = field(default_factory=list)
    max: Column = field(default_factory=list)


@dataclass(slots=True)
class Trend:
    """Columns of equal length. ``t`` is the middle of each step (of its frames, where it was made from raw ones);
    ``step_s`` the length of a step; a gap is one point whose values are all None."""

    resolution: Resolution
    step_s: float
    t: list[float] = field(default_factory=list)
    series: dict[str, Columns] = field(default_factory=dict)


def trend(connection: sqlite3.Connection, names: Sequence[str], start: float, end: float, points: int) -> Trend:
    """The series ``names`` from ``start`` to ``end`` (both inside) in at most ``points`` points.

    Raises :class:`StoreError` for an unknown series, fewer than 2 points, or an end before the start.
    """
    unknown = [name for name in names if name not in SERIES]
    if unknown:
        raise StoreError(f"there is no series {', '.join(map(repr, unknown))}; there are: {', '.join(SERIES)}")
    if points < 2:
        raise StoreError(f"a trend of {points} points was asked for; at least 2")
    if not end >= start:
        raise StoreError(f"the trend ends ({end}) before it begins ({start})")
    start_ms, end_ms = round(start * 1000), round(end * 1000)
    resolution = _resolution(connection, names, start_ms, end_ms, points)
    unit = {"raw": 1, "minute": MINUTE_MS, "hour": HOUR_MS}[resolution]
    step = _step(start_ms, end_ms, points, unit)
    sql, parameters = _query(connection, names, resolution, start_ms, end_ms, step)
    answer = Trend(resolution, step / 1000.0, series={name: Columns() for name in names})
    gap_steps = max(2, -(-int(RAW_GAP_S * 1000) // step)) if resolution == "raw" else 2
    before: int | None = None
    for row in connection.execute(sql, parameters):
        at = row[0]
        if before is not None and at - before >= gap_steps:
            answer.t.append((before + 1 + at) * step / 2000.0)
            for columns in answer.series.values():
                _append(columns, None, None, None)
        before = at
        answer.t.append(row[1] / 1000.0 if resolution == "raw" else (at * step + step / 2) / 1000.0)
        for number, columns in enumerate(answer.series.values()):
            _append(columns, *row[2 + 3 * number: 5 + 3 * number])
    return answer


def _append(columns: Columns, mean: float | None, least: float | None, most: float | None) -> None:
    columns.mean.append(mean)
    columns.min.append(least)
    columns.max.append(most)


def _resolution(
    connection: sqlite3.Connection, names: Sequence[str], start_ms: int, end_ms: int, points: int
) -> Resolution:
    wanted_s = (end_ms - start_ms) / 1000.0 / points
    if wanted_s > MINUTE_STEP_S:
        return "hour"
    if wanted_s > RAW_STEP_S or RUNNING.name in names:
        return "minute"
    # Raw frames must reach back as far as there is anything to show.
    (oldest,) = connection.execute("SELECT min(t_ms) FROM frames").fetchone()
    if oldest is None or oldest > start_ms:
        upto = end_ms if oldest is None else min(oldest - MINUTE_MS, end_ms)
        earlier = connection.execute(
            "SELECT 1 FROM minutes WHERE t_ms > ? AND t_ms < ? LIMIT 1", (start_ms - MINUTE_MS, upto)
        ).fetchone()
        if earlier:
            return "minute"
    return "raw"


def _step(start_ms: int, end_ms: int, points: int, unit: int) -> int:
    """The shortest step, in whole units, whose steps on a fixed grid number no more than ``points``."""
    step = max(1, -(-(end_ms - start_ms) // (points * unit))) * unit
    while end_ms // step - start_ms // step + 1 > points:
        step += unit
    return step


def _query(
    connection: sqlite3.Connection, names: Sequence[str], resolution: Resolution, start_ms: int, end_ms: int, step: int
) -> tuple[str, list[int]]:
    if resolution == "raw":
        values = "".join(f", avg({name}), min({name}), max({name})" for name in names)
        return (
            f"SELECT t_ms / {step}, avg(t_ms){values} FROM frames "
            f"WHERE t_ms >= ? AND t_ms <= ? AND state = {_RUN} GROUP BY 1 ORDER BY 1", [start_ms, end_ms],
        )
    parts: list[str] = []
    parameters: list[int] = []
    lower = start_ms
    for table, unit in (("hours", HOUR_MS), ("minutes", MINUTE_MS))[0 if resolution == "hour" else 1:]:
        parts.append(f"SELECT t_ms AS t{_rollup_columns(names)} FROM {table} WHERE t_ms >= ? AND t_ms <= ?")
        parameters += [lower // unit * unit, end_ms]
        lower = max(lower, _covered(connection, table, unit, end_ms))
    parts.append(
        f"SELECT t_ms AS t{_raw_columns(names)} FROM frames WHERE t_ms >= ? AND t_ms <= ? AND state = {_RUN}"
    )
    parameters += [lower, end_ms]
    means = [f"sum(m{i})" if name == RUNNING.name else f"sum(m{i} * n{i}) / sum(n{i})" for i, name in enumerate(names)]
    totals = "".join(f", {mean}, min(a{i}), max(z{i})" for i, mean in enumerate(means))
    return f"SELECT t / {step}, 0{totals} FROM ({' UNION ALL '.join(parts)}) GROUP BY 1 ORDER BY 1", parameters


def _covered(connection: sqlite3.Connection, table: str, unit: int, end_ms: int) -> int:
    """Up to where ``table`` is complete: the end of its newest row."""
    (newest,) = connection.execute(f"SELECT max(t_ms) FROM {table} WHERE t_ms <= ?", (end_ms,)).fetchone()
    return 0 if newest is None else int(newest) + unit


def _rollup_columns(names: Sequence[str]) -> str:
    return "".join(
        f", 1 AS n{i}, running_s AS m{i}, NULL AS a{i}, NULL AS z{i}" if name == RUNNING.name
        else f", {name}_n AS n{i}, {name}_mean AS m{i}, {name}_min AS a{i}, {name}_max AS z{i}"
        for i, name in enumerate(names)
    )


def _raw_columns(names: Sequence[str]) -> str:
    return "".join(
        f", 1 AS n{i}, 0.0 AS m{i}, NULL AS a{i}, NULL AS z{i}" if name == RUNNING.name
        else f", {name} IS NOT NULL AS n{i}, {name} AS m{i}, {name} AS a{i}, {name} AS z{i}"
        for i, name in enumerate(names)
    )
