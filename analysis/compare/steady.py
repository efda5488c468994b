"""Frames of one period -> stretches in which the fan ran and the gates stood, in one pass.

Blocks of ten seconds are averaged as the frames go by, so that a fortnight needs little memory. Zeros found while the
fan stood still are taken off.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

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
ENDING_S = 5.0
"""Left out at the end of each run: readings fall before the run is seen to end (ours)."""
SHORTEST_S = 10.0
"""A stretch says nothing below this."""
STILL_S = 60.0
"""Standstill before a reading counts as the zero: the wheel coasts down and the bags deflate (ours)."""
STARTING_S = 10.0
"""Standstill this short before a run says nothing of the zero: the wheel turns before the run is seen to begin (ours)."""
ZERO_S, ZERO_FRAMES = 6.0 * 3600.0, 60
"""A zero is the mean over so much standstill at most, since it wanders within a day (ours)."""
GAP_S = 30.0
DAY_S = 86400.0
STEP_ERROR = 0.002
"""Relative standard error of a stored baseline's reading, which keeps the means only (ours)."""
_BESIDE = ("air_c", "air_rh", "barometer_pa", "line_v")

Gates = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Stretch:
    """Steady running with one gate set: means of the readings [SI, zero taken off] with their relative standard errors.

    ``run`` is the time at which the fan was started, ``t`` the stretch's end. Ratios are against the design's air,
    ``log_volts`` against the motor's voltage; None where it is not measured.
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

    def cold(self, warm_s: float) -> float:
        """Mean over the stretch of what decays from one at the run's start with the time constant ``warm_s``."""
        end = max(self.t - self.run, self.seconds)
        start = end - self.seconds
        return (math.exp(-start / warm_s) - math.exp(-end / warm_s)) * warm_s / max(self.seconds, 1e-9)


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
    held: deque[tuple[float, Mapping[str, float]]] = field(default_factory=deque)

    def add(self, t: float, values: Mapping[str, float]) -> None:
        """Take a frame; what was held back for longer than a run's end lasts is counted."""
        self.held.append((t, values))
        while t - self.held[0][0] > ENDING_S:
            self._count(*self.held.popleft())

    def end(self, done: list[_Open], stopped: bool) -> None:
        """The stretch is over: the run ended with it, or a gate was moved."""
        while self.held and not stopped:
            self._count(*self.held.popleft())
        self.close_block()
        if self.blocks and self.seconds >= SHORTEST_S:
            done.append(self)

    def _count(self, t: float, values: Mapping[str, float]) -> None:
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
    still: dict[str, deque[tuple[float, float]]] = {name: deque(maxlen=ZERO_FRAMES) for name in READINGS}
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
            if now is not None:
                now.end(done, stopped=True)
            now = None
            if gap > GAP_S and frame.state is RunState.RUNNING:
                run = None
        if frame.state in (RunState.OFF, RunState.STOPPING):
            if run is not None or stopped_t == -math.inf:
                run, stopped_t = None, t
            if frame.state is RunState.OFF and t - stopped_t >= STILL_S:
                for name in READINGS:
                    if (value := frame.values.get(name)) is not None:
                        still[name].append((t, value))
            continue
        if frame.state is not RunState.RUNNING:
            continue
        if run is None:
            run, runs = t, runs + (t >= start)
            for name, rows in still.items():
                while rows and rows[-1][0] > t - STARTING_S:
                    rows.pop()
                if any(when > stopped_t for when, _ in rows):
                    zero[name] = _zero([value for when, value in rows if when > t - ZERO_S])
        if t < start:
            continue
        first, last = t if math.isnan(first) else first, t
        running_s += min(max(gap, 0.0), 5.0)
        if frame.gates is None:
            unknown_s += min(max(gap, 0.0), 5.0)
            if now is not None:
                now.end(done, stopped=False)
            now, gates = None, None
            continue
        opened = {name for name, is_open in frame.gates.items() if is_open}
        found = tuple(name for name in gated if name in opened)
        odd = opened - known
        strange |= odd
        if found != gates or odd:
            if now is not None:
                now.end(done, stopped=False)
            now, gates, gates_t = None, None if odd else found, t
        if t - gates_t < MOVED_S or frame.run_s < SETTLED_S:
            continue
        if now is None:
            now = _Open(run, found, dict(zero), {}, {}, t)
        now.add(t, frame.values)
    if now is not None:
        now.end(done, stopped=False)
    return Side(_finished(design, done), first, last, running_s, unknown_s, runs, tuple(sorted(strange)))


def _zero(rows: list[float]) -> float:
    """The mean of what a sensor showed last at standstill, less its outer fifths: the median of coarse steps is a step."""
    last = np.sort(rows)
    cut = -(-len(last) // 5) if len(last) > 2 else 0
    return float(last[cut:len(last) - cut].mean())


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
    began_t = data.steps[0].t - data.steps[0].seconds if data.steps else data.t
    for step in data.steps:
        usable = {n: m for n, m in step.channels.items() if n in READINGS and abs(m.mean) > 0.5}
        rows.append(Stretch(
            began_t, step.t, step.seconds, step.open_ports, {n: abs(m.mean) for n, m in usable.items()},
            {n: math.hypot(m.error / abs(m.mean), 5e-4) for n, m in usable.items()}, step.density_ratio,
            step.viscosity_ratio, data.density_sd < 0.005, step.log_volts))
    return Side(tuple(rows), began_t, data.t, sum(s.seconds for s in rows), runs=1)


def of_baseline(baseline: Baseline) -> Side:
    """The steps of a stored baseline. It keeps neither the air nor the mains of its day: both count as not measured."""
    rows = tuple(
        Stretch(
            baseline.t, baseline.t + 90.0 * i, 60.0, step.open_ports,
            {n: abs(v) for n, v in step.measured.items() if n in READINGS and v},
            {n: STEP_ERROR for n, v in step.measured.items() if n in READINGS and v})
        for i, step in enumerate(baseline.steps))
    return Side(rows, baseline.t, baseline.t + 90.0 * len(rows), 60.0 * len(rows), runs=1)
