"""Trends as data: SI columns, the axes that turn them into the viewer's units, the expected bands, alarms and journal."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from typing import Any

from analysis.events import EventKind
from daemon.store.reader import Alarm, JournalEntry, Run, Trend
from dashboard.alarm_view import channel_of, title_of
from dashboard.machine_view import DAY_S, claim_of
from dashboard.shapes import SERIES, TWO_SD, Out, Screen, number
from dashboard.snapshot import Snapshot

MAX_SERIES = 12
MAX_POINTS = 4000
BANDS = {"inlet_pa": "expected_inlet", "filter_pa": "expected_filter", "motor_a": "expected_motor"}
"""Series with an expected band -> how its two series in the store begin."""
SUFFIX = {"inlet_pa": "pa", "filter_pa": "pa", "motor_a": "a"}

EVENT_WORDS = {
    EventKind.CLEANED: "Filter cleaned",
    EventKind.REPLACED: "Filter bags washed or replaced",
    EventKind.EMPTIED: "Chip bag emptied",
    EventKind.CHANGED: "Something changed",
    EventKind.ADDED_RUN: "Run added",
    EventKind.BASELINE: "Baseline taken",
    EventKind.NOTE: "Note",
}
"""Journal entries in plain words."""

_DECIMALS = {"pressure": 1, "current": 2, "flow": 4, "fraction": 4, "ratio": 3, "temperature": 2, "density": 4, "deviations": 2}
"""Of SI numbers in a chart: a tenth of what its axis can show."""

Column = list[float | None]


LONG_STEP_S = 600.0
SPIN_DOWN_S, SPIN_UP_S = 30.0, 8.0
"""The last and first seconds of a run: what is measured while the fan coasts or gathers speed is no reading of the shop."""


def limits_of(snapshot: Snapshot, span: float) -> dict[str, Any]:
    """The lines of the shop. The forecast is in running time; over more than a day it is told in days of use, if known."""
    found: dict[str, Any] = {}
    claim = claim_of(snapshot.detectors, "filter_loading")
    ratio, full = number(snapshot.shop, "filter", "clean_at_drag_ratio"), number(snapshot.shop, "motor", "full_load_a")
    if ratio is not None:
        days = number(claim, "evidence", "days_left", "value")
        left = number(claim, "forecast_s") if span <= DAY_S else days
        found["drag_ratio"] = {"si": ratio, "words": "clean here", "in_s": left}
    if full is not None:
        found["motor_a"] = {"si": full, "words": "full load", "in_s": None}
    return found


def steady(times: Sequence[float], step_s: float, runs: Sequence[Run]) -> list[bool]:
    """Whether the fan neither coasted nor gathered speed at each step. Long steps hold so much else that it does not show."""
    found = [True] * len(times)
    if step_s > LONG_STEP_S:
        return found
    for run in runs:
        ends = [(run.start_t, run.start_t + SPIN_UP_S)]
        if run.end_t is not None:
            ends.append((run.end_t - SPIN_DOWN_S, run.end_t + 1.0))
        for low, high in ends:
            for at in range(bisect_left(times, low - step_s), bisect_right(times, high)):
                found[at] = False
    return found


def wanted(names: Sequence[str]) -> list[str]:
    """The store's series for ``names`` and their bands."""
    found = list(names)
    for name in names:
        if name in BANDS:
            found += [f"{BANDS[name]}_{SUFFIX[name]}", f"{BANDS[name]}_sd"]
    return found


def trend_document(
    trend: Trend,
    names: Sequence[str],
    start: float,
    end: float,
    screen: Screen,
    alarms: Sequence[Alarm],
    journal: Sequence[JournalEntry],
    runs: Sequence[Run] = (),
    limits: dict[str, Any] | None = None,
) -> dict[str, Any]:
    """A trend: columns of equal length, all SI, with the axes that show them in the viewer's units.

    A gap is a point without values; the fan was off there, or nothing came. ``columns`` have for each series the mean of each
    step, and ``min`` and ``max`` where a step holds several frames; ``bands`` where 19 of 20 normal values lie; ``limits`` the
    line at which something is to be done, and after how long it is reached; ``alarms`` stand from ``start`` to ``end`` (None:
    still), ``journal`` has its entries.
    """
    several = trend.step_s > 1.5
    keep = steady(trend.t, trend.step_s, runs)
    columns: dict[str, Any] = {}
    bands: dict[str, Any] = {}
    for name in names:
        decimals = _DECIMALS.get(SERIES[name].kind, 3)
        found = trend.series[name]
        columns[name] = {
            "mean": _rounded(found.mean, decimals, keep),
            "min": _rounded(found.min, decimals, keep) if several else None,
            "max": _rounded(found.max, decimals, keep) if several else None,
        }
        if name in BANDS:
            middle, sd = trend.series[f"{BANDS[name]}_{SUFFIX[name]}"].mean, trend.series[f"{BANDS[name]}_sd"].mean
            if any(value is not None for value in middle):
                bands[name] = {"low": _edge(middle, sd, -TWO_SD, decimals), "high": _edge(middle, sd, TWO_SD, decimals)}
    return {
        "start": start,
        "end": end,
        "step_s": trend.step_s,
        "resolution": trend.resolution,
        "t": [round(t, 3) for t in trend.t],
        "columns": columns,
        "bands": bands,
        "axes": {name: screen.axis(SERIES[name].kind, SERIES[name].sign).model_dump() for name in names},
        "alarms": [span(alarm) for alarm in alarms],
        "journal": [mark(event) for event in journal],
        "limits": limits or {},
    }


def _rounded(column: Column, decimals: int, keep: list[bool]) -> Column:
    return [None if value is None or not kept else round(value, decimals) for value, kept in zip(column, keep, strict=True)]


def _edge(middle: Column, sd: Column, factor: float, decimals: int) -> Column:
    return [
        None if value is None or spread is None else round(value + factor * spread, decimals)
        for value, spread in zip(middle, sd, strict=True)
    ]


def span(alarm: Alarm) -> Out:
    """An alarm on the time axis."""
    title = title_of(alarm.finding, alarm.where)
    about = {"channel": channel_of(alarm.condition, alarm.where), "start": alarm.since_t, "end": alarm.cleared_t}
    return {"id": alarm.id, "title": title, "urgency": alarm.urgency.value, **about}


def mark(entry: JournalEntry) -> Out:
    """A journal entry on the time axis."""
    words = event_words(entry.kind)
    said = f"{words}: {entry.text}" if entry.text else words
    return {"id": entry.id, "t": entry.t, "kind": entry.kind, "words": said[:120]}


def event_words(kind: str) -> str:
    """A kind of journal entry in plain words; one that a later program wrote as it is."""
    try:
        return EVENT_WORDS[EventKind(kind)]
    except ValueError:
        return kind
