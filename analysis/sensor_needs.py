"""What sensors a shop needs: the ranges they must cover, what there is to see, and what each of their errors does.

Everything is solved on the shop's own drawing. ``signals`` says how far real events move each channel: what a sensor must
be able to tell apart. ``effects`` says how wrong the answers become by an error of a known size: what it must not do.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass, replace

from analysis.duct.design import FAN, AsBuilt, DuctDesign, Faults
from analysis.duct.points import OperatingPoint
from analysis.duct.solve import solve
from analysis.duct.uncertainty import expectation

CHANNELS = ("inlet_pa", "filter_pa", "motor_a")
USUAL_RANGES_PA = (250.0, 500.0, 1000.0, 1250.0, 2500.0, 5000.0, 7500.0, 10_000.0)
"""Ranges in which pressure transmitters are commonly sold [Pa] (common practice, no source)."""
USUAL_RANGES_A = (5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 50.0, 100.0)
"""The same for current transformers [A]."""
MARGIN = 1.15
"""Room left above the largest expected value: the design is not known better (ours)."""
LOADED_DRAG_RATIO = 3.0
"""Bags that nobody cleaned for very long: the filter sensor shall still read them (ours)."""
INRUSH = 6.0
"""Starting current over full-load current of an induction motor (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Need:
    """The values that a channel takes in this shop [SI], from ``low`` to ``high``, and the smallest usual ``span`` that
    covers them (a size, whatever the sign; None where none is large enough)."""

    channel: str
    low: float
    high: float
    span: float | None


@dataclass(frozen=True, slots=True)
class Signal:
    """What one real event changes: by how much each channel [SI], and ``flow`` as a share of the flow before."""

    words: str
    inlet_pa: float
    filter_pa: float
    motor_a: float | None
    flow: float


@dataclass(frozen=True, slots=True)
class Effect:
    """What one error does, as relative errors: of the flow when it is read off the inlet pressure, off the filter pressure
    (drag known), off the current; and of the drag (filter pressure over the flow read off the inlet pressure). None where
    the error does not touch the answer."""

    words: str
    flow_by_inlet: float | None = None
    flow_by_filter: float | None = None
    flow_by_current: float | None = None
    drag: float | None = None


def needs(design: DuctDesign) -> tuple[Need, ...]:
    """The range of each channel over all shut, each port alone and all open, with clean and with heavily loaded bags."""
    sets: list[Collection[str]] = [(), *((name,) for name in design.port_names), design.port_names]
    clean = design.filter.clean_drag_pasm3
    points = [
        solve(design, gates, filter_drag_pasm3=ratio * clean) for gates in sets for ratio in (1.0, LOADED_DRAG_RATIO)
    ]
    inlet, bags = [p.inlet_pa for p in points], [p.filter_pa for p in points]
    found = [
        Need("inlet_pa", min(inlet), 0.0, _span(-min(inlet), USUAL_RANGES_PA)),
        Need("filter_pa", 0.0, max(bags), _span(max(bags), USUAL_RANGES_PA)),
    ]
    amps = [p.motor_a for p in points if p.motor_a is not None]
    if amps and design.motor is not None:
        most = max(*amps, design.motor.full_a * design.motor.service_factor)
        found.append(Need("motor_a", 0.0, most, _span(most, USUAL_RANGES_A)))
    return tuple(found)


def _span(size: float, usual: tuple[float, ...]) -> float | None:
    return next((span for span in usual if span >= MARGIN * size), None)


def signals(design: DuctDesign, open_ports: Collection[str]) -> tuple[Signal, ...]:
    """What real events change with these ports open and clean bags. Raises ValueError without an open port."""
    if not open_ports:
        raise ValueError("with all gates shut nothing of a port can be seen: name an open port")
    opened = tuple(open_ports)
    first = opened[0]
    before = solve(design, opened)
    drag = before.filter_drag_pasm3

    def event(words: str, after: OperatingPoint) -> Signal:
        amps = None if before.motor_a is None or after.motor_a is None else after.motor_a - before.motor_a
        return Signal(words, after.inlet_pa - before.inlet_pa, after.filter_pa - before.filter_pa, amps,
                      after.flow_m3s / before.flow_m3s - 1.0)

    found = [
        event("bags at 1.75 times their clean drag", solve(design, opened, filter_drag_pasm3=1.75 * drag)),
        event("bags a tenth dirtier", solve(design, opened, filter_drag_pasm3=1.1 * drag)),
        event("a bag torn: drag down to a third", solve(design, opened, filter_drag_pasm3=drag / 3.0)),
        event(f"half of the {first}'s pipe plugged", solve(design, opened, faults=Faults(blockage={first: 0.5}))),
    ]
    shut = [port.name for port in design.ports if port.has_gate and port.name not in opened]
    if shut:
        more = [(name, solve(design, (*opened, name))) for name in shut]
        name, point = min(more, key=lambda row: abs(row[1].inlet_pa - before.inlet_pa))
        found.append(event(f"the {name}'s gate left open as well", point))
    if any(port.name == first and port.hose is not None for port in design.ports):
        found.append(event(f"the hose off at the {first}", solve(design, opened, faults=Faults(hose_off=frozenset((first,))))))
    found.append(event("the fan 5 % slow", solve(design, opened, fan_speed_ratio=0.95)))
    thin = replace(design.air, density_kgm3=0.97 * design.air.density_kgm3)
    found.append(event("air 3 % thinner (9 °C or 16 °F warmer)", solve(design, opened, air=thin)))
    if design.motor is not None:
        found.append(event("mains 5 % low", solve(design, opened, line_v=0.95 * design.motor.voltage_v)))
    return tuple(found)


def effects(design: DuctDesign, open_ports: Collection[str]) -> tuple[Effect, ...]:
    """What usual errors do to the answers with these ports open and clean bags.

    An error of a reading is carried over by the slopes along the curve that a change of the ducts' resistance traces; an
    error of what is assumed (air, diameter, mains) by what the assumption changes in the reading at the true flow.
    """
    opened = tuple(open_ports)
    base = solve(design, opened)
    less, more = (_resisting(design, opened, factor) for factor in (0.98, 1.02))
    flow = base.flow_m3s
    by_inlet = (more.flow_m3s - less.flow_m3s) / (more.inlet_pa - less.inlet_pa) / flow
    by_current = None
    if base.motor_a is not None and more.motor_a is not None and less.motor_a is not None:
        by_current = (more.flow_m3s - less.flow_m3s) / (more.motor_a - less.motor_a) / flow

    def inlet(words: str, error_pa: float) -> Effect:
        return Effect(words, flow_by_inlet=error_pa * by_inlet, drag=-error_pa * by_inlet)

    def bags(words: str, error_pa: float) -> Effect:
        return Effect(words, flow_by_filter=error_pa / base.filter_pa, drag=error_pa / base.filter_pa)

    def assumed(words: str, true: OperatingPoint) -> Effect:
        moved = true.flow_m3s / flow - 1.0
        wrong = (true.inlet_pa - base.inlet_pa) * by_inlet - moved
        current = None
        if by_current is not None and true.motor_a is not None and base.motor_a is not None:
            current = (true.motor_a - base.motor_a) * by_current - moved
        return Effect(words, wrong, (true.filter_pa - base.filter_pa) / base.filter_pa - moved, current, -wrong)

    last = next(run for run in design.runs if run.into == FAN)
    found = [
        inlet("inlet zero off by 10 Pa (0.04 inwg)", 10.0),
        inlet("inlet span off by 1 %", 0.01 * base.inlet_pa),
        inlet("burr or swirl at the inlet tap: a tenth of a velocity pressure", 0.1 * base.runs[last.name].velocity_pa),
        bags("filter zero off by 5 Pa (0.02 inwg)", 5.0),
        bags("filter span off by 1 %", 0.01 * base.filter_pa),
    ]
    if base.motor_a is not None and by_current is not None:
        found.append(Effect("current off by 2 %", flow_by_current=0.02 * base.motor_a * by_current))
    warm = replace(design.air, density_kgm3=design.air.density_kgm3 * 288.15 / 298.15)
    found.append(assumed("air taken for 15 °C (59 °F) while it has 25 °C (77 °F)", solve(design, opened, air=warm)))
    if design.motor is not None:
        low = solve(design, opened, line_v=0.97 * design.motor.voltage_v)
        found.append(replace(assumed("mains 3 % low and not measured", low), flow_by_inlet=None, flow_by_filter=None,
                             drag=None))
    narrow = replace(design, runs=tuple(
        replace(run, diameter_m=0.98 * run.diameter_m) if run is last else run for run in design.runs
    ))
    found.append(assumed(f"inside diameter of the {last.name} 2 % less than drawn", solve(narrow, opened)))
    return tuple(found)


def drawing_sd(design: DuctDesign, open_ports: Collection[str]) -> float:
    """What the drawing itself does not know, before any baseline: relative standard deviation of the expected flow."""
    flow = expectation(design, open_ports).values["flow_m3s"]
    return flow.sd / flow.value


def _resisting(design: DuctDesign, opened: tuple[str, ...], factor: float) -> OperatingPoint:
    runs = dict.fromkeys(design.run_names, factor)
    ports = dict.fromkeys(design.port_names, factor)
    return solve(design, opened, as_built=AsBuilt(run_k=runs, port_k=ports))


@dataclass(frozen=True, slots=True)
class Burden:
    """A burden resistor for a current transformer with a current output: ``largest_ohm`` that keeps full scale inside the
    converter, the peak voltage that ``chosen_ohm`` gives there, and the current at which it clips [A RMS]."""

    largest_ohm: float
    chosen_ohm: float
    peak_v: float
    clips_a: float


_E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)


