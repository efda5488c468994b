"""What the engine says about a gate set: consequences of the drawing, told once, never alarms."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from analysis.duct.design import DuctDesign, Run
from analysis.duct.points import Remark, SectionState

_ENOUGH = 0.995
"""Half a per cent short is no shortage: far inside what a drawing can promise."""


def remarks(
    design: DuctDesign, runs: Mapping[str, SectionState], ports: Mapping[str, SectionState], flow_m3s: float,
    stretch: float,
) -> tuple[Remark, ...]:
    """Remarks on one operating point; ``stretch`` is by how much the fan's flow axis is stretched (speed, as-built)."""
    return (
        *_slow(runs, "run"), *_slow(ports, "pipe of the port"), *_slow_behind(design, runs, flow_m3s), *_short(design, ports),
        *_beyond_fan_points(design, flow_m3s, stretch),
    )


def _slow(states: Mapping[str, SectionState], what: str) -> Iterator[Remark]:
    for state in states.values():
        if not state.in_use:
            continue
        if state.flow_m3s < 0.0:
            yield Remark(
                "blows_back", state.name, state.velocity_ms, 0.0,
                f"with this gate set air flows backwards in the {what} {state.name!r}, by design",
            )
        elif state.velocity_share < _ENOUGH:
            yield Remark(
                "below_carrying_velocity", state.name, state.velocity_ms, state.carrying_ms,
                f"with this gate set the {what} {state.name!r} runs below carrying velocity by design",
            )


def carrying_behind(design: DuctDesign) -> tuple[Run, ...]:
    """The pieces after the fan that have to carry chips: none where something before it takes them out."""
    separator = design.separator
    taken = design.filter.before_fan or (separator is not None and not separator.after_fan)
    return () if taken else design.discharge


def _slow_behind(design: DuctDesign, runs: Mapping[str, SectionState], flow_m3s: float) -> Iterator[Remark]:
    limit = design.material.main_velocity_ms
    for piece in carrying_behind(design) if any(state.in_use for state in runs.values()) else ():
        velocity = flow_m3s / piece.area_m2
        if velocity < _ENOUGH * limit:
            yield Remark(
                "below_carrying_velocity", piece.name, velocity, limit,
                f"with this gate set the duct after the fan ({piece.name}) runs below carrying velocity by design",
            )


def _short(design: DuctDesign, ports: Mapping[str, SectionState]) -> Iterator[Remark]:
    needs = {port.name: port.needs_m3s or 0.0 for port in design.ports}
    for state in ports.values():
        if state.in_use and state.need_share is not None and state.need_share < _ENOUGH:
            yield Remark(
                "short_of_need", state.name, state.flow_m3s, needs[state.name],
                f"with this gate set the port {state.name!r} draws less air than its machine needs, by design",
            )


def _beyond_fan_points(design: DuctDesign, flow_m3s: float, stretch: float) -> Iterator[Remark]:
    factor = stretch * design.fan.speed_factor
    first, last = design.fan.points[0].flow_m3s * factor, design.fan.points[-1].flow_m3s * factor
    if not first <= flow_m3s <= last:
        yield Remark(
            "outside_fan_points", "fan", flow_m3s, last if flow_m3s > last else first,
            "with this gate set the fan works outside the points of its curve, where the curve is only carried on",
        )
