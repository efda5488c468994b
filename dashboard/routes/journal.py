"""The journal: what was done to the unit, by the owner's word or recognised from the readings."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import JSONResponse

from dashboard.asking import AskedOut, answer_of, ask
from dashboard.box import RowId, box_of
from dashboard.journal_view import JournalIn, JournalOut, Removal, journal_out
from dashboard.problems import Refused

api = APIRouter(tags=["journal"])


@api.get("/journal", summary="Journal entries, newest first")
def read_journal(
    request: Request,
    before_t: Annotated[float | None, Query(ge=0, le=1e11, description="up to this event time", examples=[1772528400.0])] = None,
    limit: Annotated[int, Query(ge=1, le=200, description="at most so many", examples=[50])] = 50,
) -> JournalOut:
    """With corrections and what was struck out."""
    return journal_out(box_of(request).store.journal(before_t, limit), limit)


def _ask(request: Request, kind: str, payload: dict[str, object], words: str) -> JSONResponse:
    box = box_of(request)
    asked = ask(box.settings.store, kind, payload, words)
    box.store.forget()
    return answer_of(asked)


@api.post("/journal", summary="Make an entry", response_model=AskedOut)
def add(request: Request, entry: JournalIn) -> JSONResponse:
    """The detectors learn from it too: after "cleaned" the drag starts anew."""
    payload: dict[str, object] = {"kind": entry.kind, "text": entry.text.strip(), "where": entry.where.strip(), "t": entry.when()}
    return _ask(request, "journal_add", payload, "Written into the journal.")


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
    return _ask(request, "journal_correct", payload, "Corrected.")


@api.post("/journal/{entry_id}/remove", summary="Strike an entry out", response_model=AskedOut)
def remove(request: Request, entry_id: RowId, removal: Removal) -> JSONResponse:
    """It stays in the record, marked as struck out."""
    return _ask(request, "journal_remove", {"entry_id": entry_id, "reason": removal.reason}, "Struck out.")
