"""The charts of a report as pictures: the same shapes as on the page, painted by matplotlib.

matplotlib is an optional package, loaded when the first picture is painted, and never by the daemon.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from daemon.comparing.errors import CompareError
from daemon.comparing.palette import LOOKS, PRINT, TEXTS, Look
from daemon.comparing.plots import Chart
from daemon.comparing.svg import Shape

if TYPE_CHECKING:
    from matplotlib.axes import Axes

DOTS = 200.0
"""Dots per inch; a chart of 720 units is as wide as 7.2 inches."""
_UNIT_PT = 0.72
_HEAD, _FOOT = 52.0, 30.0
_FONT = "DejaVu Sans"
"""Carried by matplotlib itself, so that a picture is the same everywhere."""


def write_pictures(charts: Sequence[Chart], folder: Path) -> list[Path]:
    """One PNG for each chart, ``ports.png`` and so on. Raises :class:`CompareError` without matplotlib, or where nothing
    can be written."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        return [write_picture(chart, folder / f"{chart.name}.png") for chart in charts]
    except OSError as error:
        raise CompareError(f"{folder}: the pictures cannot be written: {error.strerror or error}") from error


def write_picture(chart: Chart, path: Path) -> Path:
    """One chart with its heading, key and note."""
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError as error:
        raise CompareError(
            "pictures need the package matplotlib: .venv/bin/pip install '.[plots]'. The page (--html) has the same charts"
            " without it") from error
    drawing = chart.drawing
    height = drawing.height + _HEAD + _FOOT
    figure = Figure(figsize=(drawing.width / 100.0, height / 100.0), dpi=DOTS, facecolor=PRINT["paper"])
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0.0, drawing.width)
    axes.set_ylim(drawing.height + _FOOT, -_HEAD)
    axes.axis("off")
    axes.text(14.0, 22.0 - _HEAD, chart.heading, fontsize=16.0 * _UNIT_PT, weight="bold", color=PRINT["ink"], family=_FONT)
    x = 14.0
    for kind, words in chart.key:
        axes.plot([x + 5.0], [39.0 - _HEAD], "o", markersize=9.0 * _UNIT_PT, color=PRINT[kind], clip_on=False)
        axes.text(x + 15.0, 43.5 - _HEAD, words, fontsize=12.0 * _UNIT_PT, color=PRINT["soft"], family=_FONT)
        x += 40.0 + 7.2 * len(words)
    axes.text(
        14.0, drawing.height + _FOOT - 10.0, chart.note, fontsize=10.5 * _UNIT_PT, color=PRINT["soft"], family=_FONT)
    for layer, shape in enumerate(drawing.shapes):
        _paint(axes, shape, 2.0 + layer * 1e-3)
    figure.savefig(path, format="png", metadata={"Title": drawing.title})
    return path


def _paint(axes: Axes, shape: Shape, layer: float) -> None:
    from matplotlib.patches import Circle, Polygon, Rectangle

    p = shape.places
    if shape.what == "text":
        colour, size, bold = TEXTS[shape.kind]
        axes.text(
            p[0], p[1], shape.words, fontsize=size * _UNIT_PT * 0.92, color=PRINT[colour], family=_FONT, zorder=layer,
            weight="bold" if bold else "normal", ha={"start": "left", "middle": "center", "end": "right"}[shape.anchor])
        return
    look = LOOKS[shape.kind]
    stroke = "none" if look.stroke is None else PRINT[look.stroke]
    fill = "none" if look.fill is None else PRINT[look.fill]
    if shape.what in ("line", "path"):
        axes.plot(p[::2], p[1::2], color=stroke, linewidth=look.width * _UNIT_PT, linestyle=_dashes(look), zorder=layer,
                  alpha=look.opacity, solid_capstyle="butt")
        return
    if shape.what == "bar":
        patch: Rectangle | Circle | Polygon = Rectangle((p[0], p[1]), p[2], p[3])
    elif shape.what == "dot":
        patch = Circle((p[0], p[1]), p[2])
    else:
        patch = Polygon(list(zip(p[::2], p[1::2], strict=True)), closed=True)
    patch.set(facecolor=fill, edgecolor=stroke, linewidth=look.width * _UNIT_PT if look.stroke else 0.0, zorder=layer,
              alpha=look.opacity)
    axes.add_patch(patch)


def _dashes(look: Look) -> str | tuple[float, tuple[float, float]]:
    return "-" if not look.dash else (0.0, (look.dash, look.dash))
