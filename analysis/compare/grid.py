"""The ducts of each period as a vector of unknowns has them: what the engine says of them, and its derivatives.

The engine is asked once for the vector itself and once more for each unknown that may move anything; what was asked for
the other period, or for a vector near by, is not asked again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.baseline.model import Baseline, bent_design
from analysis.compare.surface import Axis, Surface, surface
from analysis.compare.unknowns import LEAK_UNIT_M2, Layout
from analysis.duct.design import NO_FAULTS, AsBuilt, DuctDesign, Faults

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_STEP = 1e-3
_LEAK_STEP = 0.3


@dataclass(frozen=True, slots=True)
class Grid:
    """One period: the surface at the present vector and its derivatives by the parts that were displaced.

    ``slopes`` is (sets, nodes, columns, places of ``layout.parts`` and ``layout.change``), in that order.
    """

    surface: Surface
    slopes: Floats


def bent(design: DuctDesign, baseline: Baseline | None, x: Floats) -> DuctDesign:
    """The design with its fan's curve bent as the vector says, from where the baseline found it (as stated without one)."""
    base = (1.0, 1.0, 1.0) if baseline is None else baseline.fan_bend
    bends = [math.exp(x[2 + i]) * base[i] for i in range(3)]
    return bent_design(design, (bends[0], bends[1], bends[2]))


@dataclass(frozen=True, slots=True)
class Ducts:
    """What the engine is asked about: the ``gates`` of each set (sets, ports), over the drags of ``axis``.

    ``idle`` are the places of the vector that move nothing, or may not move, and need no derivative.
    """

    design: DuctDesign
    baseline: Baseline | None
    layout: Layout
    gates: Bools
    axis: Axis
    idle: frozenset[int]

    def grid(self, x: Floats, side: int, slopes: Floats | None = None, twin: Grid | None = None) -> Grid:
        """Surface and derivatives of one period; ``slopes`` of a vector near by are taken over, and of the ``twin``, the
        other period where nothing has changed yet, all that both share."""
        here = self._surface(x, side) if twin is None else twin.surface
        if slopes is not None:
            return Grid(here, slopes)
        lay = self.layout
        wanted = [*range(lay.parts.start, lay.parts.stop), *range(lay.change.start, lay.change.stop)]
        slopes = np.zeros((*here.rows.shape, len(wanted)))
        for column, place in enumerate(wanted):
            if twin is not None and place < lay.parts.stop:
                slopes[..., column] = twin.slopes[..., column]
                continue
            step = _STEP
            if lay.leaks.start <= place < lay.leaks.stop:
                # At zero the step leads to the side of the period after; before has none of it there.
                there = x[place] >= 0.0
                if there != (side == 1):
                    continue
                step = _LEAK_STEP if there else -_LEAK_STEP
            elif place >= lay.change.start and side == 0:
                continue
            if place in self.idle:
                continue
            moved = x.copy()
            moved[place] += step
            slopes[..., column] = (self._surface(moved, side).rows - here.rows) / step
        return Grid(here, slopes)

    def _built(self, x: Floats, side: int) -> AsBuilt:
        base = AsBuilt() if self.baseline is None else self.baseline.as_built
        ports = x[self.layout.ports].copy()
        runs = x[self.layout.ports.stop : self.layout.parts.stop].copy()
        if side == 1:
            ports += x[self.layout.altered]
            runs += x[self.layout.joints]
        return AsBuilt(
            fan_pressure=base.fan_pressure * math.exp(x[0]), fan_flow=base.fan_flow * math.exp(x[1]),
            port_k={
                p.name: base.port_k.get(p.name, 1.0) * math.exp(v)
                for p, v in zip(self.design.ports, ports.tolist(), strict=True)},
            run_k={
                r.name: base.run_k.get(r.name, 1.0) * math.exp(v)
                for r, v in zip(self.design.runs, runs.tolist(), strict=True)},
            leak=base.leak * math.exp(x[5]), motor_current=base.motor_current)

    def _faults(self, x: Floats, side: int) -> Faults:
        # Leakage that is there before and gone after counts as negative: the change is the same, the other way round.
        sign = 1.0 if side == 1 else -1.0
        extra = {
            run.name: sign * float(value) * LEAK_UNIT_M2
            for run, value in zip(self.design.runs, x[self.layout.leaks], strict=True) if sign * value > 1e-6}
        return Faults(leak_m2=extra) if extra else NO_FAULTS

    def _surface(self, x: Floats, side: int) -> Surface:
        tilt = float(x[6]) + (0.0 if self.baseline is None else self.baseline.motor_tilt)
        return surface(
            bent(self.design, self.baseline, x), self.gates, self.axis, as_built=self._built(x, side), tilt=tilt,
            faults=self._faults(x, side))
