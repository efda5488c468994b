"""One regularised least-squares fit to both periods at once: what they share, what changed, what was of the moment.

Maximum a posteriori by Gauss's and Newton's method on the logarithms of the stretch means; the inverse of the normal
matrix at the end is the covariance. The spread of a port's losses from run to run is not known beforehand: a few values
are weighed by how well they explain the data (their evidence), and everything that follows is the mixture. That gives
few runs the wide tails that Student's distribution gives a small sample.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from analysis.baseline.model import Baseline, bent_design
from analysis.compare.noise import scatter
from analysis.compare.stretch import Gates, Stretch
from analysis.compare.surface import BY_POWER, BY_VOLTS, FLOW, SLIP, Axis, Surface, surface
from analysis.compare.unknowns import FAN_PARTS, HOSE_SD, LEAK_UNIT_M2, Assumed, Layout, layout
from analysis.duct.design import NO_FAULTS, AsBuilt, DuctDesign, Faults
from analysis.estimator.sensors import MEASURED

Floats = npt.NDArray[np.float64]

HOSE_SDS = (0.008, 0.014, 0.025, 0.044, 0.078, 0.14, 0.25)
"""Spreads of a port's losses that are weighed."""
GROUP_SD = 0.12
"""Usual spread where a group stands for several gates: which of them stood open counts as chance (ours)."""
HOSE_PRIOR_FACTOR = 1.8
"""Standard deviation, as a factor, of that spread before anything was seen (ours)."""
_STEP = 1e-3
_LEAK_STEP = 0.3
_MOST = 9


class NotEnough(ValueError):
    """The two periods cannot be compared: the message says what is missing."""


@dataclass(frozen=True, slots=True)
class Grid:
    """One period: the surface at the present vector and its derivatives by the parts that were displaced.

    ``slopes`` is (sets, nodes, columns, places of ``layout.parts`` and ``layout.change``), in that order.
    """

    surface: Surface
    slopes: Floats


@dataclass(frozen=True, slots=True)
class Fit:
    """The end of the fit. ``at`` is the vector that the grids belong to; ``x`` and ``covariance`` are those of each spread
    of the hoses in turn, ``weight`` how probable each is, ``best`` the most probable. ``prior`` is the inverse covariance
    of the shared unknowns before the data, ``information`` what the data add to it; ``misfit`` the root mean square of the
    residuals in standard deviations; ``groups`` are the gate sets, by their number; ``dropped`` stretches that fit
    nothing."""

    design: DuctDesign
    baseline: Baseline | None
    layout: Layout
    axis: Axis
    groups: tuple[tuple[Gates, ...], ...]
    stretches: tuple[Stretch, ...]
    side: tuple[int, ...]
    before: Grid
    after: Grid
    at: Floats
    x: tuple[Floats, ...]
    covariance: tuple[Floats, ...]
    weight: Floats
    best: int
    evidence: float
    prior: Floats
    information: Floats
    misfit: float
    dropped: tuple[Stretch, ...] = ()
    steps: int = 0

    @property
    def value(self) -> Floats:
        """The most probable vector."""
        return self.x[self.best]

    @property
    def hose_sd(self) -> float:
        """Spread of a port's losses from run to run, as far as the data tell."""
        return float(np.exp(self.weight @ np.log(HOSE_SDS)))


@dataclass(frozen=True, slots=True)
class Fits:
    """One fit for each run that may have been cut into, with its probability; a single one where that was said."""

    fits: tuple[Fit, ...]
    weight: Floats

    @property
    def best(self) -> Fit:
        """The most probable one."""
        return self.fits[int(np.argmax(self.weight))]


