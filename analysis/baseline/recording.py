"""A baseline from frames that carry gate marks: steady stretches of each gate set, found and judged after the fact."""

from __future__ import annotations

import math
from collections.abc import Iterable

from analysis.baseline.steps import BLOCK_S, SHORTEST_S, WINDOW_S, StepData, TourData, block_mean, judge_steady
from analysis.duct.design import DuctDesign
from analysis.estimator.ambient import Ambient
from analysis.estimator.rezero import BOUNDS, Zero
from analysis.estimator.sensors import MEASURED, Sensors
from analysis.readings import Frame, RunState

SETTLE_S = 8.0
"""Left out after each change of the gates and after each start."""


class MarkedFrames:
    """Gathers steps from frames with gate marks. ``refused`` says, per gate set, why a stretch was not used, ``marked``
    whether any frame had marks at all."""

    def __init__(self, design: DuctDesign, sensors: Sensors | None = None) -> None:
        self.design = design
        self.sensors = Sensors() if sensors is None else sensors
        self._ambient = Ambient(design.air)
        self._zeros = {n: Zero(BOUNDS[n], 0.5 * self.sensors.sd[n]) for n in MEASURED if n in self.sensors.sd}
        self._density_sd = 0.03
        self.steps: dict[tuple[str, ...], StepData] = {}
        self.refused: dict[tuple[str, ...], str] = {}
        self.marked = False
        self._t = 0.0
        self._opened: tuple[str, ...] | None = None
        self._clear(0.0)

    def _clear(self, t: float) -> None:
        self._since = t
        self._end = t + SETTLE_S + BLOCK_S
        self._values: dict[str, list[float]] = {}
        self._blocks: dict[str, list[float]] = {}
        self._air: list[tuple[float, float]] = []
        self._volts: list[float] = []

    def update(self, frame: Frame) -> None:
        """Take in one frame; frames without gate marks end a stretch."""
        t = self._t = frame.t
        running = frame.state is RunState.RUNNING
        for name, zero in self._zeros.items():
            value = frame.values.get(name)
            if frame.state is RunState.OFF and value is not None:
                zero.standing(t, value)
            elif frame.state is not RunState.OFF:
                zero.running()
        opened = None
        if running and frame.gates is not None:
            gates, self.marked = frame.gates, True
            opened = tuple(p.name for p in self.design.ports if p.has_gate and gates.get(p.name, False))
        if opened != self._opened:
            self._finish()
            self._opened = opened
            self._clear(t)
        if opened is None or t < self._since + SETTLE_S:
            return
        if t >= self._end:
            for name, values in self._values.items():
                self._blocks.setdefault(name, []).append(block_mean(values))
            self._values, self._end = {}, t + BLOCK_S
        for name, zero in self._zeros.items():
            if (value := frame.values.get(name)) is not None:
                self._values.setdefault(name, []).append(value - zero.offset)
        air = self._ambient.at(frame.values)
        self._density_sd = air.density_sd
        self._air.append((air.density_ratio, air.viscosity_ratio))
        if (volts := frame.values.get("line_v")) is not None:
            self._volts.append(volts)

    def _finish(self) -> None:
        opened = self._opened
        if opened is None or not self._blocks:
            return
        longest = max(len(b) for b in self._blocks.values())
        whole = {n: b for n, b in self._blocks.items() if len(b) >= longest - 1}
        judged = judge_steady(whole, last=True)
        if not judged.steady:
            held = f"held for {self._t - self._since:.0f} s of running; {SETTLE_S + SHORTEST_S:.0f} s are needed at least"
            if opened not in self.steps:
                self.refused.setdefault(opened, held if judged.steady is None else judged.reason)
            return
        kept = self.steps.get(opened)
        seconds = longest * BLOCK_S
        if kept is not None and kept.seconds >= min(seconds, WINDOW_S):
            return
        motor = self.design.motor
        volts = None
        if self._volts and motor is not None:
            volts = math.log(sum(self._volts) / len(self._volts) / motor.voltage_v)
        n = len(self._air)
        self.steps[opened] = StepData(
            opened, self._t, seconds, judged.channels, sum(a for a, _ in self._air) / n, sum(v for _, v in self._air) / n,
            volts)
        self.refused.pop(opened, None)

    def data(self, name: str, *, clean: bool = False) -> TourData:
        """What the frames so far give."""
        self._finish()
        return TourData(
            name, self._t, tuple(self.steps.values()), {n: z.sd for n, z in self._zeros.items()}, self._density_sd, clean)


def gather(
    design: DuctDesign, frames: Iterable[Frame], name: str, *, sensors: Sensors | None = None, clean: bool = False
) -> tuple[TourData, dict[tuple[str, ...], str]]:
    """Steps from marked frames, and the gate sets that were refused with the reason.

    A stretch needs ``SHORTEST_S`` of steady running. Too few steps are told by the fit.
    """
    found = MarkedFrames(design, sensors)
    for frame in frames:
        found.update(frame)
    return found.data(name, clean=clean), found.refused


__all__ = ["SHORTEST_S", "MarkedFrames", "gather"]
