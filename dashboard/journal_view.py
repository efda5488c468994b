"""The journal as a person reads it, and what may be written into it."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from pydantic import BaseModel, Field

from analysis.events import EventKind
from daemon.store.reader import JournalEntry
from dashboard.problems import Refused
from dashboard.shapes import Out, place_words
from dashboard.trend_view import event_words
from dashboard.words import day_and_time, local_time, unbroken

BY_WORDS = {"owner": "by you", "ductwarden": "found in the readings"}
WRITABLE = (
    EventKind.CLEANED,
    EventKind.EMPTIED,
    EventKind.REPLACED,
    EventKind.CHANGED,
    EventKind.ADDED_RUN,
    EventKind.NOTE,
)
"""What the owner may enter; a baseline enters itself."""
EARLIEST_T = 946_684_800.0
"""1 January 2000: no entry is older."""

WritableKind = Literal["cleaned", "emptied", "replaced", "changed", "added_run", "note"]


class JournalIn(BaseModel):
    """A journal entry to be made. ``at`` is the shop's local time; ``t`` event time; with neither it is now."""

    kind: WritableKind = Field(examples=["cleaned"])
    text: str = Field(default="", max_length=500, examples=["shook the bags for two minutes"])
    where: str = Field(default="", max_length=60, examples=["planer"])
    t: float | None = Field(default=None, ge=EARLIEST_T, le=1e11)
    at: str = Field(default="", max_length=25, examples=["2026-03-03T09:14"])

    def when(self) -> float | None:
        """The event time meant. Raises :class:`Refused` for a text that is no time."""
        return self.t if not self.at else local_t(self.at)


class Removal(BaseModel):
    """Why an entry is struck out."""

    reason: str = Field(default="", max_length=200)


def entry_out(entry: JournalEntry) -> Out:
    """One entry for a screen."""
    return {
        "id": entry.id,
        "t": entry.t,
        "when": day_and_time(entry.t),
        "at": field_time(entry.t),
        "kind": entry.kind,
        "words": event_words(entry.kind),
        "text": unbroken(entry.text) if entry.by == "ductwarden" else entry.text,
        "where": entry.where,
        "where_words": place_words(entry.where),
        "by": entry.by,
        "by_words": BY_WORDS.get(entry.by, f"by {entry.by}"),
        "removed": entry.removed,
        "editable": not entry.removed and entry.kind in {kind.value for kind in WRITABLE},
        "changes": [_change(change) for change in entry.changes],
    }


def journal_out(entries: list[JournalEntry], limit: int) -> Out:
    """A page of the journal, newest first; ``older_t`` is where the next page begins, None at the end."""
    older = entries[-1].t - 1e-3 if len(entries) == limit else None
    return {"entries": [entry_out(entry) for entry in entries], "older_t": older}


def _change(change: dict[str, object]) -> Out:
    before = change.get("before")
    said = before if isinstance(before, dict) else {}
    t, kind, text = said.get("t"), said.get("kind"), said.get("text")
    parts = [event_words(str(kind)), day_and_time(t if isinstance(t, int | float) else None), str(text or "")]
    done = "struck out" if change.get("what") == "removed" else "corrected"
    at = change.get("t")
    return {
        "when": day_and_time(at if isinstance(at, int | float) else None),
        "words": f"{done}; before: {', '.join(part for part in parts if part)}",
    }


def field_time(t: float) -> str:
    """An instant as a date-and-time field of a form holds it."""
    local = local_time(t)
    return "" if local is None else local.strftime("%Y-%m-%dT%H:%M")


def local_t(text: str) -> float:
    """The inverse, in this computer's time zone.

    >>> field_time(local_t("2026-03-03T09:14"))
    '2026-03-03T09:14'
    """
    try:
        t = datetime.fromisoformat(text).timestamp()
    except (ValueError, OverflowError, OSError) as error:
        raise Refused(422, f"{text!r} is not a date and time such as 2026-03-03T09:14.", ["body: at"]) from error
    if t < EARLIEST_T:
        raise Refused(422, "The time is before the year 2000.", ["body: at"])
    return t