def fit(
    design: DuctDesign, before: Sequence[Stretch], after: Sequence[Stretch], *, baseline: Baseline | None = None,
    assumed: Assumed | None = None,
) -> Fits:
    """Fit both periods. Only gate sets seen in both are used.

    Where nobody said which run was cut into, each in turn is supposed, and weighed by how well it explains the data.
    Raises :class:`NotEnough` (a ValueError) where no gate set is in both, or no channel that the design speaks of; and
    ValueError for a run or port that the design does not have.
    """
    said = assumed or Assumed()
    unknown = [*(set(said.joined) - set(design.run_names)), *(set(said.changed_ports) - set(design.port_names))]
    if unknown:
        raise ValueError(f"the drawing has no run or port {', '.join(sorted(unknown))}")
    groups = {s.group for s in before} & {s.group for s in after}
    if not before or not after:
        raise NotEnough(f"there is no usable running {'before' if not before else 'after'} the change")
    if not groups:
        raise NotEnough(
            "no gate set was used both before and after: "
            f"before {_listed(before)}; after {_listed(after)}")
    rows = [(s, 0) for s in before if s.group in groups] + [(s, 1) for s in after if s.group in groups]
    cuts = [said] if said.joined else [Assumed((name,), said.changed_ports) for name in design.run_names]
    first = _weighed([_Problem(design, baseline, rows, cut) for cut in cuts])
    strange = _Problem(design, baseline, rows, cuts[int(np.argmax(first.weight))]).strange(first.best)
    # A gate set's only stretch of a side stays: without it there would be nothing to tell of that set.
    strange = {
        i for i in strange
        if any(j not in strange and side == rows[i][1] and s.group == rows[i][0].group for j, (s, side) in enumerate(rows))}
    kept = [row for i, row in enumerate(rows) if i not in strange]
    if not strange or not {s.group for s, k in kept if k == 0} & {s.group for s, k in kept if k == 1}:
        return first
    again = _weighed([_Problem(design, baseline, kept, cut) for cut in cuts])
    dropped = tuple(rows[i][0] for i in sorted(strange))
    return Fits(tuple(replace(one, dropped=dropped) for one in again.fits), again.weight)


def _weighed(problems: Sequence[_Problem]) -> Fits:
    fits = tuple(problem.solve() for problem in problems)
    evidence = np.array([one.evidence for one in fits])
    weight = np.exp(evidence - evidence.max())
    return Fits(fits, weight / weight.sum())


def _marginal(inverse: Floats, kept: npt.NDArray[np.intp], left: npt.NDArray[np.intp]) -> Floats:
    """Inverse covariance of some unknowns when the others are left to vary (Schur's complement)."""
    cross = inverse[np.ix_(kept, left)]
    return np.asarray(inverse[np.ix_(kept, kept)] - cross @ np.linalg.solve(inverse[np.ix_(left, left)], cross.T))


def _listed(stretches: Sequence[Stretch]) -> str:
    sets = sorted({" or ".join(" and ".join(g) if g else "all gates shut" for g in s.group) for s in stretches})
    return ", ".join(sets) if sets else "nothing"


