"""The maintenance record: month by month, what ran, what was done, what was wrong, and whether the air is still there."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from datetime import datetime

from pydantic import BaseModel, Field

from analysis.events import EventKind
from daemon.store.reader import Reader
from dashboard.journal_view import EntryOut, entry_out
from dashboard.shapes import Quantity, Screen
from dashboard.words import DASH, local_time, running_hours

MOST_MONTHS = 36


class MonthOut(BaseModel):
    """One month of the shop's life."""

    month: str = Field(examples=["March 2026"])
    start: float
    end: float
    hours: float = Field(examples=[31.4])
    starts: int = Field(examples=[212])
    cleaned: int
    emptied: int
    changed: int
    alarms: int
    flow: Quantity
    ratio: Quantity
    lost: Quantity


class RecordOut(BaseModel):
    """The record; ``months`` newest first."""

    since: str = Field(examples=["3 Mar 2026"])
    hours: str = Field(examples=["412 running hours"])
    months: list[MonthOut]
    entries: list[EntryOut]


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


def record_out(reader: Reader, screen: Screen) -> RecordOut:
    """The record read from the store."""
    first, last = reader.first_t(), reader.last_t()
    if first is None or last is None:
        return RecordOut(since=DASH, hours=DASH, months=[], entries=[])
    months = [_month(reader, screen, begin, start, end) for begin, start, end in months_back(first, last)]
    began = local_time(first)
    return RecordOut(
        since=DASH if began is None else f"{began.day} {began:%b %Y}",
        hours=running_hours(reader.running_seconds()),
        months=months,
        entries=[entry_out(entry) for entry in reader.journal(limit=300) if entry.kind != EventKind.NOTE.value],
    )


def _month(reader: Reader, screen: Screen, begin: datetime, start: float, end: float) -> MonthOut:
    kinds = [entry.kind for entry in reader.journal(start, end - 1e-3, 5000)]
    found = reader.trend(["flow_m3s", "drag_ratio", "flow_lost"], start, end - 1.0, 40)

    def mean(name: str) -> float | None:
        known = [value for value in found.series[name].mean if value is not None]
        return sum(known) / len(known) if known else None

    why = "fan not run"
    return MonthOut(
        month=f"{begin:%B %Y}",
        start=start,
        end=end,
        hours=round(reader.running_seconds(start, end) / 3600, 1),
        starts=sum(start <= run.start_t < end for run in reader.runs(start, end, 20_000)),
        cleaned=kinds.count("cleaned") + kinds.count("replaced"),
        emptied=kinds.count("emptied"),
        changed=kinds.count("changed") + kinds.count("added_run"),
        alarms=len(reader.alarms(start, end - 1e-3, 5000)),
        flow=screen.quantity(mean("flow_m3s"), "flow", why=why),
        ratio=screen.quantity(mean("drag_ratio"), "ratio", why=why),
        lost=screen.quantity(mean("flow_lost"), "fraction", why=why),
    )


def record_csv(record: RecordOut) -> str:
    """The record as a table for a spreadsheet. Text that a spreadsheet would take for a formula is made harmless."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(
        [
            "month",
            "running_hours",
            "starts",
            "filter_cleaned",
            "bag_emptied",
            "changed",
            "alarms",
            "mean_flow_m3s",
            "mean_drag_ratio",
            "mean_flow_lost",
        ]
    )
    for month in record.months:
        writer.writerow(
            [
                month.month,
                month.hours,
                month.starts,
                month.cleaned,
                month.emptied,
                month.changed,
                month.alarms,
                _cell(month.flow.si),
                _cell(month.ratio.si),
                _cell(month.lost.si),
            ]
        )
    writer.writerow([])
    writer.writerow(["when", "what", "where", "text", "by"])
    for entry in record.entries:
        writer.writerow([entry.at, entry.words, _plain(entry.where), _plain(entry.text), entry.by])
    return out.getvalue()


def _cell(value: float | None) -> str:
    return "" if value is None else f"{value:.5g}"


def _plain(text: str) -> str:
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text
