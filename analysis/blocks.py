"""Frames -> blocks of ten seconds: what the detectors look at.

Pressure samples a second apart are correlated (the fan and the bags pulsate together), so a chart drawn on single
samples signals far too often. A block mean is nearly independent of the next, and ten times cheaper to look at. A block
ends at every multiple of :data:`BLOCK_S` of event time and at every change of the run state, so that the frames of a
block share one state.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from operator import mul, sub

from analysis.estimates import Estimate
from analysis.quick import quick
from analysis.readings import Frame, Quality, RunState

BLOCK_S = 10.0
LEAST_PA, LEAST_A = 10.0, 0.5
"""Readings below these have no meaningful logarithm."""
UNSTEADY = 0.35
"""A block whose pressure or current ranged over more than this share of its mean is on its way from one state to another."""
LEAST_PULSE_PA = 50.0
"""Below this the sensor's own noise is larger than the pulsation of the air."""


@quick
@dataclass(frozen=True, slots=True)
class Stat:
    """Moments of one channel over a block. ``step_rms`` is the root mean square of the steps from sample to sample
    (pulsation and noise; a slow change hardly moves it), None with fewer than three samples.
    """

    count: int
    mean: float
    low: float
    high: float
    step_rms: float | None = None


@quick
@dataclass(frozen=True, slots=True)
class Shape:
    """What a block of steady running looks like whatever the drawing says, as logarithms of the readings.

    ``filter_log`` of the pressure over the bags, ``suction_log`` of the suction before the fan, ``total_log`` of the sum
    of both (what the fan gives), ``current_log`` of the motor current (None without it). ``tied`` is ``filter_log -
    suction_log / 2``: while the ducts stay as they are, suction goes with the square of the flow and the pressure over
    the bags with drag times flow, so this differs from the logarithm of the drag by a constant, whatever the fan does.
    """

    filter_log: float
    suction_log: float
    total_log: float
    current_log: float | None
    tied: float


@quick
@dataclass(frozen=True, slots=True)
class Block:
    """Consecutive frames of one run state.

    ``began_t``/``t`` event time of the first and last frame; ``seconds`` of event time it stands for (a gap counts
    nothing); ``stats`` per channel; ``bad`` per channel how many frames lacked it and why; ``estimate`` the last one;
    ``flow``, ``drag`` moments of the estimates; ``gates_moved`` whether the estimated or reported gates changed within
    it or were being judged anew; ``started`` whether the fan was switched on at its beginning; ``heat_a2s`` the integral
    of the squared current. ``shape`` is None unless the fan ran steadily, both pressures are known and none was on its
    way to another state; ``pulse`` is the relative step-to-step size of the pressures (geometric mean of those that are
    known) while the fan ran steadily.
    """

    began_t: float
    t: float
    seconds: float
    frames: int
    state: RunState
    run_s: float
    started: bool
    stats: Mapping[str, Stat]
    bad: Mapping[str, Mapping[Quality, int]]
    estimate: Estimate
    gates: Mapping[str, bool] | None
    gates_moved: bool = False
    flow: Stat | None = None
    drag: Stat | None = None
    heat_a2s: float | None = None
    shape: Shape | None = None
    pulse: float | None = None

    @property
    def running(self) -> bool:
        """Whether the fan ran steadily throughout."""
        return self.state is RunState.RUNNING


class BlockBuilder:
    """Collects frames; ``add`` returns the block that a frame has closed, or None."""

    def __init__(self, length_s: float = BLOCK_S, frame_s: float = 1.0) -> None:
        self._length = length_s
        self._frame_s = frame_s
        self._slot: float | None = None
        self._state = RunState.UNKNOWN
        self._before = RunState.UNKNOWN
        self._frames: list[Frame] = []
        self._estimates: list[Estimate] = []

    def add(self, frame: Frame, estimate: Estimate) -> Block | None:
        """Take in one frame with its estimate."""
        closed = None
        slot = frame.t // self._length
        if slot != self._slot or frame.state is not self._state:
            closed = self.close()
            self._slot = slot
            if frame.state is not self._state:
                self._before, self._state = self._state, frame.state
        self._frames.append(frame)
        self._estimates.append(estimate)
        return closed

    def close(self) -> Block | None:
        """The block under way, if it has any frame."""
        frames = self._frames
        if not frames:
            return None
        estimates = self._estimates
        self._frames, self._estimates = [], []
        started = self._state is RunState.STARTING and self._before not in (RunState.STARTING, RunState.UNKNOWN)
        self._before = self._state
        return _block(frames, estimates, started, self._frame_s)


