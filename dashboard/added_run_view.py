"""The check of an added run: what it was drawn to cost, and what it did cost.

Driven by the status document "added_run": ``phase`` (asked, before, after, done), ``name``, ``words``, ``verdict`` (kept,
lost, unclear) and ``ports``: a list of ``name``, ``before_m3s``, ``after_m3s``, ``expected_m3s``, ``sd_m3s``, ``words``.
"""

from __future__ import annotations

from pydantic import BaseModel, Field

from dashboard.shapes import DASH, Quantity, Screen, number, rows, shape_of, text
from dashboard.snapshot import Document, Snapshot

VERDICTS = {
    "kept": ("ok", "Your ports kept their air"),
    "lost": ("soon", "Ports have lost air"),
    "unclear": ("wait", "Not yet clear"),
}


class PortChange(BaseModel):
    """One port before and after, measured as air at the port."""

    name: str = Field(examples=["planer"])
    before: Quantity
    after: Quantity
    change: str = Field(examples=["−3 %"])
    drawn: str = Field(examples=["−2 %"])
    words: str = ""


class AddedRunOut(BaseModel):
    """Everything on the page "Added run"."""

    known: bool
    name: str
    tone: str = Field(examples=["ok"])
    title: str
    words: str
    ports: list[PortChange]
    shape: str = Field(examples=["5f2c01aa"])


def added_run_out(snapshot: Snapshot, screen: Screen) -> AddedRunOut:
    """The check made from a snapshot."""
    document = snapshot.added_run
    known = bool(document)
    tone, title = VERDICTS.get(text(document, "verdict"), ("wait", "Comparing" if known else "No run is being checked"))
    return AddedRunOut(
        known=known,
        name=text(document, "name"),
        tone=tone if known else "quiet",
        title=title,
        words=text(document, "words"),
        ports=[_port(row, screen) for row in rows(document, "ports")],
        shape=shape_of(known, text(document, "name"), [text(row, "name") for row in rows(document, "ports")]),
    )


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
    change = round(100 * (after / before - 1))
    return f"{'−' if change < 0 else '+' if change > 0 else ''}{abs(change)} %"
