"""One step of a tour being measured: frames averaged into blocks, and the blocks judged until they are steady."""

from __future__ import annotations

import math
from collections.abc import Mapping

from analysis.baseline.steps import BLOCK_S, LONGEST_S, WINDOW_S, Judged, StepData, block_mean, judge_steady
from analysis.estimator.ambient import Ambient
from analysis.estimator.rezero import Zero
from analysis.readings import Frame

SETTLE_S = 6.0
"""Left out after the owner's word: the last of the gate's movement."""


class Measuring:
    """One try at a step. ``zeros`` are taken off the readings; ``ambient`` follows the air and outlives the step.

    ``density_sd`` is how well the density was known with the last frame that counted, None before there was one.
    """

    def __init__(self, ambient: Ambient, zeros: Mapping[str, Zero]) -> None:
        self._ambient, self._zeros = ambient, zeros
        self.density_sd: float | None = None
        self._since: float | None = None
        self._blocks: dict[str, list[float]] = {}
        self._values: dict[str, list[float]] = {}
        self._block_end = 0.0
        self._volts: list[float] = []
        self._density: list[float] = []
        self._viscosity: list[float] = []

    @property
    def begun(self) -> bool:
        """Whether there was a frame yet."""
        return self._since is not None

    @property
    def progress(self) -> float:
        """How far the step is measured (0..1)."""
        count = min((len(b) for b in self._blocks.values()), default=0)
        return min(1.0, count * BLOCK_S / WINDOW_S)

    def overdue(self, t: float) -> bool:
        """Whether the step has been measured for as long as it may be."""
        return self._since is not None and t - self._since >= LONGEST_S

    def add(self, frame: Frame) -> Judged | None:
        """Take in a frame of the running fan; how the step is judged where a block ends with it, None elsewhere.

        A frame that ends the step (it is steady, or overdue) is not part of it.
        """
        t = frame.t
        if self._since is None:
            self._since = t
            self._block_end = t + SETTLE_S + BLOCK_S
        if t < self._since + SETTLE_S:
            return None
        judged = None
        if t >= self._block_end:
            self._close()
            self._block_end = t + BLOCK_S
            judged = self._judge(self.overdue(t))
            if judged.steady or self.overdue(t):
                return judged
        for name, zero in self._zeros.items():
            if (value := frame.values.get(name)) is not None:
                self._values.setdefault(name, []).append(value - zero.offset)
        air = self._ambient.at(frame.values)
        self.density_sd = air.density_sd
        self._density.append(air.density_ratio)
        self._viscosity.append(air.viscosity_ratio)
        if (volts := frame.values.get("line_v")) is not None:
            self._volts.append(volts)
        return judged

    def _close(self) -> None:
        for name, values in self._values.items():
            self._blocks.setdefault(name, []).append(block_mean(values))
        self._values = {}

    def _judge(self, last: bool) -> Judged:
        longest = max((len(b) for b in self._blocks.values()), default=0)
        # A channel that came and went is left out of the step.
        return judge_steady({n: b for n, b in self._blocks.items() if len(b) >= longest - 1}, last=last)

    def step(self, open_ports: tuple[str, ...], judged: Judged, t: float, voltage_v: float | None) -> StepData:
        """The step as judged steady at ``t`` [s]; ``voltage_v`` is the motor's own [V], None where it is not stated."""
        assert self._since is not None
        volts = None
        if self._volts and voltage_v is not None:
            volts = math.log(sum(self._volts) / len(self._volts) / voltage_v)
        return StepData(
            open_ports, t, t - self._since, judged.channels, sum(self._density) / len(self._density),
            sum(self._viscosity) / len(self._viscosity), volts)
