"""The HTML pages. Each is made from the same data as its JSON, so that it is right before any script has run."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from dashboard.alarm_view import blank_alarm
from dashboard.box import UNITS_COOKIE, RowId, box_of, screen_of
from dashboard.duct_map import drawing
from dashboard.duct_view import ducts_out
from dashboard.forms import form_of, local_path
from dashboard.page import html
from dashboard.routes import alarms
from dashboard.shapes import SERIES, SYSTEMS

router = APIRouter()

SPANS: tuple[tuple[int, str], ...] = (
    (600, "10 min"),
    (3600, "1 h"),
    (6 * 3600, "6 h"),
    (86400, "1 day"),
    (7 * 86400, "1 week"),
    (30 * 86400, "30 days"),
    (365 * 86400, "1 year"),
)
"""How far back the trends of "Now" reach: seconds and words."""
LONG_SPANS = (*SPANS, (3 * 365 * 86400, "3 years"), (10 * 365 * 86400, "10 years"))
FIRST_SERIES = ("inlet_pa", "filter_pa", "motor_a", "flow_m3s", "drag_ratio")
"""What the page "Trends" shows first."""


@router.get("/")
def now_page(request: Request) -> Response:
    """The shop now."""
    words = {name: series.words for name, series in SERIES.items()}
    return html(request, "now", "now.html", blank=blank_alarm(), spans=SPANS, words=words)


@router.get("/trends")
def trends_page(request: Request) -> Response:
    """Any series over any time."""
    words = {name: series.words for name, series in SERIES.items()}
    return html(request, "trends", "trends.html", spans=LONG_SPANS, words=words, chosen=FIRST_SERIES)


@router.get("/ducts")
def ducts_page(request: Request) -> Response:
    """The drawing with its air."""
    snapshot = box_of(request).store.snapshot()
    ducts = ducts_out(snapshot, screen_of(request, snapshot))
    return html(
        request,
        "ducts",
        "ducts.html",
        ducts=ducts,
        wide=drawing(ducts.pieces, 1040, "wide"),
        narrow=drawing(ducts.pieces, 360, "narrow"),
    )


@router.get("/static/{version}/{name}")
def static_file(request: Request, version: str, name: str) -> Response:
    """A static file; an old version's path leads to the present file, so that a page left open overnight still works."""
    return box_of(request).assets.answer(request, name)


@router.post("/alarms/{alarm_id}/acknowledge")
def acknowledge(request: Request, alarm_id: RowId) -> Response:
    """The form without a script: acknowledge, and back to the page."""
    alarms.acknowledge(request, alarm_id)
    return RedirectResponse("/", status_code=303)


@router.post("/units")
async def switch_units(request: Request) -> Response:
    """Remember on this device which units to show."""
    form = await form_of(request)
    answer = RedirectResponse(local_path(form.get("back", "/")), status_code=303)
    if form.get("units") in SYSTEMS:
        answer.set_cookie(UNITS_COOKIE, form["units"], max_age=400 * 86400, httponly=True, samesite="strict")
    return answer
