"""The maintenance record: month by month, what ran, what was done, what was wrong, and whether the air is still there."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from datetime import datetime

from analysis.events import EventKind
from daemon.store.reader import AlarmState, Reader
from dashboard.journal_view import entry_out
from dashboard.shapes import Out, Quantity, Screen
from dashboard.words import DASH, local_time, running_hours

MOST_MONTHS = 36


NOTHING: Out = {"since": DASH, "hours": DASH, "months": [], "entries": []}
"""The record of a shop that was never watched."""
COLUMNS = {
    "month": "month", "hours": "running_hours", "starts": "starts", "cleaned": "filter_cleaned", "emptied": "bag_emptied",
    "changed": "changed", "alarms": "alarms", "flow": "mean_flow_m3s", "ratio": "mean_drag_ratio", "lost": "mean_flow_lost",
}  # fmt: skip
"""Of a month: its name in the record, and at the head of the table for a spreadsheet."""


def months_back(first_t: float, last_t: float) -> Iterator[tuple[datetime, float, float]]:
    """Local months from the one of ``last_t`` back to that of ``first_t``, with the event times of their ends."""
    last, first = local_time(last_t), local_time(first_t)
    if last is None or first is None:
        return
    year, month = last.year, last.month
    for _ in range(MOST_MONTHS):
        begin = datetime(year, month, 1)
        after = datetime(year + month // 12, month % 12 + 1, 1)
        yield begin, begin.timestamp(), after.timestamp()
        if (year, month) <= (first.year, first.month):
            return
        year, month = (year, month - 1) if month > 1 else (year - 1, 12)


def record_out(reader: Reader, screen: Screen) -> Out:
    """The record read from the store."""
    first, last = reader.first_t(), reader.last_t()
    if first is None or last is None:
        return NOTHING
    months = [_month(reader, screen, begin, start, end) for begin, start, end in months_back(first, last)]
    began = local_time(first)
    return {
        "since": DASH if began is None else f"{began.day} {began:%b %Y}",
        "hours": running_hours(reader.running_seconds()),
        "months": months,
        "entries": [entry_out(entry) for entry in reader.journal(limit=300) if entry.kind != EventKind.NOTE.value],
    }


def _month(reader: Reader, screen: Screen, begin: datetime, start: float, end: float) -> Out:
    kinds = [entry.kind for entry in reader.journal(start, end - 1e-3, 5000)]
    steps = reader.transitions(start=start, end=end - 1e-3, limit=20_000)
    found = reader.trend(["flow_m3s", "drag_ratio", "flow_lost"], start, end - 1.0, 40)

    def mean(name: str) -> float | None:
        known = [value for value in found.series[name].mean if value is not None]
        return sum(known) / len(known) if known else None

    why = "fan not run"
    return {
        "month": f"{begin:%B %Y}",
        "start": start,
        "end": end,
        "hours": round(reader.running_seconds(start, end) / 3600, 1),
        "starts": sum(start <= run.start_t < end for run in reader.runs(start, end, 20_000)),
        "cleaned": kinds.count("cleaned") + kinds.count("replaced"),
        "emptied": kinds.count("emptied"),
        "changed": kinds.count("changed") + kinds.count("added_run"),
        "alarms": sum(step.after is AlarmState.UNACKNOWLEDGED for step in steps),
        "flow": screen.quantity(mean("flow_m3s"), "flow", why=why),
        "ratio": screen.quantity(mean("drag_ratio"), "ratio", why=why),
        "lost": screen.quantity(mean("flow_lost"), "fraction", why=why),
    }


def record_csv(record: Out) -> str:
    """The record as a table for a spreadsheet. Text that a spreadsheet would take for a formula is made harmless."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS.values())
    for month in record["months"]:
        writer.writerow([_cell(month[name]) for name in COLUMNS])
    writer.writerow([])
    writer.writerow(["when", "what", "where", "text", "by"])
    for entry in record["entries"]:
        writer.writerow([entry["at"], entry["words"], _plain(entry["where"]), _plain(entry["text"]), entry["by"]])
    return out.getvalue()


def _cell(value: object) -> object:
    if isinstance(value, Quantity):
        return "" if value.si is None else f"{value.si:.5g}"
    return value


def _plain(text: str) -> str:
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text
