"""The charts of a comparison: the ports, the fan's operating points, the readings of both periods, and found changes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.compare.changes import Departure, FoundChange
from analysis.compare.comparison import Comparison, SetCompared
from analysis.compare.verdict import group_words
from analysis.units import System, from_si, shown_unit
from daemon.comparing.document import drawn_of
from daemon.comparing.periods import local_words
from daemon.comparing.svg import Anchor, Drawing, Scale, number, ticks

WIDTH = 720.0
_PRETTY = {"inwg": "in. w.g.", "m3/h": "m³/h"}
HEAPS = 24
"""Columns of a distribution."""


@dataclass(frozen=True, slots=True)
class Chart:
    """A drawing with what a reader needs beside it. ``name`` is good for a file, ``key`` pairs of a colour's name and
    words, ``note`` a sentence below."""

    name: str
    heading: str
    key: tuple[tuple[str, str], ...]
    drawing: Drawing
    note: str = ""


def charts(found: Comparison, system: System, drawn: bool) -> list[Chart]:
    """The ports, the fan, and what the taps read with each gate set. ``drawn``: whether a change was drawn."""
    told = []
    if found.ports:
        told.append(Chart(
            "ports", "Air at the ports", (("duct", "the ducts' part"), ("filter", "the filter's part")), port_bars(found),
            f"Whiskers are 95 % intervals.{' An open diamond is what was drawn.' if drawn else ''}"))
    told.append(Chart(
        "fan", "The fan's operating point",
        (("before", "before"), ("duct", "ducts changed, bags as before"), ("after", "after")), fan_chart(found, system),
        "The curve is the fan as fitted to the readings, in the air of the drawing."))
    for one in found.sets:
        gates = group_words(one.judged.group)
        told.append(Chart(
            f"readings-{_file_words(gates)}", f"What the taps read: {gates}", (("before", "before"), ("after", "after")),
            reading_rows(one, system),
            "The spread of ten-second means: before above the line, after below it; bold lines are their means."))
    return told


def changes_chart(told: Sequence[Departure], changes: Sequence[FoundChange]) -> Chart:
    """Found changes of the ducts over time."""
    return Chart(
        "changes", "Resistance of the ducts", (("before", "a stretch of running"), ("after", "a change, with its 95 % band")),
        change_chart(told, changes),
        "Against what is expected of the gate set, at the drag that the bags had then.")


def _file_words(words: str) -> str:
    kept = "".join(c if c.isalnum() else "-" for c in words.lower())
    return "-".join(part for part in kept.split("-") if part)[:60]


def port_bars(found: Comparison) -> Drawing:
    """The flow at each port: what the ducts took (bar with its interval), what was drawn, what the filter took."""
    ports = found.ports
    drawn = [drawn_of(found, change) for change in ports]
    ends = [0.0, *(v for c in ports for v in (c.duct.low, c.duct.high, c.filter.low, c.filter.high)),
            *(d.change.value for d in drawn if d is not None)]
    scale = _wide([100.0 * v for v in ends], 170.0, WIDTH - 20.0)
    row = 54.0
    height = 16.0 + row * len(ports) + 44.0
    chart = Drawing(WIDTH, height, "Change of the flow at each port in per cent, with 95 % intervals")
    bottom = height - 42.0
    chart.bottom(scale, bottom, 8.0, "change of the flow at the port, %")
    for i, (change, told) in enumerate(zip(ports, drawn, strict=True)):
        y = 16.0 + row * i + row / 2
        chart.text(160.0, y - 6.0, change.where, "label", "end")
        chart.text(160.0, y + 16.0, "filter", "tick", "end")
        chart.bar(scale.at(0.0), scale.at(100.0 * change.duct.value), y - 10.0, 16.0, "duct")
        chart.whisker(scale, 100.0 * change.duct.low, 100.0 * change.duct.high, y - 10.0, "ink")
        if told is not None:
            chart.diamond(scale.at(100.0 * told.change.value), y - 10.0, 6.0, "drawn")
        chart.bar(scale.at(0.0), scale.at(100.0 * change.filter.value), y + 12.0, 9.0, "filter")
        chart.whisker(scale, 100.0 * change.filter.low, 100.0 * change.filter.high, y + 12.0, "thin")
    return chart


def fan_chart(found: Comparison, system: System) -> Drawing:
    """The fan's curve and, on it, the operating point of each gate set: before, with the ducts changed, after."""
    height = 360.0
    flow_unit, pressure_unit = shown_unit("flow", system)[0], shown_unit("pressure", system)[0]

    def shown(flow: float, pressure: float) -> tuple[float, float]:
        return from_si(flow, flow_unit, "flow"), from_si(pressure, pressure_unit, "pressure")

    spots = [[shown(p.flow_m3s, p.static_pa) for p in one.points] for one in found.sets]
    every = [spot for row in spots for spot in row]
    # The part of the curve where the points are, with some of it on either side.
    low, high = min(x for x, _ in every), max(x for x, _ in every)
    margin = max(0.12 * high, 1.2 * (high - low))
    low, high = max(0.0, low - margin), high + margin
    curve = [spot for p in found.fan if low <= (spot := shown(p.flow_m3s, p.static_pa))[0] <= high]
    ys = [y for _, y in [*curve, *every]]
    x_scale = Scale(low, high, 66.0, WIDTH - 20.0)
    pad = 0.06 * (max(ys) - min(ys) or 1.0)
    y_scale = Scale(min(ys) - pad, max(ys) + pad, height - 46.0, 14.0)
    chart = Drawing(WIDTH, height, "Operating points on the fan's curve before and after")
    chart.bottom(x_scale, height - 46.0, 14.0, f"flow through the fan, {_PRETTY.get(flow_unit, flow_unit)}")
    for value in ticks(y_scale.low, y_scale.high, 5):
        y = y_scale.at(value)
        chart.line(66.0, y, WIDTH - 20.0, y, "grid")
        chart.text(60.0, y + 4.0, number(value), "tick", "end")
    chart.text(70.0, 24.0, f"static pressure of the fan, {_PRETTY.get(pressure_unit, pressure_unit)}", "tick")
    chart.path([(x_scale.at(x), y_scale.at(y)) for x, y in curve], "curve")
    labelled = sorted(zip(found.sets, spots, strict=True), key=lambda pair: pair[1][0][0])
    for place, (one, row) in enumerate(labelled):
        places = [(x_scale.at(x), y_scale.at(y)) for x, y in row]
        chart.path(places, "move")
        for (x, y), kind in zip(places, ("before", "spot", "after"), strict=True):
            chart.dot(x, y, 5.0, kind)
        # Neighbours' names at four heights, so that they do not lie on each other.
        x, y = places[0]
        above, far = place % 2 == 0, 20.0 * (place // 2 % 2)
        words = group_words(one.judged.group)
        words = words if len(words) <= 44 else f"{words[:42].rstrip()} …"
        # About seven units a letter: a name that would leave the drawing goes to the other side of its point.
        room = 7.0 * len(words) + 8.0
        start = x + room < WIDTH if above else x < room
        chart.text(
            x + (8.0 if start else -8.0), y + (-12.0 - far if above else 22.0 + far), words, "tick",
            "start" if start else "end")
    return chart


def reading_rows(one: SetCompared, system: System) -> Drawing:
    """Per reading the distribution of its ten-second means, the period before above the line and the one after below it,
    with their means and the change of the mean by the block bootstrap."""
    kinds = {"inlet_pa": "pressure", "filter_pa": "pressure", "motor_a": "current", "pitot_pa": "pressure"}
    words = {"inlet_pa": "before the fan", "filter_pa": "over the filter", "motor_a": "motor current", "pitot_pa": "pitot"}
    names = list(one.blocks)
    row, half = 104.0, 32.0
    chart = Drawing(WIDTH, 6.0 + row * len(names), f"Readings before and after with {group_words(one.judged.group)}")
    for i, name in enumerate(names):
        unit = shown_unit(kinds[name], system)[0]
        sides = [[from_si(abs(v), unit, kinds[name]) for v in side] for side in one.blocks[name]]
        scale = _wide([*sides[0], *sides[1]], 150.0, WIDTH - 110.0, zero=False)
        middle = 6.0 + row * i + half + 6.0
        chart.text(140.0, middle - 4.0, words[name], "label", "end")
        chart.text(140.0, middle + 13.0, _PRETTY.get(unit, unit), "tick", "end")
        for value in ticks(scale.low, scale.high, 5):
            chart.line(scale.at(value), middle - half, scale.at(value), middle + half, "grid")
            chart.text(scale.at(value), middle + half + 15.0, number(value), "tick", "middle")
        heaps = [_heaps(side, scale) for side in sides]
        tall = max(max(heap) for heap in heaps)
        wide = (scale.end - scale.start) / HEAPS
        for heap, kind, up in zip(heaps, ("before", "after"), (-1.0, 1.0), strict=True):
            outline = [(scale.start, middle)]
            for k, share in enumerate(heap):
                y = middle + up * (half - 4.0) * share / tall
                outline += [(scale.start + k * wide, y), (scale.start + (k + 1) * wide, y)]
            chart.area([*outline, (scale.end, middle)], f"heap {kind}")
        chart.line(scale.start, middle, scale.end, middle, "thin")
        for side, kind, up in zip(sides, ("before", "after"), (-1.0, 1.0), strict=True):
            x = scale.at(sum(side) / len(side))
            chart.line(x, middle, x, middle + up * half, f"mean {kind}")
        plain = one.plain.get(name)
        if plain is not None:
            half_width = 50.0 * (plain.change.high - plain.change.low)
            chart.text(WIDTH - 100.0, middle - 2.0, f"{100.0 * plain.change.value:+.1f} %".replace("-", "−"), "label")
            chart.text(WIDTH - 100.0, middle + 14.0, f"± {half_width:.1f} (95 %)", "tick")
    return chart


def _heaps(values: Sequence[float], scale: Scale) -> list[float]:
    """Shares of the values in each of ``HEAPS`` columns of the scale."""
    counts = [0.0] * HEAPS
    for value in values:
        place = (value - scale.low) / (scale.high - scale.low) * HEAPS
        counts[min(max(int(place), 0), HEAPS - 1)] += 1.0 / len(values)
    return counts


def change_chart(told: Sequence[Departure], changes: Sequence[FoundChange]) -> Drawing:
    """Resistance of the ducts over what is expected, stretch by stretch, with the levels between found changes."""
    height = 300.0
    values = [100.0 * d.value for d in told]
    x_scale = Scale(told[0].t, max(told[-1].t, told[0].t + 1.0), 60.0, WIDTH - 20.0)
    y_scale = _wide(values, height - 46.0, 14.0)
    chart = Drawing(WIDTH, height, "Resistance of the ducts over time, in per cent of what is expected")
    for value in ticks(y_scale.low, y_scale.high):
        chart.line(60.0, y_scale.at(value), WIDTH - 20.0, y_scale.at(value), "zero" if value == 0.0 else "grid")
        chart.text(54.0, y_scale.at(value) + 4.0, number(value), "tick", "end")
    for one in changes:
        chart.bar(x_scale.at(one.earliest_t), x_scale.at(one.latest_t), height / 2 - 16.0, height - 60.0, "doubt")
    for d in told:
        chart.dot(x_scale.at(d.t), y_scale.at(100.0 * d.value), 2.5, "before")
    for one in changes:
        x = x_scale.at(0.5 * (one.began_t + one.ended_t))
        chart.line(x, 14.0, x, height - 46.0, "found")
    ends: tuple[tuple[float, Anchor], ...] = ((told[0].t, "start"), (told[-1].t, "end"))
    for t, anchor in ends:
        chart.text(x_scale.at(t), height - 26.0, local_words(t), "tick", anchor)
    chart.text(66.0, 24.0, "resistance of the ducts against expected, %", "tick")
    return chart


def _wide(values: Sequence[float], start: float, end: float, zero: bool = True) -> Scale:
    low, high = min(values), max(values)
    if zero:
        low, high = min(low, 0.0), max(high, 0.0)
    pad = 0.08 * (high - low) or 0.5
    return Scale(low - pad, high + pad, start, end)
