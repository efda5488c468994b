"""Is the daemon alive: for people, for a supervisor, and for programs that collect numbers."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse, Response

from dashboard.box import box_of, screen_of
from dashboard.health_view import health_out
from dashboard.metrics import CONTENT_TYPE, metrics_text
from dashboard.problems import ErrorOut, problem
from dashboard.shapes import Out, Screen, number, text
from dashboard.words import since

LONG_SILENT_S = 15.0
"""A page turns grey sooner. A slow disk is no reason to be restarted."""
FIRST_READING_S = 60.0

api = APIRouter(tags=["health"])
probes = APIRouter(tags=["health"])


@api.get("/health", summary="Health of the daemon, its sources and its sensors")
def read_health(request: Request) -> Out:
    """Age of the latest frame, sensor quality, counters of refused input, disk and clock."""
    box = box_of(request)
    snapshot = box.store.snapshot()
    open_pages = 0 if box.live is None else box.live.open_pages
    return health_out(snapshot, screen_of(request, snapshot), open_pages)


@probes.get(
    "/healthz",
    summary="One word for a supervisor",
    response_model=None,
    responses={
        200: {"content": {"application/json": {"example": {"status": "ok"}}}},
        503: {"model": ErrorOut, "description": "The daemon is silent, nothing is measured, or nothing can be stored"},
    },
)
def healthz(request: Request) -> JSONResponse:
    """200 with ``ok`` or ``waiting`` (nothing recorded yet), 503 when the daemon is silent,
    nothing is measured or nothing can be stored."""
    box = box_of(request)
    snapshot = box.store.snapshot()
    if snapshot.heard is not None and snapshot.silent_longer(max(LONG_SILENT_S, box.settings.silent_after_s)):
        return problem(503, f"No word from the daemon since {since(snapshot.heard, snapshot.wall)}.")
    if snapshot.daemon.get("store_ok") is False:
        return problem(503, f"Nothing is being recorded: {text(snapshot.daemon, 'store_words')}.")
    up_s = snapshot.wall - (number(snapshot.daemon, "started_wall_t") or snapshot.wall)
    if not snapshot.measuring_now and (up_s > FIRST_READING_S or not snapshot.never_measured):
        return problem(503, "Nothing is measured: no pressure and no motor current arrives.")
    return JSONResponse({"status": "waiting" if snapshot.t is None else "ok"})


@probes.get(
    "/metrics",
    summary="OpenMetrics text",
    response_class=Response,
    responses={200: {"content": {CONTENT_TYPE: {"example": "# TYPE ductwarden_inlet_pascals gauge\n..."}}}},
)
def metrics(request: Request) -> Response:
    """For programs that collect numbers over time."""
    box = box_of(request)
    snapshot = box.store.snapshot()
    open_pages = 0 if box.live is None else box.live.open_pages
    health = health_out(snapshot, Screen("si"), open_pages)
    return Response(metrics_text(snapshot, health), headers={"content-type": CONTENT_TYPE})
