"""Alarms: the open ones, the past ones, each one's history, and what the owner may do with them."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Path, Query, Request
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field

from analysis.conditions import Condition
from dashboard.alarm_view import LATCHED, WAITING, alarm_out, by_weight, open_alarm, title_of, transition_out
from dashboard.alarm_view import answer_of as answer_words
from dashboard.asking import AskedOut, ask_and_answer
from dashboard.box import RowId, box_of, screen_of
from dashboard.problems import Refused
from dashboard.routes.journal import enter
from dashboard.shapes import Out
from dashboard.words import day_and_time

api = APIRouter(tags=["alarms"])
MAX_SHELF_S = 30 * 86400.0


class Shelf(BaseModel):
    """For how long (event time) an alarm is put aside, and why."""

    for_s: float = Field(gt=0, le=MAX_SHELF_S, examples=[14400])
    reason: str = Field(default="", max_length=200, examples=["the new bags come on Friday"])


class Place(BaseModel):
    """A condition, at one place or ("") everywhere."""

    condition: Condition = Field(examples=["low_velocity"])
    where: str = Field(default="", max_length=60, examples=["planer"])
    reason: str = Field(default="", max_length=200)


@api.get("/alarms", summary="Open alarms")
def open_alarms(request: Request) -> Out:
    """Every alarm that is not over, also those put aside."""
    snapshot = box_of(request).store.snapshot()
    screen = screen_of(request, snapshot)
    return {"alarms": by_weight([open_alarm(alarm, screen, snapshot) for alarm in snapshot.alarms])}


@api.get("/alarms/history", summary="Past and open alarms, the latest first")
def past_alarms(
    request: Request,
    before_t: Annotated[
        float | None, Query(ge=0, le=1e11, description="raised up to this event time", examples=[1772528400.0])
    ] = None,
    limit: Annotated[int, Query(ge=1, le=200, description="at most so many", examples=[50])] = 50,
) -> Out:
    """At most ``limit`` alarms raised up to ``before_t``."""
    box = box_of(request)
    snapshot = box.store.snapshot()
    screen = screen_of(request, snapshot)
    return {"alarms": [alarm_out(alarm, screen, snapshot.clock) for alarm in box.store.alarms(before_t, limit)]}


@api.get("/alarms/{alarm_id}", summary="One alarm with its history")
def one_alarm(request: Request, alarm_id: RowId) -> Out:
    """The alarm and every step from state to state, by whom and why."""
    box = box_of(request)
    snapshot = box.store.snapshot()
    alarm = box.store.reader.alarm(alarm_id)
    if alarm is None:
        raise Refused(404, f"There is no alarm {alarm_id}.")
    return {
        "alarm": open_alarm(alarm, screen_of(request, snapshot), snapshot),
        "transitions": [transition_out(step) for step in box.store.reader.transitions(alarm_id)],
    }


@api.post("/alarms/{alarm_id}/answer", summary="What the alarm's one button does", response_model=AskedOut)
def answer(request: Request, alarm_id: RowId) -> JSONResponse:
    """Enters into the journal what the owner did about it ("I emptied it"), where there is something to enter, and takes the
    alarm as seen. The answer tells how to take the entry back."""
    alarm = box_of(request).store.reader.alarm(alarm_id)
    if alarm is None:
        raise Refused(404, f"There is no alarm {alarm_id}.")
    kind, words = answer_words(alarm)
    if not words:
        raise Refused(409, "There is nothing to answer: it is over, put off, or follows from another alarm.")
    if alarm.state in WAITING:
        seen = ask_and_answer(request, "acknowledge", {"alarm_id": alarm_id}, "Seen.")
    if kind is not None:
        return enter(request, kind, f"answer to the alarm: {title_of(alarm.finding, alarm.where)}")
    if alarm.state in LATCHED:
        return ask_and_answer(request, "reset", {"alarm_id": alarm_id}, "Closed.")
    return seen


@api.post("/alarms/{alarm_id}/shelve", summary="Put it off for a time", response_model=AskedOut)
def shelve(request: Request, alarm_id: RowId, shelf: Shelf) -> JSONResponse:
    """Quiet until the end, which is counted in event time; then it is judged anew."""
    clock = box_of(request).store.snapshot().clock
    if clock is None:
        raise Refused(409, "There is no reading yet, so there is no time to count from.")
    until = clock + shelf.for_s
    payload: dict[str, object] = {"alarm_id": alarm_id, "until_t": until, "reason": shelf.reason}
    return ask_and_answer(request, "shelve", payload, f"Put off until {day_and_time(until)}.")


Act = Annotated[Literal["acknowledge", "reset", "unshelve"], Path(examples=["acknowledge"])]
Service = Annotated[Literal["out-of-service", "return-to-service"], Path(examples=["out-of-service"])]
SAID = {"acknowledge": "Seen.", "reset": "Closed.", "unshelve": "Back on."}
SERVICE = {"out-of-service": "Switched off.", "return-to-service": "Switched on again."}


@api.post("/alarms/{alarm_id}/{act}", summary="Seen, close it, or back on", response_model=AskedOut)
def say(request: Request, alarm_id: RowId, act: Act) -> JSONResponse:
    """One that was seen (``acknowledge``) stays until its cause is gone, but there is no further notice of it; ``reset`` ends one
    that is kept until somebody has looked."""
    return ask_and_answer(request, act, {"alarm_id": alarm_id}, SAID[act])


@api.post("/conditions/{act}", summary="Switch a condition off, or on again", response_model=AskedOut)
def service(request: Request, act: Service, place: Place) -> JSONResponse:
    """Nothing more is said of one that is out of service, until it is returned."""
    return ask_and_answer(request, act.replace("-", "_"), place.model_dump(mode="json"), SERVICE[act])
