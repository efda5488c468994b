"""The record as one HTML page that needs nothing else and prints well."""

from __future__ import annotations

from datetime import tzinfo
from pathlib import Path

from daemon.record.drag_plot import drag_plot
from daemon.record.facts import RecordFacts
from daemon.record.view import View

TEMPLATE = "sheet.html"


def sheet(facts: RecordFacts, tz: tzinfo, made_t: float, version: str, clean_at: float | None) -> str:
    """The page. ``made_t`` [s] when it is made; ``clean_at`` the drag over clean at which the owner wants to be told."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    # The drawing is made of numbers and our own words only.
    plot = Markup(drag_plot(facts.month, facts.drag, facts.cleanings, clean_at))
    return environment.get_template(TEMPLATE).render(View(facts, tz).document(made_t, version, plot))
