"""Trends: any series over any span of event time, never more points than asked for."""

from __future__ import annotations

import json
import math
from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response

from dashboard.box import box_of, screen_of
from dashboard.problems import Refused
from dashboard.shapes import SERIES, Out
from dashboard.trend_view import MAX_POINTS, MAX_SERIES, limits_of, trend_document, wanted

api = APIRouter(tags=["trends"])
LONGEST_S = 30 * 366 * 86400.0


@api.get("/trends", summary="Series over time", response_model=Out)
def read_trends(
    request: Request,
    series: Annotated[list[str], Query(description="names of series; repeat for several", examples=[["inlet_pa", "flow_m3s"]])],
    end: Annotated[
        float | None, Query(description="event time, s since 1970; default the latest", examples=[1772532000.0])
    ] = None,
    start: Annotated[float | None, Query(description="event time; default end less span", examples=[1772528400.0])] = None,
    span: Annotated[
        float, Query(gt=0, le=LONGEST_S, description="seconds before end, where start is not given", examples=[3600])
    ] = 3600.0,
    points: Annotated[int, Query(ge=2, le=MAX_POINTS, description="as many as the chart has pixels", examples=[800])] = 800,
) -> Response:
    """Columns in SI with the axes for the viewer's units, the band that the drawing expects, alarms and journal entries."""
    names = list(dict.fromkeys(series))
    unknown = [name for name in names if name not in SERIES]
    if unknown:
        raise Refused(422, f"There is no series {', '.join(unknown)[:200]}.", [f"allowed: {', '.join(SERIES)}"])
    if len(names) > MAX_SERIES:
        raise Refused(422, f"At most {MAX_SERIES} series at a time.", [f"query: series: found {len(names)}"])
    box = box_of(request)
    snapshot = box.store.snapshot()
    if end is None:
        end = snapshot.clock if snapshot.clock is not None else 0.0
    if start is None:
        start = end - span
    if not (math.isfinite(start) and math.isfinite(end) and abs(start) < 1e11 and abs(end) < 1e11):
        raise Refused(422, "start and end must be times in seconds since 1970.")
    if not 0 < end - start <= LONGEST_S:
        raise Refused(422, "start must be before end, and not more than 30 years before it.")
    trend = box.store.reader.trend(wanted(names), start, end, points)
    document = trend_document(
        trend,
        names,
        start,
        end,
        screen_of(request, snapshot),
        box.store.alarms_between(start, end),
        box.store.journal_between(start, end),
        box.store.reader.runs(start, end),
        limits_of(snapshot, end - start),
    )
    return Response(json.dumps(document, separators=(",", ":")), media_type="application/json")
