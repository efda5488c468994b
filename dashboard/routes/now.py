"""What the shop does now: once, and as a live feed."""

from __future__ import annotations

from collections.abc import AsyncIterator

from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse, StreamingResponse
from pydantic import BaseModel, Field

from dashboard.asking import AskedOut, ask_and_answer
from dashboard.box import box_of, screen_of
from dashboard.now_view import now_out
from dashboard.problems import Refused
from dashboard.shapes import Out

api = APIRouter(tags=["now"])


@api.get("/now", summary="Readings, filter, chip bag and open alarms, now")
def read_now(request: Request) -> Out:
    """The latest frame with what the drawing expects, in SI and in the viewer's units (``?units=us`` or ``si``)."""
    snapshot = box_of(request).store.snapshot()
    return now_out(snapshot, screen_of(request, snapshot))


@api.get(
    "/live",
    summary="The same, about once a second, as server-sent events",
    response_class=StreamingResponse,
    responses={200: {"content": {"text/event-stream": {}}}},
)
async def live(request: Request) -> StreamingResponse:
    """Events named ``now``, each with the JSON of ``/api/v1/now`` as its data."""
    box = box_of(request)
    if box.live is None or box.live.full:
        raise Refused(503, f"All {box.settings.max_live_pages} places for live pages are taken; close a page elsewhere.")
    system = screen_of(request, await box.store.snapshot_async()).system
    feed: AsyncIterator[str] = box.live.events(system)
    return StreamingResponse(feed, media_type="text/event-stream", headers={"x-accel-buffering": "no"})


class Pace(BaseModel):
    """How many seconds of shop time pass in a second."""

    pace: float = Field(ge=1.0, le=1000.0, examples=[120])


@api.post("/pace", summary="Let a simulated shop run faster or slower", response_model=AskedOut)
def set_pace(request: Request, asked: Pace) -> JSONResponse:
    """Real shops run at the pace of the world, and decline."""
    return ask_and_answer(request, "pace", asked.model_dump(), f"Time passes at {asked.pace:g} times its real pace.")
