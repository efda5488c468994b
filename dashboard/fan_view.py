"""The fan curve page as data: where the shop works now, where it did at its baseline, what is drawn, and the last week.

The curve comes from the status document "shop" (``fan``: ``points`` of flow, static pressure and shaft power,
``at_speed_rpm``, ``speed_rpm``, ``at_density_kgm3``, ``uncertainty``, ``generic``), the as-built curve from the newest
baseline. What the gauges give is the rise from before the fan to the filter plenum: ``filter_pa - inlet_pa``.
Curves go out as pairs of flow [m3/s] and pressure rise [Pa].
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from analysis.readings import RunState
from daemon.store.reader import Trend
from dashboard.duct_view import open_ports
from dashboard.now_view import state_words
from dashboard.shapes import Out, Screen, dig, number, table, text
from dashboard.snapshot import Document, Snapshot
from dashboard.words import day_and_time, with_unit

if TYPE_CHECKING:
    from analysis.duct.fan import FanCurve

CURVE_POINTS = 41
CLOUD_S = 7 * 86400.0
CLOUD_POINTS = 700
"""As many are drawn; they are picked from the week's minutes, for the mean of a longer time is no working point."""
CLOUD_MINUTES = round(CLOUD_S / 60)
STEADY = 0.2
"""A point whose pressure wandered further than this share of itself mixes a start or a gate's move in, and is no point."""

Pair = tuple[float, float]


def fan_out(snapshot: Snapshot, screen: Screen, week: Trend | None, baseline: Document | None) -> Out:
    """The page made from a snapshot, the trend of the last week and the newest baseline."""
    curve = curve_of(snapshot.shop)
    now = (
        _point(screen, number(snapshot.now, "estimate", "flow_m3s"), _rise(snapshot.now, "values"), "now")
        if _runs(snapshot)
        else None
    )
    sentences: list[str] = [] if now is not None else [_no_point(snapshot)]
    drawn, low, high, built = [], [], [], []
    if curve is not None:
        drawn = _line(curve)
        low = [(flow, max(0.0, rise * (1 - 1.96 * curve.uncertainty))) for flow, rise in drawn]
        high = [(flow, rise * (1 + 1.96 * curve.uncertainty)) for flow, rise in drawn]
        built = as_built_line(curve, baseline)
        if now is not None:
            sentences.append(_against(screen, curve, now))
        if curve.generic:
            sentences.append("This curve is guessed from the size of the wheel. It can be off by a fifth either way.")
    base = _baseline_point(snapshot, screen, baseline)
    if now is not None and base is not None:
        sentences.append(_since_baseline(screen, now, base))
    return {
        "known": curve is not None,
        "why": "" if curve is not None else "The fan's curve is not there yet: it comes when the daemon runs.",
        "generic": curve is not None and curve.generic,
        "drawn": drawn,
        "drawn_low": low,
        "drawn_high": high,
        "as_built": built,
        "ducts_now": _ducts(now, drawn),
        "cloud": _cloud(week),
        "now": now,
        "baseline": base,
        "expected": _expected(snapshot, screen),
        "x": screen.axis("flow"),
        "y": screen.axis("pressure"),
        "sentences": sentences,
    }


def curve_of(shop: Document) -> FanCurve | None:
    """The drawn curve, None where the document has none that makes sense."""
    from analysis.duct.fan import FanCurve, FanPoint

    found = dig(shop, "fan", "points")
    if not isinstance(found, list):
        return None
    try:
        points = tuple(FanPoint(float(row[0]), float(row[1])) for row in found)
        return FanCurve(
            points,
            number(shop, "fan", "at_speed_rpm"),
            number(shop, "fan", "speed_rpm"),
            at_density_kgm3=number(shop, "fan", "at_density_kgm3") or 1.2,
            uncertainty=number(shop, "fan", "uncertainty") or 0.05,
            generic=dig(shop, "fan", "generic") is True,
        )
    except (TypeError, ValueError, IndexError, KeyError, ArithmeticError):
        return None


def _line(curve: FanCurve) -> list[Pair]:
    free = curve.free_flow_m3s()
    flows = [free * i / (CURVE_POINTS - 1) for i in range(CURVE_POINTS)]
    return [(flow, max(0.0, curve.pressure_scalar(flow)[0])) for flow in flows]


def as_built_line(curve: FanCurve, baseline: Document | None) -> list[Pair]:
    """The curve as the baseline found it: bent at low, middle and high flow, then stretched in flow and pressure."""
    from analysis.baseline.model import Baseline, BaselineError, bend

    try:
        found = Baseline.from_dict(table(baseline, "document"))
    except BaselineError:
        return []
    free = curve.free_flow_m3s() / curve.speed_factor
    points = tuple(
        replace(p, static_pa=p.static_pa * sum(f * w for f, w in zip(found.fan_bend, bend(p.flow_m3s / free), strict=True)))
        for p in curve.points
    )
    built = found.as_built
    return [(flow * built.fan_flow, rise * built.fan_pressure) for flow, rise in _line(replace(curve, points=points))]