class _Problem:
    """The numbers of one fit."""

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
        self.idle = {lay.ports.start + i for i, opened in enumerate(np.atleast_1d(used)) if not opened} | {
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

    def _start(self) -> Floats:
        """The prior, with the drag of each stretch from its filter pressure and the flow that the design expects."""
        x = self.layout.mean.copy()
        centre = float(x[self.layout.drag.start])
        axis = Axis.over(centre - 0.6, centre + 1.2)
        built = AsBuilt() if self.baseline is None else self.baseline.as_built
        found = surface(self._bent(x), self.gates, axis, as_built=built)
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

    def _bent(self, x: Floats, part: int = -1, step: float = 0.0) -> DuctDesign:
        value = x[: len(FAN_PARTS)].copy()
        if 0 <= part < len(FAN_PARTS):
            value[part] += step
        base = (1.0, 1.0, 1.0) if self.baseline is None else self.baseline.fan_bend
        bends = [math.exp(value[2 + i]) * base[i] for i in range(3)]
        return bent_design(self.design, (bends[0], bends[1], bends[2]))

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
            self._bent(x), self.gates, self.axis, as_built=self._built(x, side), tilt=tilt, faults=self._faults(x, side))

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

    def solve(self) -> Fit:
        """Gauss and Newton, then the spreads of the hoses weighed."""
        x = self.start.copy()
        lay = self.layout
        sd = 1.0 / np.sqrt(np.diag(lay.precision))
        untouched = self.grid(x, 0)
        grids = (untouched, self.grid(x, 1, twin=untouched))
        steps = 0
        for steps in range(1, _MOST + 1):  # noqa: B007 (told in the fit)
            residual, slope = self.whitened(x, grids)
            normal = slope.T @ slope + lay.precision
            step = np.linalg.solve(normal, slope.T @ residual - lay.precision @ (x - lay.mean))
            step = np.clip(step, -3.0 * sd, 3.0 * sd)
            step[lay.drag_of] = np.clip(step[lay.drag_of], -0.4, 0.4)
            x = x + step
            x[lay.leaks] = np.clip(x[lay.leaks], -60.0, 60.0)
            small = float(np.max(np.abs(step[lay.shared]) / sd[lay.shared]))
            if small < 0.003:
                break
            # Most of the work is in the derivatives, and near the end they hardly change.
            far = small > 0.25
            grids = (
                self.grid(x, 0, None if far else grids[0].slopes), self.grid(x, 1, None if far else grids[1].slopes))
        grids = (self.grid(x, 0), self.grid(x, 1))
        residual, slope = self.whitened(x, grids)
        return self._weighed(x, grids, residual, slope, steps)

    def _weighed(
        self, x: Floats, grids: tuple[Grid, Grid], residual: Floats, slope: Floats, steps: int
    ) -> Fit:
        lay = self.layout
        hoses = np.arange(lay.hoses.start, lay.hoses.stop)
        target = residual + slope @ x
        data = slope.T @ slope
        pull = slope.T @ target
        vectors, covariances, evidence = [], [], []
        usual = GROUP_SD if any(len(group) > 1 for group in self.groups) else HOSE_SD
        for sd in HOSE_SDS:
            precision = lay.precision.copy()
            precision[hoses, hoses] = 1.0 / sd**2
            normal = data + precision
            vector = np.linalg.solve(normal, pull + precision @ lay.mean)
            gap = target - slope @ vector
            cost = float(gap @ gap + (vector - lay.mean) @ precision @ (vector - lay.mean))
            _, logdet = np.linalg.slogdet(normal)
            prior = -0.5 * (math.log(sd / usual) / math.log(HOSE_PRIOR_FACTOR)) ** 2
            evidence.append(prior - 0.5 * (cost + logdet) - len(hoses) * math.log(sd))
            vectors.append(vector)
            covariances.append(np.linalg.inv(normal))
        scaled = np.exp(np.array(evidence) - max(evidence))
        fixed = np.delete(np.arange(len(x)), hoses)
        _, prior_logdet = np.linalg.slogdet(lay.precision[np.ix_(fixed, fixed)])
        whole = max(evidence) + math.log(float(scaled.sum())) + 0.5 * float(prior_logdet)
        best = int(np.argmax(scaled))
        gap = target - slope @ vectors[best]
        local = np.arange(lay.shared.stop, len(x))
        shared = np.arange(lay.shared.stop)
        precision = lay.precision.copy()
        precision[hoses, hoses] = 1.0 / HOSE_SDS[best] ** 2
        normal = data + precision
        # What is of the moment is left to vary; it is tied to what is shared (a stretch's drag to its period's), also before
        # anything was seen.
        known = _marginal(precision, shared, local)
        information = _marginal(normal, shared, local) - known
        return Fit(
            self.design, self.baseline, lay, self.axis, self.groups, self.stretches, self.side, grids[0], grids[1],
            x, tuple(np.asarray(v, dtype=np.float64) for v in vectors),
            tuple(np.asarray(c, dtype=np.float64) for c in covariances), scaled / scaled.sum(), best, whole, known, information,
            math.sqrt(float(gap @ gap) / max(len(gap), 1)), steps=steps)

    def strange(self, found: Fit) -> set[int]:
        """Stretches that no hose and no weather explains: probably another gate was open. At most one in ten."""
        value, slope = self.predicted(found.value, (found.before, found.after))
        cov = found.covariance[found.best]
        scores = []
        lay = self.layout
        for i, channels in enumerate(self.channels):
            gap = self.seen[i] - value[i, channels]
            hose = [place for _, place in lay.hose_of[i]]
            size = float(np.max(np.abs(self.whiten[i] @ gap)))
            lie = max((abs(found.value[p]) / HOSE_SDS[found.best] for p in hose), default=0.0)
            scores.append((max(size / 5.0, lie / 4.0), i))
        del cov, slope
        worst = sorted(scores, reverse=True)[: len(scores) // 10]
        return {i for score, i in worst if score > 1.0}


__all__ = ["Fit", "Fits", "Grid", "NotEnough", "fit"]
