"""What a comparison leaves beside the store for the dashboard: its charts, and the report as one file.

The folder is ``STORE.added-run`` (the store's name without its ending): ``report.html``, and for each chart ``NAME.svg``
and, where matplotlib is installed, ``NAME.png``. Each comparison replaces what the one before it left.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from analysis.units import System
from daemon.comparing.comparing import Report
from daemon.comparing.errors import CompareError
from daemon.comparing.page import page
from daemon.comparing.palette import css
from daemon.comparing.plots import Chart, charts

REPORT = "report.html"


def folder_of(store: Path) -> Path:
    """Where the files of a store's comparison are kept."""
    return store.with_name(f"{store.stem}.added-run")


def write_report_files(report: Report, folder: Path, system: System) -> list[dict[str, Any]]:
    """Write everything; returns what the dashboard must know of the charts. Raises OSError where nothing can be
    written."""
    told = write_charts(charts(report.comparison, system, report.designs.drawn is not None), folder)
    _replace(folder / REPORT, page(report, system))
    return told


def write_charts(found: Sequence[Chart], folder: Path) -> list[dict[str, Any]]:
    """The charts alone; what else lies in the folder is taken away first."""
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.iterdir():
        if old.suffix in (".svg", ".png", ".html", ".part"):
            old.unlink()
    for chart in found:
        _replace(folder / f"{chart.name}.svg", chart.drawing.picture(css(), chart.key))
    painted = _painted(found, folder)
    return [
        {"name": c.name, "heading": c.heading, "note": c.note, "title": c.drawing.title, "png": painted} for c in found]


def _painted(found: Sequence[Chart], folder: Path) -> bool:
    from daemon.comparing.png import write_pictures

    try:
        write_pictures(found, folder)
    except CompareError:
        # Without matplotlib the page has its charts all the same.
        return False
    return True


def _replace(path: Path, text: str) -> None:
    part = path.with_name(path.name + ".part")
    part.write_text(text, encoding="utf-8")
    part.replace(path)
