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

from analysis.estimates import Estimate
from analysis.readings import Frame, Quality, RunState

BLOCK_S = 10.0


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


@dataclass(frozen=True, slots=True)
class Block:
    """Consecutive frames of one run state.

    ``began_t``/``t`` event time of the first and last frame; ``seconds`` of event time it stands for (a gap counts
    nothing); ``stats`` per channel; ``bad`` per channel how many frames lacked it and why; ``estimate`` the last one;
    ``flow``, ``drag`` moments of the estimates; ``gates_moved`` whether the estimated or reported gates changed within
    it; ``started`` whether the fan was switched on at its beginning; ``heat_a2s`` the integral of the squared current.
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
    first = estimates[0]
    currents = columns.get("motor_a")
    return Block(
        began_t=frames[0].t,
        t=last.t,
        seconds=frame_s * len(frames),
        frames=len(frames),
        state=last.state,
        run_s=last.run_s,
        started=started,
        stats={channel: _stat(column) for channel, column in columns.items()},
        bad=bad,
        estimate=final,
        gates=last.gates,
        gates_moved=first.gates != final.gates or frames[0].gates != last.gates,
        flow=_known([e.flow_m3s for e in estimates]),
        drag=_known([e.filter_drag for e in estimates]),
        heat_a2s=None if currents is None else frame_s * sum([a * a for a in currents]),
    )


def _known(column: list[float | None]) -> Stat | None:
    known = [value for value in column if value is not None]
    return _stat(known) if known else None


def _stat(column: list[float]) -> Stat:
    count = len(column)
    step_rms = None
    if count >= 3:
        total = 0.0
        before = column[0]
        for value in column:
            step = value - before
            total += step * step
            before = value
        step_rms = math.sqrt(total / (count - 1))
    return Stat(count, sum(column) / count, min(column), max(column), step_rms)
