"""The facts of the weekly digest, from the store."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from analysis.conditions import Condition
from analysis.events import EventKind, ShopEvent
from daemon.alarms.rates import raised_times
from daemon.digest import DigestFacts
from daemon.store.reader import JournalEntry, Reader

POINTS = 500
MOST_ROWS = 10_000
PARTS = 28
"""Bars of the week's picture: four a day."""
_KINDS = {kind.value for kind in EventKind}


def week_facts(reader: Reader, start: float, end: float) -> DigestFacts:
    """What happened from ``start`` up to ``end`` [s], and what stands now. Raises StoreError where it cannot be read."""
    last = end - 1e-3  # the reader's spans hold their ends
    raised: dict[int, int] = {}
    for step in reader.transitions(start=start, end=last, limit=MOST_ROWS):
        raised[step.alarm_id] = raised.get(step.alarm_id, 0) + len(raised_times([step]))
    alarms = [alarm for alarm in reader.alarms(end=last, limit=MOST_ROWS) if raised.get(alarm.id)]
    trend = reader.trend(("drag_ratio", "flow_lost"), start, last, POINTS)
    drag = [value for value in trend.series["drag_ratio"].mean if value is not None]
    lost = [value for value in trend.series["flow_lost"].mean if value is not None]
    forecast_s, days_left_s = _forecast(reader)
    return DigestFacts(
        start_t=start,
        end_t=end,
        run_s=reader.running_seconds(start, end),
        starts=sum(run.start_t >= start for run in reader.runs(start, last, MOST_ROWS)),
        alarms=sorted(alarms, key=lambda alarm: alarm.raised_t),
        raised=raised,
        open=reader.open_alarms(),
        events=sorted(_events(reader.journal(start, last, MOST_ROWS)), key=lambda event: event.t),
        clean_at=_clean_at(reader),
        drag_days=_parts(trend.t, trend.series["drag_ratio"].mean, start, end),
        drag_ratio=drag[-1] if drag else None,
        drag_ratio_before=drag[0] if drag else None,
        flow_lost=lost[-1] if lost else None,
        forecast_s=forecast_s,
        days_left_s=days_left_s,
    )


def _events(entries: list[JournalEntry]) -> Iterator[ShopEvent]:
    for entry in entries:
        if entry.kind in _KINDS:
            yield ShopEvent(entry.t, EventKind(entry.kind), entry.by, entry.text, entry.where, entry.id)


def _forecast(reader: Reader) -> tuple[float | None, float | None]:
    """Running time until cleaning pays, and the same at the present use, as the daemon last showed them."""
    documents = reader.status("detectors")
    for document in documents if isinstance(documents, list) else []:
        if document.get("condition") == Condition.FILTER_LOADING.value and document.get("forecast_s") is not None:
            days = (document.get("evidence") or {}).get("days_left") or {}
            return float(document["forecast_s"]), None if days.get("value") is None else float(days["value"])
    return None, None


def _clean_at(reader: Reader) -> float | None:
    """The drag at which cleaning pays, as the shop's document says."""
    document = reader.status("shop")
    found = (document.get("filter") or {}).get("clean_at_drag_ratio") if isinstance(document, dict) else None
    return float(found) if isinstance(found, int | float) else None


def _parts(times: Sequence[float], drag: Sequence[float | None], start: float, end: float) -> list[float | None]:
    """The mean drag in each part of the week, None where there was none."""
    parts: list[list[float]] = [[] for _ in range(PARTS)]
    for t, value in zip(times, drag, strict=True):
        if value is not None and start <= t < end:
            parts[int(PARTS * (t - start) / (end - start))].append(value)
    return [sum(part) / len(part) if part else None for part in parts]
