"""The ducts: the drawing with its air."""

from __future__ import annotations

from fastapi import APIRouter, Request

from dashboard.box import box_of, screen_of
from dashboard.duct_view import DuctsOut, ducts_out

api = APIRouter(tags=["ducts"])


@api.get("/ducts", summary="Every run and port with its air and velocity")
def read_ducts(request: Request) -> DuctsOut:
    """The tree as drawn, the air as estimated, and whether it carries chips."""
    snapshot = box_of(request).store.snapshot()
    return ducts_out(snapshot, screen_of(request, snapshot))