def _no_point(snapshot: Snapshot) -> str:
    state = text(snapshot.now, "state")
    if not _runs(snapshot):
        return f"{state_words(snapshot, state)}: there is no point for now."
    return "There is no point for now: it needs the air, the suction before the fan and the pressure over the bags."


def _runs(snapshot: Snapshot) -> bool:
    return text(snapshot.now, "state") == RunState.RUNNING.value


def _rise(document: Document, key: str) -> float | None:
    plenum, inlet = number(document, key, "filter_pa"), number(document, key, "inlet_pa")
    return None if plenum is None or inlet is None else plenum - inlet


def _point(screen: Screen, flow: float | None, rise: float | None, words: str) -> Out | None:
    """A working point: flow [m3/s] and pressure rise [Pa], with both in words."""
    if flow is None or rise is None:
        return None
    return {"flow_m3s": flow, "rise_pa": rise, "flow": screen.quantity(flow, "flow"), "rise": screen.quantity(rise, "pressure"),
            "words": words}


def _expected(snapshot: Snapshot, screen: Screen) -> Out | None:
    """Where the drawing has the shop with these gates and clean bags, as the document "ducts" tells (``drawn``)."""
    if not _runs(snapshot) or open_ports(snapshot) is None:
        return None
    return _point(
        screen, number(snapshot.ducts, "drawn", "flow_m3s"), _rise(snapshot.ducts, "drawn"), "expected from the drawing"
    )


def _baseline_point(snapshot: Snapshot, screen: Screen, baseline: Document | None) -> Out | None:
    gates, steps = open_ports(snapshot), dig(baseline, "document", "steps")
    if gates is None or not isinstance(steps, list):
        return None
    for step in steps:
        if isinstance(step, dict) and sorted(map(str, step.get("open_ports", []))) == sorted(gates):
            when = day_and_time(number(baseline, "t")).partition(",")[0]
            return _point(screen, number(step, "flow_m3s"), _rise(step, "measured"), f"baseline of {when}")
    return None


def _ducts(now: Out | None, drawn: list[Pair]) -> list[Pair]:
    """Your ducts with these gates: the parabola through the working point of now."""
    if now is None or now["flow_m3s"] <= 0:
        return []
    reach = max([now["flow_m3s"] * 1.25, *(flow for flow, _ in drawn)])
    top = max([now["rise_pa"] * 1.15, *(rise for _, rise in drawn)])
    flows = [reach * i / (CURVE_POINTS - 1) for i in range(CURVE_POINTS)]
    line = [(flow, now["rise_pa"] * (flow / now["flow_m3s"]) ** 2) for flow in flows]
    return [pair for pair in line if pair[1] <= top]


def _cloud(week: Trend | None) -> list[Pair]:
    if week is None:
        return []
    flows, plenums, inlet = week.series["flow_m3s"].mean, week.series["filter_pa"].mean, week.series["inlet_pa"]
    points: list[Pair] = []
    for at in range(1, len(flows) - 1):
        flow, plenum, suction = flows[at], plenums[at], inlet.mean[at]
        if flow is None or plenum is None or suction is None or flows[at - 1] is None or flows[at + 1] is None:
            continue  # nothing, or the first or last of a run: the fan comes up or coasts down in it
        around = (inlet.mean[at - 1], inlet.mean[at + 1])
        alone = all(other is None or abs(other - suction) > STEADY * abs(suction) for other in around)
        if _steady(suction, inlet.min[at], inlet.max[at]) and not alone:
            points.append((round(flow, 5), round(plenum - suction, 1)))
    return points[:: max(1, math.ceil(len(points) / CLOUD_POINTS))]


def _steady(mean: float, least: float | None, most: float | None) -> bool:
    return least is None or most is None or most - least <= STEADY * abs(mean)


def _against(screen: Screen, curve: FanCurve, now: Out) -> str:
    drawn = curve.pressure_scalar(now["flow_m3s"])[0]
    if drawn <= 0:
        return "The fan moves more air now than its curve reaches."
    gap = now["rise_pa"] / drawn - 1
    if abs(gap) <= 1.96 * curve.uncertainty:
        return "The fan gives the pressure that its curve promises at this flow."
    side = "more" if gap > 0 else "less"
    said = screen.quantity(drawn, "pressure").shown
    return f"The fan gives {_percent(gap)} {side} pressure than its curve promises at this flow ({said})."


def _since_baseline(screen: Screen, now: Out, base: Out) -> str:
    change = now["flow_m3s"] / base["flow_m3s"] - 1 if base["flow_m3s"] else 0.0
    if abs(change) < 0.02:
        return f"As much air as at the {base['words']} with the same gates, within two percent."
    gap = screen.difference(now["flow_m3s"] - base["flow_m3s"], "flow")
    return f"{gap} ({_percent(change)}) {'more' if change > 0 else 'less'} air than at the {base['words']} with the same gates."


def _percent(share: float) -> str:
    return with_unit(f"{abs(share):.0%}"[:-1], "%")