def _block(frames: list[Frame], estimates: list[Estimate], started: bool, frame_s: float) -> Block:
    columns: dict[str, list[float]] = {}
    bad: dict[str, dict[Quality, int]] = {}
    for frame in frames:
        for channel, value in frame.values.items():
            column = columns.get(channel)
            if column is None:
                columns[channel] = [value]
            else:
                column.append(value)
        if frame.quality:
            for channel, quality in frame.quality.items():
                counts = bad.setdefault(channel, {})
                counts[quality] = counts.get(quality, 0) + 1
    last, final = frames[-1], estimates[-1]
    told = final.gates
    moved = frames[0].gates != last.gates
    if not moved:
        for estimate in estimates:
            # None among told sets: they are being judged anew. The same set is mostly the same object.
            if estimate.gates is not told and estimate.gates != told:
                moved = True
                break
    currents = columns.get("motor_a")
    stats = {channel: _stat(column) for channel, column in columns.items()}
    shape, pulse = _shape(stats) if last.state is RunState.RUNNING else (None, None)
    return Block(
        began_t=frames[0].t,
        t=last.t,
        seconds=frame_s * len(frames),
        frames=len(frames),
        state=last.state,
        run_s=last.run_s,
        started=started,
        stats=stats,
        bad=bad,
        estimate=final,
        gates=last.gates,
        gates_moved=moved,
        flow=_known([e.flow_m3s for e in estimates]),
        drag=_known([e.filter_drag for e in estimates]),
        heat_a2s=None if currents is None else frame_s * sum([a * a for a in currents]),
        shape=shape,
        pulse=pulse,
    )


def _shape(stats: Mapping[str, Stat]) -> tuple[Shape | None, float | None]:
    """Shape and pulse of a block of steady running."""
    inlet, bags, motor = stats.get("inlet_pa"), stats.get("filter_pa"), stats.get("motor_a")
    product, known = 1.0, 0
    if motor is not None and motor.high - motor.low > UNSTEADY * motor.mean:
        return None, None
    for stat in (inlet, bags):
        if stat is not None and stat.high - stat.low > UNSTEADY * abs(stat.mean):
            return None, None
        if stat is not None and stat.step_rms is not None and abs(stat.mean) > LEAST_PULSE_PA:
            product *= stat.step_rms / abs(stat.mean)
            known += 1
    pulse = None if not known or product <= 0.0 else product if known == 1 else math.sqrt(product)
    if inlet is None or bags is None or not inlet.mean < -LEAST_PA or not bags.mean > LEAST_PA:
        return None, pulse
    filter_log, suction_log = math.log(bags.mean), math.log(-inlet.mean)
    return Shape(
        filter_log,
        suction_log,
        math.log(bags.mean - inlet.mean),
        math.log(motor.mean) if motor is not None and motor.mean > LEAST_A else None,
        filter_log - 0.5 * suction_log,
    ), pulse


def _known(column: list[float | None]) -> Stat | None:
    known = [value for value in column if value is not None]
    return _stat(known) if known else None


def _stat(column: list[float]) -> Stat:
    count = len(column)
    step_rms = None
    if count >= 3:
        steps = [*map(sub, column[1:], column)]
        step_rms = math.sqrt(sum(map(mul, steps, steps)) / (count - 1))
    return Stat(count, sum(column) / count, min(column), max(column), step_rms)
