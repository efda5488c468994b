"""The application: settings in, ASGI application out. Everything that it serves is mounted here, in one place."""

from __future__ import annotations

import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

from anyio import to_thread
from fastapi import Depends, FastAPI
from pydantic_core import to_json
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware

from analysis.units import System
from dashboard import problems
from dashboard.access import Sessions
from dashboard.assets import Assets
from dashboard.box import Box, units_asked
from dashboard.deps import Store
from dashboard.gate import Gate
from dashboard.live import Live
from dashboard.now_view import now_out
from dashboard.page import environment, error_page
from dashboard.routes import alarms, health, journal, machine, now, pages, session, trends
from dashboard.settings import DashboardSettings
from dashboard.shapes import Screen
from dashboard.snapshot import Snapshot

WORKERS = 4
"""Worker threads: the store is read by few at a time, and each thread costs memory."""


def create_app(
    settings: DashboardSettings, *, wall: Callable[[], float] = time.time, monotonic: Callable[[], float] = time.monotonic
) -> FastAPI:
    """The dashboard over the store that ``settings`` names. ``wall`` tells how long the daemon has been silent."""
    sessions = Sessions()
    store = Store(settings.store, wall, settings.alone, settings.silent_after_s)
    assets = Assets()
    box = Box(
        settings=settings,
        store=store,
        assets=assets,
        templates=environment(assets),
        sessions=sessions,
        monotonic=monotonic,
    )

    def render(snapshot: Snapshot, system: System) -> str:
        return to_json(now_out(snapshot, Screen(system)), inf_nan_mode="null").decode()

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        to_thread.current_default_thread_limiter().total_tokens = WORKERS
        box.live = Live(store.snapshot, render, settings.poll_s, settings.max_live_pages)
        yield
        box.live.close()
        store.close()

    app = FastAPI(
        title="ductwarden",
        version="1",
        lifespan=lifespan,
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/v1/openapi.json",
        summary="What the shop's dust collector does now and did before, against its drawing.",
        middleware=[
            Middleware(Gate, settings=settings, sessions=sessions, clock=monotonic),
            Middleware(GZipMiddleware, minimum_size=600, compresslevel=6),
        ],
    )
    app.state.box = box
    problems.install(app, error_page)
    for module in (now, trends, alarms, journal, machine, health):
        app.include_router(module.api, prefix="/api/v1", responses=problems.ERRORS, dependencies=[Depends(units_asked)])
    app.include_router(health.probes)
    app.include_router(session.router, include_in_schema=False)
    app.include_router(pages.router, include_in_schema=False)
    return app
