"""Is the daemon alive: for people, for a supervisor, and for programs that collect numbers."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse, Response

from dashboard.box import box_of, screen_of
from dashboard.health_view import HealthOut, health_out
from dashboard.metrics import CONTENT_TYPE, metrics_text
from dashboard.problems import ErrorOut, problem
from dashboard.shapes import Screen
from dashboard.words import since

api = APIRouter(tags=["health"])
probes = APIRouter(tags=["health"])


@api.get("/health", summary="Health of the daemon, its sources and its sensors")
def read_health(request: Request) -> HealthOut:
    """Age of the latest frame, sensor quality, counters of refused input, disk and clock."""
    box = box_of(request)
    snapshot = box.store.snapshot()
    open_pages = 0 if box.live is None else box.live.open_pages
    return health_out(snapshot, screen_of(request, snapshot), box.settings.silent_after_s, open_pages)


@probes.get(
    "/healthz",
    summary="One word for a supervisor",
    response_model=None,
    responses={
        200: {"content": {"application/json": {"example": {"status": "ok"}}}},
        503: {"model": ErrorOut, "description": "The daemon has been silent too long"},
    },
)
def healthz(request: Request) -> JSONResponse:
    """200 with ``ok`` or ``waiting`` (nothing recorded yet), 503 when the daemon has been silent too long."""
    box = box_of(request)
    snapshot = box.store.snapshot()
    silent = snapshot.silent_for()
    if silent is not None and silent > box.settings.silent_after_s:
        return problem(503, f"No word from the daemon since {since(snapshot.heard, snapshot.wall)}.")
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
    health = health_out(snapshot, Screen("si"), box.settings.silent_after_s, open_pages)
    return Response(metrics_text(snapshot, health), headers={"content-type": CONTENT_TYPE})
