"""The numbers of one fit: what was measured in the stretches, what a vector expects there, and the difference.

A reading is compared by its logarithm. The residuals are whitened: divided by the scatter of the means, so that a number
of one is a standard deviation.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from analysis.baseline.model import Baseline
from analysis.compare.grid import Ducts, Grid, bent
from analysis.compare.noise import scatter
from analysis.compare.stretch import Stretch
from analysis.compare.surface import BY_POWER, BY_VOLTS, FLOW, SLIP, Axis, surface
from analysis.compare.unknowns import Assumed, layout
from analysis.duct.design import AsBuilt, DuctDesign
from analysis.estimator.sensors import MEASURED

Floats = npt.NDArray[np.float64]


class NotEnough(ValueError):
    """The two periods cannot be compared: the message says what is missing."""


class Problem:
    """One fit: ``rows`` are the stretches, each with its side (0 before, 1 after); gate sets of one side only are left out.

    Raises :class:`NotEnough` for a stretch without any reading that the design speaks of.
    """

    def __init__(
        self, design: DuctDesign, baseline: Baseline | None, rows: Sequence[tuple[Stretch, int]], assumed: Assumed
    ) -> None:
        self.design, self.baseline = design, baseline
        both = {s.group for s, k in rows if k == 0} & {s.group for s, k in rows if k == 1}
        rows = [row for row in rows if row[0].group in both]
        self.stretches = tuple(s for s, _ in rows)
        self.side = tuple(k for _, k in rows)
        self.groups = tuple(dict.fromkeys(s.group for s in self.stretches))
        self.set_of = np.array([self.groups.index(s.group) for s in self.stretches])
        self.side_of = np.array(self.side)
        self.layout = layout(design, baseline, self.stretches, self.side, len(self.groups), assumed)
        self.gates = np.array(
            [[port.name in opened or not port.has_gate for port in design.ports] for opened, *_ in self.groups])
        used = self.gates.any(axis=0)
        lay = self.layout
        # What moves nothing, or may not move, needs no derivative: ports that stayed shut, ports that were not altered.
        idle = {lay.ports.start + i for i, opened in enumerate(np.atleast_1d(used)) if not opened} | {
            place for place in range(lay.altered.start, lay.altered.stop) if lay.precision[place, place] > 1e6}
        has_motor = design.motor is not None and design.fan.has_power
        noise = scatter(self.stretches)
        self.log_volts = np.array([s.log_volts or 0.0 for s in self.stretches])
        self.usual_volts = float(self.log_volts.mean())
        self.channels: list[list[int]] = []
        self.seen: list[Floats] = []
        self.whiten: list[Floats] = []
        for s in self.stretches:
            usable = [
                c for c, name in enumerate(MEASURED)
                if name in s.blocks and abs(s.mean(name)) > 1e-9 and (c != 2 or has_motor)]
            if not usable:
                raise NotEnough("neither pressure nor current was measured in a way that the drawing speaks of")
            self.channels.append(usable)
            self.seen.append(np.log([abs(s.mean(MEASURED[c])) for c in usable]))
            self.whiten.append(np.linalg.inv(np.linalg.cholesky(noise.of_mean(s, usable))))
        self.log_density = np.log([s.density_ratio for s in self.stretches])
        self.log_viscosity = np.log([s.viscosity_ratio for s in self.stretches])
        self.start = self._start()
        drags = self.start[self.layout.drag_of]
        shift = self.log_viscosity - self.log_density
        self.axis = Axis.over(float(np.min(drags + shift)) - 0.15, float(np.max(drags + shift)) + 0.15)
        self.ducts = Ducts(design, baseline, lay, self.gates, self.axis, frozenset(idle))

    def _start(self) -> Floats:
        """The prior, with the drag of each stretch from its filter pressure and the flow that the design expects."""
        x = self.layout.mean.copy()
        centre = float(x[self.layout.drag.start])
        axis = Axis.over(centre - 0.6, centre + 1.2)
        built = AsBuilt() if self.baseline is None else self.baseline.as_built
        found = surface(bent(self.design, self.baseline, x), self.gates, axis, as_built=built)
        for i, s in enumerate(self.stretches):
            if "filter_pa" not in s.blocks:
                continue
            log_drag = centre
            for _ in range(6):
                first, weight, _ = axis.weights(np.array([np.clip(log_drag, *axis.nodes[[0, -1]])]))
                node = slice(int(first[0]), int(first[0]) + 3)
                flow = float(weight[0] @ found.rows[self.set_of[i], node, FLOW])
                log_drag = math.log(max(s.mean("filter_pa"), 1.0)) - flow - float(self.log_viscosity[i])
            x[self.layout.drag_of[i]] = float(np.clip(log_drag, centre - 2.0, centre + 3.0))
        return x

    def predicted(self, x: Floats, grids: tuple[Grid, Grid]) -> tuple[Floats, Floats]:
        """Logarithms of the readings (stretches, 4) and their derivatives (stretches, 4, places)."""
        lay = self.layout
        n = len(self.stretches)
        value, slope = np.zeros((n, 4)), np.zeros((n, 4, len(x)))
        gas = (
            self.log_density + x[lay.density][self.side_of] + x[lay.day_of] + x[lay.air_of])
        mains = self.log_volts + x[lay.volts][self.side_of] + x[lay.volts_of]
        log_drag = x[lay.drag_of]
        first, weight, along = self.axis.weights(log_drag + self.log_viscosity - gas)
        speed = 2.0 * SLIP * mains
        moved = [*range(lay.parts.start, lay.parts.stop), *range(lay.change.start, lay.change.stop)]
        for i in range(n):
            grid = grids[self.side[i]]
            node = slice(int(first[i]), int(first[i]) + 3)
            rows = grid.surface.rows[self.set_of[i], node, :4]
            base, by_drag = weight[i] @ rows, along[i] @ rows
            power, volts = (weight[i] @ grid.surface.rows[self.set_of[i], node, BY_POWER : BY_VOLTS + 1]).tolist()
            by_gas = np.array([1.0, 1.0, power, 1.0])
            by_speed = np.array([2.0, 2.0, 3.0 * power, 2.0])
            value[i] = base + by_gas * gas[i] + by_speed * speed[i]
            # Filter pressure at the drag of the table is that at the stretch's own, carried over by density alone.
            value[i, 2] += volts * mains[i]
            row = slope[i]
            near = np.einsum("k,kcj->cj", weight[i], grid.slopes[self.set_of[i], node, : BY_VOLTS + 1])
            row[:, moved] = near[:4]
            # The current's own answer to power and voltage is one of the uncertain things.
            row[2, moved] += near[BY_POWER] * (gas[i] + 3.0 * speed[i]) + near[BY_VOLTS] * mains[i]
            for place in (lay.density.start + self.side[i], lay.day_of[i], lay.air_of[i]):
                row[:, place] += by_gas - by_drag
            for place in (lay.volts.start + self.side[i], lay.volts_of[i]):
                row[:, place] += 2.0 * SLIP * by_speed
                row[2, place] += volts
            row[:, lay.drag_of[i]] += by_drag
            for port, place in lay.hose_of[i]:
                by_hose = row[:, lay.ports.start + port].copy()
                row[:, place] += by_hose
                value[i] += by_hose * x[place]
            # How a current answers to the mains is the motor's own, and alike in all that it does.
            row[2, lay.by_volts] = self.log_volts[i] - self.usual_volts
            value[i, 2] += row[2, lay.by_volts] * x[lay.by_volts]
            for c in range(4):
                place = lay.offset.start + 4 * int(self.set_of[i]) + c
                row[c, place] += 1.0
                value[i, c] += x[place]
        return value, slope

    def whitened(self, x: Floats, grids: tuple[Grid, Grid]) -> tuple[Floats, Floats]:
        """Residuals in standard deviations, all readings one after the other, and their derivatives."""
        value, slope = self.predicted(x, grids)
        residuals, slopes = [], []
        for i, (channels, seen, white) in enumerate(zip(self.channels, self.seen, self.whiten, strict=True)):
            residuals.append(white @ (seen - value[i, channels]))
            slopes.append(white @ slope[i, channels])
        return np.concatenate(residuals), np.concatenate(slopes)
