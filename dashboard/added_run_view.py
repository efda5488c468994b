"""Before and after a change of the ducts: what it was drawn to cost, what it did cost, and the check that finds out.

Driven by the status document "added_run": ``phase`` (after, done), ``name``, ``words``, ``verdict`` (kept, lost, unclear),
``what`` (the periods), ``sentences``, ``notes``, ``ports``: a list of ``name``, ``before_m3s``, ``after_m3s``,
``expected_m3s``, ``sd_m3s``, ``words``; ``charts`` (``name``, ``heading``, ``note``, ``title``, ``png``: files beside the
store); ``busy`` and ``trouble`` (words); ``check``: the status of a tour with its ``side``; ``kept``: when a check was kept
on each side; ``found``: changes that nobody wrote down (``t``, ``words``, ``began_t``, ``ended_t``, ``earliest_t``,
``latest_t``, ``low``, ``high``, ``entry``) and ``found_words``.
"""

from __future__ import annotations

import re
from pathlib import Path

from pydantic import BaseModel, Field

from dashboard.shapes import DASH, Quantity, Screen, day_and_time, dig, number, rows, sentence, shape_of, table, text, texts
from dashboard.snapshot import Document, Snapshot
from dashboard.tour_view import GateOut

VERDICTS = {
    "kept": ("ok", "Your ports kept their air"),
    "lost": ("soon", "Ports have lost air"),
    "unclear": ("wait", "Not yet clear"),
}
_CHECK_TONES = {"refused": "soon", "done": "ok", "measure": "plan", "set": "plan"}
_PLAIN = re.compile(r"[\w-]{1,80}\Z")
REPORT = "report.html"


class PortChange(BaseModel):
    """One port before and after, measured as air at the port."""

    name: str = Field(examples=["planer"])
    before: Quantity
    after: Quantity
    change: str = Field(examples=["−3 %"])
    drawn: str = Field(examples=["−2 %"])
    words: str = ""


class ChartFile(BaseModel):
    """A chart beside the store; ``png`` says whether it is there as PNG too."""

    name: str = Field(examples=["ports"])
    heading: str = Field(examples=["Air at the ports"])
    title: str = ""
    note: str = ""
    png: bool = False


class CheckOut(BaseModel):
    """A guided check under way."""

    side: str = Field(examples=["before"])
    phase: str = Field(examples=["set"])
    title: str = Field(examples=["Before the work, step 2 of 5"])
    words: str
    reason: str
    tone: str = Field(examples=["plan"])
    percent: int = Field(examples=[40])
    gates: list[GateOut]


class FoundOut(BaseModel):
    """A change that nobody wrote down. ``entry`` is the journal entry that explains it, if any."""

    t: float | None
    when: str = Field(examples=["Tue 3 Mar 2026, 09:14"])
    sure: str
    words: str
    size: str
    entry: int | None = None


class AddedRunOut(BaseModel):
    """Everything on the page "Added run"."""

    known: bool
    watched: bool = Field(description="Whether a run was said to be built, and is compared again and again.")
    name: str
    tone: str = Field(examples=["ok"])
    title: str
    words: str
    what: str
    busy: str
    trouble: str
    ports: list[PortChange]
    sentences: list[str]
    notes: list[str]
    charts: list[ChartFile]
    check: CheckOut | None
    kept: list[str]
    may_compare_checks: bool
    found: list[FoundOut]
    found_words: str
    shape: str = Field(examples=["5f2c01aa"])