def burden(full_scale_a: float, ratio: float, converter_v: float, headroom: float = 0.9) -> Burden:
    """The burden for a transformer of ``ratio`` turns (primary current over secondary current) that shall measure up to
    ``full_scale_a`` [A RMS] with a converter of 0 to ``converter_v`` [V], biased to its middle.

    Peak = sqrt(2) I/ratio R must stay within ``headroom`` times half the converter's range. The chosen value is the
    largest of the E12 series (IEC 60063) below that. Raises ValueError unless all are above zero.

    >>> found = burden(20.0, 1000.0, 3.3)
    >>> round(found.largest_ohm, 1), found.chosen_ohm, round(found.clips_a, 1)
    (52.5, 47.0, 24.8)
    """
    if not (full_scale_a > 0.0 and ratio > 0.0 and converter_v > 0.0 and 0.0 < headroom <= 1.0):
        raise ValueError("full scale, ratio and converter range must be above zero, headroom above 0 and at most 1")
    half = converter_v / 2.0
    largest = headroom * half * ratio / (math.sqrt(2.0) * full_scale_a)
    decade = 10.0 ** math.floor(math.log10(largest))
    chosen = max(value * scale for scale in (decade / 10.0, decade) for value in _E12 if value * scale <= largest * (1 + 1e-9))
    peak = math.sqrt(2.0) * full_scale_a / ratio * chosen
    return Burden(largest, chosen, peak, half * ratio / (math.sqrt(2.0) * chosen))

