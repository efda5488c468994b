"""Frames of one period -> stretches in which the fan ran and the gates stood, in one pass.

Blocks of ten seconds are averaged as the frames go by, so that a fortnight needs little memory. Zeros found while the
fan stood still are taken off.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from analysis.baseline.model import Baseline
from analysis.baseline.steps import TourData
from analysis.duct.design import DuctDesign
from analysis.estimator.ambient import Ambient
from analysis.readings import Frame, RunState

READINGS = ("inlet_pa", "filter_pa", "motor_a")
BLOCK_S = 10.0
SETTLED_S = 30.0
"""Left out at the beginning of each run: the wheel runs up, the bags fill (ours)."""
MOVED_S = 8.0
"""Left out after a gate was moved: air and sensors lag behind (ours)."""
STILL_S = 60.0
"""Standstill before a reading counts as the zero: the wheel coasts down and the bags deflate (ours)."""
GAP_S = 30.0
DAY_S = 86400.0
STEP_ERROR = 0.002
"""Relative standard error of a stored baseline's reading, which keeps the means only (ours)."""
_BESIDE = ("air_c", "air_rh", "barometer_pa", "line_v")

Gates = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Stretch:
    """Steady running with one gate set: means of the readings [SI, zero taken off] with their relative standard errors.

    Ratios are against the design's air, ``log_volts`` against the motor's voltage; None where it is not measured.
    """

    run: float
    t: float
    seconds: float
    open_ports: Gates
    mean: Mapping[str, float]
    error: Mapping[str, float]
    density_ratio: float = 1.0
    viscosity_ratio: float = 1.0
    air_known: bool = False
    log_volts: float | None = None


@dataclass(frozen=True, slots=True)
class Side:
    """One period. ``unknown_s`` is running with gates that nobody reported, ``strange`` ports that stood open and that the
    drawing does not have."""

    stretches: tuple[Stretch, ...]
    began_t: float = 0.0
    ended_t: float = 0.0
    running_s: float = 0.0
    unknown_s: float = 0.0
    runs: int = 0
    strange: tuple[str, ...] = ()

    @property
    def seconds(self) -> float:
        """Running that can be used."""
        return sum(s.seconds for s in self.stretches)


@dataclass
class _Open:
    """A stretch that goes on."""

    run: float
    gates: Gates
    zero: dict[str, float]
    sums: dict[str, list[float]]
    blocks: dict[str, list[float]]
    began_t: float
    block: int = 0
    seconds: float = 0.0

    def add(self, t: float, values: Mapping[str, float]) -> None:
        block = int((t - self.began_t) / BLOCK_S)
        if block != self.block:
            self.close_block()
            self.block = block
        self.seconds += 1.0
        for name in (*READINGS, *_BESIDE):
            value = values.get(name)
            if value is not None:
                self.sums.setdefault(name, []).append(value)

    def close_block(self) -> None:
        for name, rows in self.sums.items():
            if len(rows) >= 5:
                self.blocks.setdefault(name, []).append(sum(rows) / len(rows))
        self.sums = {}


def reduce(design: DuctDesign, frames: Iterable[Frame], start: float = -math.inf, end: float = math.inf) -> Side:
    """The stretches of a period. What runs before ``start`` only teaches the zeros."""
    gated = tuple(port.name for port in design.ports if port.has_gate)
    known = set(design.port_names)
    done: list[_Open] = []
    strange: set[str] = set()
    zero: dict[str, float] = {}
    still: dict[str, list[float]] = {}
    now: _Open | None = None
    run: float | None = None
    stopped_t = gates_t = last_t = -math.inf
    gates: Gates | None = None
    first = last = math.nan
    running_s = unknown_s = 0.0
    runs = 0
    for frame in frames:
        t = frame.t
        if t > end:
            break
        gap, last_t = t - last_t, t
        if frame.state is not RunState.RUNNING or gap > GAP_S or gap <= 0.0:
            _end(now, done)
            now = None
            if gap > GAP_S and frame.state is RunState.RUNNING:
                run = None
        if frame.state in (RunState.OFF, RunState.STOPPING):
            if run is not None or stopped_t == -math.inf:
                run, stopped_t, still = None, t, {}
            if frame.state is RunState.OFF and t - stopped_t >= STILL_S:
                for name in READINGS:
                    if (value := frame.values.get(name)) is not None:
                        still.setdefault(name, []).append(value)
            continue
        if frame.state is not RunState.RUNNING:
            continue
        if run is None:
            run, runs = t, runs + (t >= start)
            zero |= {name: _zero(rows) for name, rows in still.items()}
            still = {}
        if t < start:
            continue
        first, last = t if math.isnan(first) else first, t
        running_s += min(max(gap, 0.0), 5.0)
        if frame.gates is None:
            unknown_s += min(max(gap, 0.0), 5.0)
            _end(now, done)
            now, gates = None, None
            continue
        opened = {name for name, is_open in frame.gates.items() if is_open}
        found = tuple(name for name in gated if name in opened)
        odd = opened - known
        strange |= odd
        if found != gates or odd:
            _end(now, done)
            now, gates, gates_t = None, None if odd else found, t
        if t - gates_t < MOVED_S or frame.run_s < SETTLED_S:
            continue
        if now is None:
            now = _Open(run, found, dict(zero), {}, {}, t)
        now.add(t, frame.values)
    _end(now, done)
    return Side(_finished(design, done), first, last, running_s, unknown_s, runs, tuple(sorted(strange)))