def added_run_out(snapshot: Snapshot, screen: Screen) -> AddedRunOut:
    """The check made from a snapshot."""
    document = snapshot.added_run
    known = bool(text(document, "phase") or text(document, "verdict") or text(document, "words"))
    tone, title = VERDICTS.get(text(document, "verdict"), ("wait", "Comparing" if known else "No run is being checked"))
    kept = [side for side in ("before", "after") if number(document, "kept", side) is not None]
    ports = [_port(row, screen) for row in rows(document, "ports")]
    charts = [_chart(row) for row in rows(document, "charts") if _PLAIN.match(text(row, "name"))]
    found = [_found(row) for row in rows(document, "found")]
    check, sentences = _check(snapshot), texts(document, "sentences")
    busy, trouble = text(document, "busy"), text(document, "trouble")
    what = text(document, "what")
    lines = texts(document, "found_words")
    watched = number(document, "entry") is not None
    return AddedRunOut(
        known=known,
        watched=watched,
        name=text(document, "name"),
        tone=tone if known else "quiet",
        title=title,
        words=text(document, "words"),
        what=what,
        busy=busy,
        trouble=sentence(trouble),
        ports=ports,
        sentences=sentences,
        notes=[sentence(note) for note in texts(document, "notes")],
        charts=charts,
        check=check,
        kept=[f"{side} the work: {day_and_time(number(document, 'kept', side))}" for side in kept],
        may_compare_checks=len(kept) == 2,
        found=found,
        found_words="" if found or not lines else sentence(lines[0]),
        shape=shape_of(
            known,
            watched,
            text(document, "name"),
            what,
            [port.name for port in ports],
            sentences,
            [c.name for c in charts],
            busy,
            trouble,
            kept,
            [(f.t, f.entry) for f in found],
            lines,
            None if check is None else (check.side, check.phase, check.title),
        ),
    )


def _chart(row: Document) -> ChartFile:
    return ChartFile(
        name=text(row, "name"),
        heading=text(row, "heading"),
        title=text(row, "title"),
        note=text(row, "note"),
        png=dig(row, "png") is True,
    )


def _check(snapshot: Snapshot) -> CheckOut | None:
    check = table(snapshot.added_run, "check")
    side, phase = text(check, "side"), text(check, "phase")
    if side not in ("before", "after") or not phase:
        return None
    step, steps = int(number(check, "step") or 0), int(number(check, "steps") or 0)
    opened = dig(check, "open_ports")
    opened = [str(port) for port in opened] if isinstance(opened, list) else []
    gates = [text(port, "name") for port in rows(snapshot.shop, "ports") if port.get("has_gate") is not False]
    where = {"zero": "before the first step", "done": "every step is measured"}.get(phase, f"step {step + 1} of {steps}")
    return CheckOut(
        side=side,
        phase=phase,
        title=f"{side.capitalize()} the work: {where}",
        words=text(check, "words"),
        reason=text(check, "reason"),
        tone=_CHECK_TONES.get(phase, "wait"),
        percent=round(100 * min(1.0, max(0.0, number(check, "progress") or 0.0))),
        gates=[GateOut(name=name, is_open=name in opened) for name in gates] if phase in ("set", "measure", "refused") else [],
    )


def _found(row: Document) -> FoundOut:
    low, high = number(row, "low"), number(row, "high")
    size = "" if low is None or high is None else f"resistance {_signed(low)} to {_signed(high)} (95 % sure)"
    earliest, latest = day_and_time(number(row, "earliest_t")), day_and_time(number(row, "latest_t"))
    entry = number(row, "entry")
    return FoundOut(
        t=number(row, "t"),
        when=day_and_time(number(row, "t")),
        sure=f"95 % sure: {earliest} to {latest}",
        words=text(row, "words"),
        size=size,
        entry=None if entry is None else int(entry),
    )


def _signed(share: float) -> str:
    value = round(100 * share)
    return f"{'−' if value < 0 else '+' if value > 0 else ''}{abs(value)} %"


def _port(row: Document, screen: Screen) -> PortChange:
    before, after, drawn = (number(row, key) for key in ("before_m3s", "after_m3s", "expected_m3s"))
    return PortChange(
        name=text(row, "name"),
        before=screen.quantity(before, "flow", why=DASH),
        after=screen.quantity(after, "flow", why=DASH),
        change=percent(before, after),
        drawn=percent(before, drawn),
        words=text(row, "words"),
    )


def percent(before: float | None, after: float | None) -> str:
    """A change in percent.

    >>> percent(0.2, 0.194), percent(None, 0.2)
    ('−3 %', '–')
    """
    if before is None or after is None or before <= 0:
        return DASH
    return _signed(after / before - 1)


def report_file(store: Path, name: str) -> Path | None:
    """The path of a file of the comparison beside the store, None for anything that is none."""
    stem, dot, ending = name.rpartition(".")
    if name != REPORT and not (dot and ending in ("svg", "png") and _PLAIN.match(stem)):
        return None
    path = store.with_name(f"{store.stem}.added-run") / name
    return path if path.is_file() else None
