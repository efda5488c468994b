"""Pages: what every HTML page needs around its content."""

from __future__ import annotations

import os
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from dashboard.assets import Assets, sheet
from dashboard.box import box_of, may_write, screen_of
from dashboard.now_view import now_out
from dashboard.shapes import place_words
from dashboard.words import unbroken

LINKS = (("now", "Now", "/"), ("trends", "Trends", "/trends"), ("journal", "Journal", "/journal"), ("ducts", "Ducts", "/ducts"),
         ("shop", "Shop", "/shop"))  # fmt: skip
"""Name, title and path of the five places. Every other page belongs to one of them."""
PLACES = {"alarms": "journal"} | dict.fromkeys(("fan", "tour", "run-check", "record", "health", "wall", "login"), "shop")


@dataclass(frozen=True, slots=True)
class Page:
    """The frame around a page, besides what is live in it: that is the document "now"."""

    name: str
    path: str
    shop: str
    zone: str
    may_write: bool
    password: bool
    place: str
    links: tuple[tuple[str, str, str], ...] = LINKS


def environment(assets: Assets) -> Environment:
    """The templates. Everything put into them is escaped; a name that is not there is an error, not an empty place."""
    found = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    found.globals["static"] = assets.url
    found.globals["sheet"] = Markup(sheet()[0])
    found.filters["place"] = place_words
    found.filters["unbroken"] = unbroken
    return found


def html(request: Request, name: str, template: str, status: int = 200, **context: Any) -> HTMLResponse:
    """A page with the live frame of the moment around it."""
    box = box_of(request)
    snapshot = box.store.snapshot()
    page = Page(
        name=name,
        path=request.url.path,
        shop=snapshot.shop_name,
        zone=time_zone(),
        may_write=may_write(request),
        password=box.settings.password_hash is not None,
        place=PLACES.get(name, name),
    )
    now = now_out(snapshot, screen_of(request, snapshot))
    return HTMLResponse(box.templates.get_template(template).render(page=page, now=now, **context), status_code=status)


def error_page(request: Request, status: int, detail: str, where: list[str]) -> HTMLResponse:
    """An error as a page that leads back."""
    titles = {404: "There is no such page", 503: "That does not work right now"}
    return html(request, "error", "error.html", status, title=titles.get(status, "That did not work"), detail=detail, where=where)


@lru_cache(maxsize=1)
def time_zone() -> str:
    """The IANA name of this computer's time zone, so that charts tell the shop's time on any device; "" if not known."""
    name = os.environ.get("TZ", "").lstrip(":")
    if not name:
        try:
            parts = Path("/etc/localtime").resolve().parts
        except OSError:
            return ""
        name = "/".join(parts[parts.index("zoneinfo") + 1 :]) if "zoneinfo" in parts else ""
    return name if name and name.replace("/", "").replace("_", "").replace("-", "").replace("+", "").isalnum() else ""