def _zero(rows: list[float]) -> float:
    """The mean of what a sensor showed last at standstill, less its outer fifths: the median of coarse steps is a step."""
    last = np.sort(rows[-60:])
    cut = len(last) // 5
    return float(last[cut:len(last) - cut].mean())


def _end(now: _Open | None, done: list[_Open]) -> None:
    if now is not None:
        now.close_block()
        if now.blocks:
            done.append(now)


def _finished(design: DuctDesign, done: list[_Open]) -> tuple[Stretch, ...]:
    """Stretches with standard errors: scatter and memory of the blocks are pooled, since one stretch has only a few."""
    spread = {}
    for name in READINGS:
        squares = products = count = 0.0
        for one in done:
            means = np.asarray(one.blocks.get(name, ()), dtype=np.float64)
            if means.size >= 3 and abs(means.mean()) > 0.0:
                off = means / means.mean() - 1.0
                squares += float(off @ off) * means.size / (means.size - 1)
                products += float(off[1:] @ off[:-1]) + float(off @ off) / means.size
                count += means.size
        memory = min(max(products / squares, 0.0), 0.8) if squares > 0.0 else 0.3
        spread[name] = math.sqrt(squares / count * (1.0 + memory) / (1.0 - memory)) if count else 0.01
    ambient, made = Ambient(design.air), []
    for one in done:
        mean, error = {}, {}
        for name in READINGS:
            rows = one.blocks.get(name, [])
            value = sum(rows) / len(rows) - one.zero.get(name, 0.0) if rows else 0.0
            size = -value if name == "inlet_pa" else value
            if size > (0.5 if name == "motor_a" else 5.0):
                mean[name] = size
                error[name] = math.hypot(spread[name] / math.sqrt(len(rows)), 5e-4)
        if not mean:
            continue
        air = ambient.at({name: sum(rows) / len(rows) for name, rows in one.blocks.items()})
        volts, motor = one.blocks.get("line_v"), design.motor
        log_volts = None
        if motor is not None and volts and min(volts) > 0.5 * motor.voltage_v:
            log_volts = math.log(sum(volts) / len(volts) / motor.voltage_v)
        made.append(Stretch(
            one.run, one.began_t + one.seconds, one.seconds, one.gates, mean, error, air.density_ratio, air.viscosity_ratio,
            not air.missing, log_volts))
    return tuple(made)


def of_tour(data: TourData) -> Side:
    """The steps of a guided check."""
    rows = []
    for step in data.steps:
        usable = {n: m for n, m in step.channels.items() if n in READINGS and abs(m.mean) > 0.5}
        rows.append(Stretch(
            data.t, step.t, step.seconds, step.open_ports, {n: abs(m.mean) for n, m in usable.items()},
            {n: math.hypot(m.error / abs(m.mean), 5e-4) for n, m in usable.items()}, step.density_ratio,
            step.viscosity_ratio, data.density_sd < 0.005, step.log_volts))
    seconds = sum(s.seconds for s in rows)
    return Side(tuple(rows), rows[0].t if rows else data.t, rows[-1].t if rows else data.t, seconds, runs=1)


def of_baseline(baseline: Baseline) -> Side:
    """The steps of a stored baseline. It keeps neither the air nor the mains of its day: both count as not measured."""
    rows = tuple(
        Stretch(
            baseline.t, baseline.t + 90.0 * i, 60.0, step.open_ports,
            {n: abs(v) for n, v in step.measured.items() if n in READINGS and v},
            {n: STEP_ERROR for n, v in step.measured.items() if n in READINGS and v})
        for i, step in enumerate(baseline.steps))
    return Side(rows, baseline.t, baseline.t + 90.0 * len(rows), 60.0 * len(rows), runs=1)
