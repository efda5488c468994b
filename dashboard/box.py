"""Box: what the routes share, made once by :func:`dashboard.app.create_app` and carried by the application."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Annotated, cast

from fastapi import Path, Query, Request
from jinja2 import Environment

from dashboard.access import Guesses, Sessions
from dashboard.assets import Assets
from dashboard.deps import Store
from dashboard.live import Live
from dashboard.settings import DashboardSettings
from dashboard.shapes import SYSTEMS, Screen
from dashboard.snapshot import Snapshot

UNITS_COOKIE = "ductwarden_units"

RowId = Annotated[int, Path(ge=1, le=2**53, examples=[12])]
"""The id of a row of the store, in a path."""


@dataclass
class Box:
    """What the routes share. ``monotonic`` times sessions and guesses; event times come from the store alone."""

    settings: DashboardSettings
    store: Store
    assets: Assets
    templates: Environment
    sessions: Sessions
    live: Live | None = None
    guesses: Guesses = field(default_factory=Guesses)
    one_guess: asyncio.Lock = field(default_factory=asyncio.Lock)
    monotonic: Callable[[], float] = time.monotonic


def box_of(request: Request) -> Box:
    """The box of the application that serves ``request``."""
    return cast(Box, request.app.state.box)


def screen_of(request: Request, snapshot: Snapshot) -> Screen:
    """The viewer's units: asked for in the query, else as switched on this device, else as the shop's owner likes them."""
    for asked in (request.query_params.get("units"), request.cookies.get(UNITS_COOKIE)):
        for system in SYSTEMS:
            if asked == system:
                return Screen(system)
    return Screen(snapshot.units)


def units_asked(
    units: Annotated[
        str | None,
        Query(
            description="units of the texts for people: us or si; default as switched on this device, else as the shop's",
            examples=["si"],
        ),
    ] = None,
) -> None:
    """Tells the interface's description of the query that :func:`screen_of` reads."""


def may_write(request: Request) -> bool:
    """Whether the viewer may change anything."""
    return bool(getattr(request.state, "logged_in", False))
