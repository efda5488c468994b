"""The ducts, the fan curve, the baseline tour, the added run and the record."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, Field

from daemon.errors import StoreError
from dashboard.added_run_view import added_run_out
from dashboard.asking import AskedOut, ask_and_answer
from dashboard.box import Box, box_of, screen_of
from dashboard.duct_view import ducts_out
from dashboard.fan_view import CLOUD_MINUTES, CLOUD_S, fan_out
from dashboard.record_view import record_csv, record_out
from dashboard.shapes import Out, Screen
from dashboard.snapshot import Document, Snapshot
from dashboard.tour_view import tour_out

api = APIRouter(tags=["machine"])

TOUR_WORDS = {
    "start": "The tour has begun.",
    "ready": "Measuring.",
    "skip": "Skipped.",
    "repeat": "Once more.",
    "back": "One step back.",
    "cancel": "The tour was ended.",
    "finish": "The baseline is saved.",
}


ADDED_WORDS = {
    "start": "From now on, airflow is compared with the time before.",
    "cancel": "Comparing has stopped.",
    "compare": "Comparing. The answer will appear here shortly.",
    "check": "The check has started.",
    "ready": "Measuring.",
    "skip": "Skipped.",
    "back": "One step back.",
    "keep": "Saved.",
    "leave": "The check was discarded.",
}


class TourAct(BaseModel):
    """What the owner says to the tour. ``name`` and ``clean`` (the bags were just cleaned) go with "start", ``step``
    (counted from 0) with "repeat" and "back"."""

    action: Literal["start", "ready", "skip", "repeat", "back", "cancel", "finish"]
    name: str = Field(default="", max_length=60, examples=["first day"])
    clean: bool = False
    step: int | None = Field(default=None, ge=0, le=1000)


Day = Annotated[str, Field(default="", pattern=r"^(\d{4}-\d\d-\d\d)?$", examples=["2026-03-01"])]


class AddedRunAct(BaseModel):
    """What the owner says to the check of an added run. ``name`` goes with "start"; ``side`` with "check"; ``way`` with
    "compare", and with it ``entry`` (a journal entry), four days, or ``before`` and ``after`` (names of baselines)."""

    action: Literal["start", "cancel", "compare", "check", "ready", "skip", "back", "keep", "leave"]
    name: str = Field(default="", max_length=60, examples=["sander"])
    side: Literal["before", "after"] | None = None
    run: str = Field(default="", max_length=80, description="The run that is cut, with a check.", examples=["bench run"])
    way: Literal["entry", "spans", "baselines", "checks"] | None = None
    entry: int | None = Field(default=None, ge=1, le=2**53)
    before: str = Field(default="", max_length=80)
    after: str = Field(default="", max_length=80)
    before_from: Day = ""
    before_to: Day = ""
    after_from: Day = ""
    after_to: Day = ""

    def payload(self) -> Document:
        """As the daemon reads it: two days make a period."""
        told = self.model_dump(exclude={"before_from", "before_to", "after_from", "after_to"})
        if self.way == "spans":
            told["before"], told["after"] = (
                f"{first}..{last}" if first and last else ""
                for first, last in ((self.before_from, self.before_to), (self.after_from, self.after_to))
            )
        return told


@api.get("/ducts", summary="Every run and port with its air and velocity")
def read_ducts(request: Request) -> Out:
    """The tree as drawn, the air as estimated, and whether it carries chips."""
    snapshot = box_of(request).store.snapshot()
    return ducts_out(snapshot, screen_of(request, snapshot))


@api.get("/fan", summary="The fan curve and where the shop works on it")
def read_fan(request: Request) -> Out:
    """As drawn, as built, now, at the baseline, and a cloud of the last week."""
    box = box_of(request)
    snapshot = box.store.snapshot()
    return fan_of(box, snapshot, screen_of(request, snapshot))


def fan_of(box: Box, snapshot: Snapshot, screen: Screen) -> Out:
    """The page's data, read from the store."""
    week, baseline = None, None
    if snapshot.t is not None:
        week = box.store.reader.trend(["flow_m3s", "inlet_pa", "filter_pa"], snapshot.t - CLOUD_S, snapshot.t, CLOUD_MINUTES)
        baseline = newest_baseline(box)
    return fan_out(snapshot, screen, week, baseline)


def newest_baseline(box: Box) -> Document | None:
    """The newest baseline with its document."""
    known = baselines_of(box)
    return box.store.reader.baseline(str(known[0]["name"])) if known else None


def baselines_of(box: Box) -> list[Document]:
    """Every stored baseline, newest first; none where the store cannot be read."""
    try:
        return list(box.store.reader.baselines())
    except StoreError:
        return []


@api.get("/tour", summary="The baseline tour, step by step")
def read_tour(request: Request) -> Out:
    """What to do now, and what was found."""
    box = box_of(request)
    return tour_out(box.store.snapshot(), baselines_of(box))


@api.post("/tour", summary="Say something to the tour", response_model=AskedOut)
def say_to_tour(request: Request, act: TourAct) -> JSONResponse:
    """Start it, say that the gates are set, leave a step out, measure one again, end it, or store what it found."""
    return ask_and_answer(request, "tour", act.model_dump(), TOUR_WORDS[act.action])


@api.get("/added-run", summary="Did the added run cost the others their air?")
def read_added_run(request: Request) -> Out:
    """Port by port, before and after, against what was drawn."""
    snapshot = box_of(request).store.snapshot()
    return added_run_out(snapshot, screen_of(request, snapshot))


@api.post("/added-run", summary="Say something to the check of an added run", response_model=AskedOut)
def say_to_added_run(request: Request, act: AddedRunAct) -> JSONResponse:
    """From "start" on everything is compared with the time before."""
    return ask_and_answer(request, "added_run", act.payload(), ADDED_WORDS[act.action])


@api.get("/record", summary="The maintenance record, month by month")
def read_record(request: Request) -> Out:
    """Running hours, starts, cleanings, emptyings, alarms, and the mean air."""
    box = box_of(request)
    return record_out(box.store.reader, screen_of(request, box.store.snapshot()))


@api.get(
    "/record.csv",
    summary="The same as a table for a spreadsheet",
    response_class=Response,
    responses={200: {"content": {"text/csv": {}}}},
)
def read_record_csv(request: Request) -> Response:
    """Comma-separated, SI."""
    box = box_of(request)
    text = record_csv(record_out(box.store.reader, screen_of(request, box.store.snapshot())))
    headers = {"content-disposition": 'attachment; filename="maintenance-record.csv"'}
    return Response(text, media_type="text/csv; charset=utf-8", headers=headers)
