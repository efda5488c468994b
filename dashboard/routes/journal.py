"""The journal: what was done to the unit, by the owner's word or recognised from the readings."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import JSONResponse

from analysis.events import EventKind
from dashboard.asking import AskedOut, answer_of, ask_and_answer
from dashboard.box import RowId, box_of
from dashboard.journal_view import JournalIn, Removal, journal_out
from dashboard.problems import Refused
from dashboard.shapes import Out
from dashboard.trend_view import event_words
from dashboard.words import clock_time

api = APIRouter(tags=["journal"])


@api.get("/journal", summary="Journal entries, newest first")
def read_journal(
    request: Request,
    before_t: Annotated[float | None, Query(ge=0, le=1e11, description="up to this event time", examples=[1772528400.0])] = None,
    limit: Annotated[int, Query(ge=1, le=200, description="at most so many", examples=[50])] = 50,
) -> Out:
    """With corrections and what was struck out."""
    return journal_out(box_of(request).store.journal(before_t, limit), limit)


TWICE_S = 600.0
"""A second tap on the same button within this time [event time] is the first one again."""


def enter(request: Request, kind: EventKind, words: str = "") -> JSONResponse:
    """Enter what was done just now. A tap with a glove on is often two: the second enters nothing."""
    store = box_of(request).store
    snapshot = store.snapshot()
    for entry in [] if snapshot.problem else store.journal(None, 20):
        new = snapshot.clock is not None and 0 <= snapshot.clock - entry.t < TWICE_S
        if new and entry.kind == kind.value and not entry.removed:
            said = f"Already in the journal: {event_words(kind.value).lower()} at {clock_time(entry.t)[:5]}."
            return answer_of(AskedOut(request_id=0, done=True, words=said, undo=f"/journal/{entry.id}/remove"))
    payload: dict[str, object] = {"kind": kind.value, "text": words, "where": "", "t": None}
    return ask_and_answer(request, "journal_add", payload, f"Written into the journal: {event_words(kind.value).lower()}.")


@api.post("/journal", summary="Make an entry", response_model=AskedOut)
def add(request: Request, entry: JournalIn) -> JSONResponse:
    """The detectors learn from it too: after "cleaned" the drag starts anew."""
    text, where, t = entry.text.strip(), entry.where.strip(), entry.when()
    if not (text or where or t):
        return enter(request, EventKind(entry.kind))
    payload: dict[str, object] = {"kind": entry.kind, "text": text, "where": where, "t": t}
    return ask_and_answer(request, "journal_add", payload, "Written into the journal.")


@api.post("/journal/{entry_id}/correct", summary="Correct an entry", response_model=AskedOut)
def correct(request: Request, entry_id: RowId, entry: JournalIn) -> JSONResponse:
    """What it said before is kept. The time must be given, as it was or as it should be."""
    if entry.when() is None:
        raise Refused(422, "A correction needs the time of the entry.", ["body: at or t"])
    payload: dict[str, object] = {
        "entry_id": entry_id,
        "kind": entry.kind,
        "text": entry.text.strip(),
        "where": entry.where.strip(),
        "t": entry.when(),
    }
    return ask_and_answer(request, "journal_correct", payload, "Corrected.")


@api.post("/journal/{entry_id}/remove", summary="Strike an entry out", response_model=AskedOut)
def remove(request: Request, entry_id: RowId, removal: Removal) -> JSONResponse:
    """It stays in the record, marked as struck out."""
    return ask_and_answer(request, "journal_remove", {"entry_id": entry_id, "reason": removal.reason}, "Taken out.")
