"""Two periods -> what the change of the ducts did at each port, by the differences of like gate sets.

Everything is linear in logarithms: a reading is what the engine says of its gate set, plus an offset of the reading and
the gate set that is the same before and after, plus the drag of the bags, the air and the mains of the moment, plus, after
the change, leakage and losses at the run that was cut. Days are independent of each other but for what they share.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from analysis.baseline.fit import FitError, fit
from analysis.baseline.model import Baseline
from analysis.baseline.steps import Measured, StepData, TourData
from analysis.compare.effects import BY_POWER, BY_VOLTS, FIRST_PORT, FLOW, SLIP, Axis, Effects, effects, possible_shops
from analysis.compare.mixture import Interval, Mixture
from analysis.compare.steady import DAY_S, READINGS, Gates, Side, Stretch
from analysis.duct.design import DuctDesign

Floats = npt.NDArray[np.float64]

SHORTEST_SIDE_S = 25.0
"""Running seconds that a gate set needs on each side."""
MOST_A_DAY, MOST_SETS = 40, 24
"""The longest stretches of a day, and the gate sets used longest, are enough."""
LEAK_SD_CM2 = 6.0
"""Leakage that an added run brings: a shut gate passes 0.5 to 2 cm2, a badly cut joint ten times as much (common
practice, no source)."""
JOINT_K = 0.10
"""Loss that a saddle or tee adds to the run that was cut [velocity pressures], gate shut or not (common practice, no
source)."""
ALTERED_SD = 0.4
"""Change of the losses of a port whose own pipe, hose or hood was altered as well (ours)."""
HOSE_SD = 0.01
"""How differently a hose lies in two periods, relative to its port's losses, by the mean of many runs (ours)."""
OFFSET_SD = (0.03, 0.06, 0.15)
"""Relative error of the model's form for one gate set, by reading (ours)."""
SET_CHANCE = (0.002, 0.008, 0.004)
"""What the readings of one gate set differ by on two days for no reason that is known, by reading (ours)."""
DRAG_SD, DRAG_DAY_SD, DRAG_RUN_SD, DRAG_STEP_SD, DRAG_RATE = 0.7, 0.3, 0.03, 0.003, 6e-4
"""Logarithm of the drag: of a period against the drawing, of a day, of a run, of a stretch, and per root second."""
AIR_DAYS_SD, AIR_SEASON_SD, AIR_RUN_SD, AIR_KNOWN_SD = 0.009, 0.035, 0.008, 0.002
"""Density where it is not measured: 3 % within days, 10 % over the seasons (from the design contract)."""
BEND_SD, BEND_SHARE = 0.004, 0.05
"""How the bags' answer to more air changes between two periods, per unit of the logarithm of the flow: a little at any
time, and less of it as the cake grows, since cloth, pleats and nozzles, which lose by the square of the flow, do not (a
tenth of the clean drop; ours)."""
MAINS_SIDE_SD, MAINS_RUN_SD, MAINS_KNOWN_SD = 0.010, 0.020, 0.003
"""The line voltage where it is not measured, between two periods and between two runs: 3 % (the same)."""
TILT_SD = 1.5
"""How differently a motor answers to the line voltage at light and at full load, per unit of the logarithm of its current:
from twice the voltage's change at idle to its inverse at full load (ours)."""
ZERO_PA = 2.0
"""How far the zero of a pressure sensor may have wandered since it was last seen at standstill (ours)."""
FORM_SD, INLET_FORM_SD, LEAST_SD = 0.12, 0.25, 0.0012
"""What two duct models (0.10) and the place along the run where it is cut (up to a tenth each way, so 0.06) make different of
the same change of a duct, relative to it and at least: for the inlet pressure more,
since it is a small difference of large losses (ours)."""
FILTER_SD = 8e-4
"""What two models make different of the filter's part, at least (ours)."""
ODD = {"inlet_pa": 0.04, "filter_pa": 0.10}
"""How far a stretch may lie from others of its gate set, as a logarithm: half an open gate moves them twice as far (ours)."""
MISFIT = 4.0
"""Sum of squares for each reading from which nothing is said: on average twice what it should be (ours; the
checks of foreign shops stay below three)."""
LEAK_LEAST_CM2, LEAK_MOST_CM2 = 0.5, 40.0
"""Between these the effect of a leak is taken at its own size (ours)."""
ENOUGH_SETS = 3
"""Gate sets in one day of the period before from which the shop as built is learnt where there is no baseline."""


class NotEnough(ValueError):
    """The periods cannot be compared; the message says why."""


@dataclass(frozen=True, slots=True)
class Change:
    """One measure with one gate set. ``before`` [SI, size] as the period had it; ``duct`` what the ducts changed at the bags
    of the period before, ``filter`` what the bags then changed; ``after`` with both."""

    measure: str
    where: str
    open_ports: Gates
    before: float
    after: float
    duct: Interval
    filter: Interval


@dataclass(frozen=True, slots=True)
class Fitted:
    """All changes; ``seconds`` of each gate set on both sides; ``learnt`` whether the shop as built was known."""

    changes: tuple[Change, ...]
    seconds: Mapping[Gates, tuple[float, float]]
    learnt: bool


def common_sets(before: Side, after: Side) -> list[Gates]:
    """Gate sets with enough running on both sides, the longest first."""
    seconds: list[dict[Gates, float]] = [{}, {}]
    for k, side in enumerate((before, after)):
        for s in side.stretches:
            seconds[k][s.open_ports] = seconds[k].get(s.open_ports, 0.0) + s.seconds
    both = {g: min(v, seconds[1].get(g, 0.0)) for g, v in seconds[0].items()}
    long = sorted((g for g, v in both.items() if v >= SHORTEST_SIDE_S), key=lambda g: (len(g) > 1, -both[g], g))
    return long[:MOST_SETS]


def learnt_baseline(design: DuctDesign, before: Side) -> Baseline | None:
    """The shop as built from the day of the period before that had the most gate sets, None where that is too little."""
    days: dict[float, dict[Gates, Stretch]] = {}
    for s in before.stretches:
        day = days.setdefault(math.floor(s.t / DAY_S), {})
        if s.open_ports not in day or s.seconds > day[s.open_ports].seconds:
            day[s.open_ports] = s
    best = max(days.values(), key=len, default={})
    if len(best) < ENOUGH_SETS:
        return None
    steps = tuple(
        StepData(g, s.t, s.seconds, {
            n: Measured(-v if n == "inlet_pa" else v, v * s.error[n]) for n, v in s.mean.items()},
            s.density_ratio, s.viscosity_ratio, s.log_volts)
        for g, s in sorted(best.items(), key=lambda row: row[1].t))
    air = all(s.air_known for s in best.values())
    zero = dict.fromkeys(READINGS, 1.5)
    try:
        return fit(design, TourData("before", steps[-1].t, steps, zero, 0.003 if air else 0.03))
    except (FitError, ValueError, np.linalg.LinAlgError):
        return None


@dataclass(frozen=True, slots=True)
class _Task:
    """What all fits share: the stretches that are used with their side and gate set, and the prior."""

    design: DuctDesign
    sets: list[Gates]
    rows: list[tuple[int, int, Stretch]]
    days: list[list[int]]
    axis: Axis
    clean: float
    gap_s: float
    altered: tuple[str, ...]
    usual_volts: float

    @property
    def air_known(self) -> bool:
        return all(s.air_known for _, _, s in self.rows)

    @property
    def volts_known(self) -> bool:
        return all(s.log_volts is not None for _, _, s in self.rows)


def compare_sides(
    design: DuctDesign, before: Side, after: Side, *, baseline: Baseline | None = None, joined: Sequence[str] = (),
    altered: Sequence[str] = (),
) -> Fitted:
    """Compare two periods in the shop of ``design`` (as drawn before the change). Raises :class:`NotEnough`."""
    before, after = (replace(side, stretches=_alike(side.stretches)) for side in (before, after))
    sets = common_sets(before, after)
    if not sets:
        raise NotEnough("no gate set was in use on both sides for half a minute with its gates known")
    if not any(sets):
        raise NotEnough("only all gates shut was measured on both sides; each port needs half a minute open alone")
    seen = [{name for s in side.stretches for name in s.mean} for side in (before, after)]
    if not {"inlet_pa", "filter_pa"} & seen[0] & seen[1]:
        raise NotEnough("neither the pressure before the fan nor that over the filter was measured on both sides")
    if baseline is None:
        baseline = learnt_baseline(design, before)
    shops = possible_shops(design, baseline)
    rows, days = _chosen(sets, before, after)
    # What the change did to a port that nobody opened follows from what it did to the others.
    sets += [(p.name,) for p in design.ports if p.has_gate and (p.name,) not in sets and p.name not in altered]
    clean = math.log(design.filter.clean_drag_pasm3)
    if baseline is not None and baseline.drag_pasm3 is not None:
        clean = math.log(baseline.drag_pasm3)
    volts = [s.log_volts for _, _, s in rows if s.log_volts is not None]
    gap = abs(after.began_t - before.ended_t)
    task = _Task(
        design, sets, rows, days, Axis.over(clean - 0.9, clean + 1.8), clean, gap, tuple(altered),
        float(np.median(volts)) if volts else 0.0)
    cut = [run for run in design.run_names if run in joined] or list(design.run_names)
    total = _Total(task, cut)
    # Few drags were seen: the rest of the axis need not be solved.
    drags = total.first_drags(effects(shops[0], sets, task.axis, ()))
    task = replace(task, axis=Axis.over(float(drags.min()) - 0.3, float(drags.max()) + 0.3))
    first = effects(shops[0], sets, task.axis, cut)
    trial = _Total(task, cut)
    trial.add(first, first=True)
    steps = [min(max(abs(one), LEAK_LEAST_CM2), LEAK_MOST_CM2) for one in trial.leaks]
    total = _Total(task, cut)
    for number, shop in enumerate(shops):
        e = effects(shop, sets, task.axis, cut, steps, with_ports=number == 0)
        total.add(e, first=number == 0)
    return total.fitted(baseline is not None)


def _chosen(sets: Sequence[Gates], before: Side, after: Side) -> tuple[list[tuple[int, int, Stretch]], list[list[int]]]:
    """The longest stretches of each day, in order of time."""
    wanted = {g: k for k, g in enumerate(sets)}
    by_day: dict[tuple[int, int], list[tuple[int, int, Stretch]]] = {}
    for side, found in enumerate((before, after)):
        for s in found.stretches:
            if s.open_ports in wanted:
                by_day.setdefault((side, math.floor(s.t / DAY_S)), []).append((side, wanted[s.open_ports], s))
    rows: list[tuple[int, int, Stretch]] = []
    days = []
    for day in by_day.values():
        best = sorted(sorted(day, key=lambda row: -row[2].seconds)[:MOST_A_DAY], key=lambda row: row[2].t)
        days.append(list(range(len(rows), len(rows) + len(best))))
        rows += best
    return rows, days


def _alike(stretches: Sequence[Stretch]) -> tuple[Stretch, ...]:
    """Those whose pressures are near the median of the five of their gate set that are next in time: a gate that stands half
    open, or a lid on a hood, is another set than the switches say."""
    by_set: dict[Gates, list[Stretch]] = {}
    for s in sorted(stretches, key=lambda s: s.t):
        by_set.setdefault(s.open_ports, []).append(s)
    kept = []
    for rows in by_set.values():
        for i, s in enumerate(rows):
            first = max(0, min(i - 2, len(rows) - 5))
            near = rows[first:first + 5]
            usual = {n: float(np.median([r.mean[n] for r in near if n in r.mean])) for n in ODD if n in s.mean}
            if len(near) < 3 or all(abs(math.log(s.mean[n] / usual[n])) < ODD[n] for n in usual):
                kept.append(s)
    return tuple(kept)


class _Total:
    """The answers of all possible shops and of all runs that may have been cut, as mixtures."""

    def __init__(self, task: _Task, cut: Sequence[str]) -> None:
        self._task, self._cut = task, cut
        count, runs, ports = len(task.sets), len(cut), len(task.design.ports)
        at = 3 * count
        self.offset = slice(0, at)
        self.air, self.mains, self.drag, self.by_volts = at, at + 1, (at + 2, at + 3), at + 4
        self.bend, self.tilt = at + 5, at + 6
        self.port = slice(at + 7, at + 7 + ports)
        self.leak = slice(self.port.stop, self.port.stop + runs)
        self.joint = slice(self.leak.stop, self.leak.stop + runs)
        self.size = self.joint.stop
        self._logs: list[tuple[int, float]] = []
        self._least = math.inf
        self._parts: dict[tuple[str, str, int], list[tuple[float, float, float, float]]] = {}
        self._levels: dict[tuple[str, str, int], tuple[float, float]] = {}
        self.leaks: list[float] = []
        self._shops = 0
        self._port = np.zeros(0)

    def add(self, e: Effects, *, first: bool) -> None:
        """Fit in one possible shop."""
        task = self._task
        drags = self.first_drags(e)
        if first:
            self._port = e.port
        where, weight, along = task.axis.weights(drags)
        rows = np.array([k for _, k, _ in task.rows])
        nodes = where[:, None] + np.arange(3)[None, :]

        def near(table: Floats, by: Floats = weight) -> Floats:
            """The table (..., sets, nodes, columns) at each stretch."""
            return np.asarray(np.einsum("nk,...nkc->...nc", by, table[..., rows[:, None], nodes, :]))

        base, slope = near(e.base), near(e.base, along)
        leak, joint, port = near(e.leak), near(e.joint), near(self._port)
        precision = self._prior(drags)
        mean = self._mean(drags)
        information, pull, count = np.diag(precision), precision * mean, 0
        square = float(mean @ pull)
        for day in task.days:
            z, h, v = self._day(day, base, slope, leak, joint, port, drags)
            root = np.linalg.cholesky(v)
            white = np.linalg.solve(root, np.column_stack([z, h]))
            information = information + white[:, 1:].T @ white[:, 1:]
            pull = pull + white[:, 1:].T @ white[:, 0]
            square += float(white[:, 0] @ white[:, 0])
            count += len(z)
        self._shops += 1
        for k in range(len(self._cut)):
            keep = np.r_[0:self.leak.start, self.leak.start + k, self.joint.start + k]
            covariance = np.linalg.inv(information[np.ix_(keep, keep)])
            x = covariance @ pull[keep]
            evidence = -0.5 * (square - float(pull[keep] @ x)) + 0.5 * float(np.linalg.slogdet(covariance)[1])
            self._logs.append((k, evidence))
            # What fits worse than it should is less sure (R. T. Birge, Physical Review 40 (1932) 207-227).
            misfit = (square - float(pull[keep] @ x)) / max(count, 1)
            self._least = min(self._least, misfit)
            covariance = covariance * max(1.0, misfit)
            self._answer(e, k, x, covariance, keep, base, slope, leak[k], joint[k], port, drags, first and k == 0)

    def _mean(self, drags: Floats) -> Floats:
        mean = np.zeros(self.size)
        mean[list(self.drag)] = self._task.clean + 0.2
        mean[self.bend] = -BEND_SHARE * self._grown(drags)
        return mean

    def _grown(self, drags: Floats) -> float:
        """By how much the logarithm of the drag is larger in the period after."""
        sides = np.array([row[0] for row in self._task.rows])
        return float(np.median(drags[sides == 1]) - np.median(drags[sides == 0]))

    def _prior(self, drags: Floats) -> Floats:
        task = self._task
        sd = np.ones(self.size)
        sd[self.offset] = np.tile(OFFSET_SD, len(task.sets))
        season = AIR_SEASON_SD * math.sin(math.pi * min(task.gap_s / (365.25 * DAY_S), 0.5))
        sd[self.air] = AIR_KNOWN_SD if task.air_known else math.hypot(AIR_DAYS_SD, season)
        sd[self.mains] = MAINS_KNOWN_SD if task.volts_known else MAINS_SIDE_SD
        sd[list(self.drag)] = DRAG_SD
        sd[self.by_volts] = 0.4
        sd[self.tilt] = TILT_SD * (MAINS_KNOWN_SD if task.volts_known else MAINS_RUN_SD)
        sd[self.bend] = math.hypot(BEND_SD, BEND_SHARE * self._grown(drags))
        sd[self.port] = [ALTERED_SD if p.name in task.altered else HOSE_SD for p in task.design.ports]
        sd[self.leak] = LEAK_SD_CM2
        runs = {run.name: run for run in task.design.runs}
        sd[self.joint] = [
            JOINT_K / (0.2 + run.fittings_k + 0.02 * run.length_m / run.diameter_m) for run in map(runs.__getitem__, self._cut)]
        return np.asarray(sd**-2.0)

    def first_drags(self, e: Effects) -> Floats:
        """The drag at which the filter pressure of the engine is the one that was measured."""
        task, found = self._task, []
        nodes = task.axis.nodes
        for _, k, s in task.rows:
            value = s.mean.get("filter_pa")
            if value is None:
                found.append(task.clean + 0.1)
                continue
            row = e.base[k, :, 1]
            found.append(float(np.interp(math.log(value) - 0.5 * math.log(s.density_ratio), row, nodes)))
        for side in (0, 1):
            # With all gates shut the filter says little; the drag of the day is that of its median.
            mine = [i for i, row in enumerate(task.rows) if row[0] == side]
            middle = float(np.median([found[i] for i in mine]))
            for i in mine:
                found[i] = min(max(found[i], middle - 0.5), middle + 0.5)
        return np.asarray(np.clip(np.array(found), nodes[0] + 0.1, nodes[-1] - 0.1))

    def _day(
        self, day: list[int], base: Floats, slope: Floats, leak: Floats, joint: Floats, port: Floats, drags: Floats
    ) -> tuple[Floats, Floats, Floats]:
        """Residuals, design matrix and covariance of the readings of one day."""
        task = self._task
        z, h, noise, by_drag, by_air, by_mains, zero, at = [], [], [], [], [], [], [], []
        middle_flow = float(base[:, FLOW].max())
        middle_amps = float(np.mean([math.log(s.mean["motor_a"]) for _, _, s in task.rows if "motor_a" in s.mean] or [0.0]))
        for i in day:
            side, k, s = task.rows[i]
            power, volts = float(base[i, BY_POWER]), float(base[i, BY_VOLTS])
            for c, name in enumerate(READINGS):
                if name not in s.mean or (c == 2 and task.design.motor is None):
                    continue
                gas = (1.0, 1.0, power)[c] - float(slope[i, c])
                mains = 2.0 * SLIP * (2.0, 2.0, 3.0 * power)[c] + (volts if c == 2 else 0.0)
                log_air, log_mains = math.log(s.density_ratio), (s.log_volts or 0.0)
                row = np.zeros(self.size)
                row[3 * k + c] = 1.0
                row[self.drag[side]] = slope[i, c]
                if c == 1 and side == 1:
                    row[self.bend] = float(base[i, FLOW]) - middle_flow
                if c == 2:
                    row[self.by_volts] = log_mains - task.usual_volts if s.log_volts is not None else 0.0
                if c == 2 and side == 1:
                    row[self.tilt] = math.log(s.mean[name]) - middle_amps
                if side == 1:
                    row[self.air], row[self.mains] = gas, mains
                    row[self.port] = port[:, i, c]
                    row[self.leak], row[self.joint] = leak[:, i, c], joint[:, i, c]
                z.append(
                    math.log(s.mean[name]) - float(base[i, c]) + float(slope[i, c]) * drags[i] - gas * log_air
                    - float(slope[i, c]) * math.log(s.viscosity_ratio) - mains * log_mains)
                h.append(row)
                noise.append(s.error[name] ** 2 + SET_CHANCE[c] ** 2)
                by_drag.append(float(slope[i, c]))
                by_air.append(gas)
                by_mains.append(mains)
                zero.append([ZERO_PA / s.mean[name] if c == j else 0.0 for j in (0, 1)])
                at.append(i)
        runs = np.array([task.rows[i][2].run for i in at])
        same = (runs[:, None] == runs[None, :]).astype(np.float64)
        walk = np.zeros(len(day))
        for j in range(1, len(day)):
            earlier, later = task.rows[day[j - 1]][2], task.rows[day[j]][2]
            step = DRAG_STEP_SD**2 + DRAG_RATE**2 * max(later.t - earlier.t, 0.0) * (later.run == earlier.run)
            walk[j] = walk[j - 1] + step + (0.0 if later.run == earlier.run else DRAG_RUN_SD**2)
        place = {i: j for j, i in enumerate(day)}
        gone = walk[[place[i] for i in at]]
        d, a, m, shifted = (np.array(rows) for rows in (by_drag, by_air, by_mains, zero))
        air_sd = AIR_KNOWN_SD if task.air_known else AIR_RUN_SD
        mains_sd = MAINS_KNOWN_SD if task.volts_known else MAINS_RUN_SD
        v = (
            np.diag(noise) + shifted @ shifted.T + np.outer(d, d) * (DRAG_DAY_SD**2 + np.minimum.outer(gone, gone))
            + np.outer(a, a) * same * air_sd**2 + np.outer(m, m) * same * mains_sd**2)
        return np.array(z), np.array(h), v

    def _answer(
        self, e: Effects, cut: int, x: Floats, covariance: Floats, keep: npt.NDArray[np.intp], base: Floats, slope: Floats,
        leak: Floats, joint: Floats, port: Floats, drags: Floats, levels: bool,
    ) -> None:
        task = self._task
        n, at_leak, at_joint = len(keep), len(keep) - 2, len(keep) - 1
        mean, by, chance = [0.0, 0.0], np.zeros((2, n)), 0.0
        for side in (0, 1):
            mine = [i for i, row in enumerate(task.rows) if row[0] == side]
            seen = [i for i in mine if "filter_pa" in task.rows[i][2].mean]
            if not seen:
                by[side, self.drag[side]] = 1.0
                continue
            seconds = np.array([task.rows[i][2].seconds for i in seen])
            shifted = 0.0
            for i, w in zip(seen, seconds / seconds.sum(), strict=True):
                _, k, s = task.rows[i]
                b = float(slope[i, 1])
                mean[side] += w * (
                    drags[i] - math.log(s.viscosity_ratio)
                    + (math.log(s.mean["filter_pa"]) - float(base[i, 1]) - (1.0 - b) * math.log(s.density_ratio)) / b)
                by[side, 3 * k + 1] -= w / b
                chance += (w / b) ** 2 * (s.error["filter_pa"] ** 2 + SET_CHANCE[1] ** 2)
                shifted += w / b * ZERO_PA / s.mean["filter_pa"]
                if side == 1:
                    by[side, self.air] -= w * (1.0 - b) / b
                    by[side, self.port] -= w * port[:, i, 1] / b
                    by[side, at_leak] -= w * leak[i, 1] / b
                    by[side, at_joint] -= w * joint[i, 1] / b
            chance += shifted**2
        drag = [mean[side] + float(by[side] @ x) for side in (0, 1)]
        where, weight, _ = task.axis.weights(np.clip(np.array(drag), task.axis.nodes[0], task.axis.nodes[-1]))
        for k, opened in enumerate(task.sets):
            old, new = ((w @ e.base[k, f:f + 3]) for f, w in zip(where, weight, strict=True))
            by_leak, by_joint = (weight[0] @ t[cut, k, where[0]:where[0] + 3] for t in (e.leak, e.joint))
            step = drag[1] - drag[0]
            _, _, here = task.axis.weights(np.array([0.5 * sum(drag)]))
            middle = task.axis.weights(np.array([0.5 * sum(drag)]))[0][0]
            per_drag = here[0] @ e.base[k, middle:middle + 3]
            names = [("inlet", "", 0), ("velocity", "", FLOW)]
            names += [("flow", p.name, FIRST_PORT + i) for i, p in enumerate(task.design.ports) if p.name in opened]
            for measure, place, column in names:
                g = np.zeros(n)
                g[at_leak], g[at_joint] = by_leak[column], by_joint[column]
                for i, p in enumerate(task.design.ports):
                    if p.name in task.altered:
                        g[self.port.start + i] = float(
                            weight[0] @ self._port[i, k, where[0]:where[0] + 3, column])
                duct = float(g @ x)
                d = float(per_drag[column]) * (by[1] - by[0])
                self._parts.setdefault((measure, place, k), []).append((
                    duct, math.sqrt(
                        float(g @ covariance @ g) + LEAST_SD**2
                        + ((INLET_FORM_SD if measure == "inlet" else FORM_SD) * duct) ** 2),
                    float(new[column] - old[column]) if abs(step) > 1e-9 else 0.0,
                    math.sqrt(
                        float(d @ covariance @ d) + FILTER_SD**2 + (chance + (0.04 * step) ** 2) * float(per_drag[column]) ** 2)))
                if levels:
                    self._levels[measure, place, k] = (float(old[column]), float(new[column]))
                else:
                    self._levels.setdefault((measure, place, k), (float(old[column]), float(new[column])))
        self.leaks.append(float(x[at_leak]))

    def fitted(self, learnt: bool) -> Fitted:
        """The mixture of all. Raises :class:`NotEnough` where none of them comes near to the readings."""
        if self._least > MISFIT:
            raise NotEnough(
                "the readings changed as no new run changes them; is a sensor, a hose, a gate or the fan another one")
        task, runs = self._task, len(self._cut)
        logs = np.array([v for _, v in self._logs]).reshape(self._shops, runs)
        # Shops are weighed alike: their levels are the offsets' to explain. The runs are weighed by what they explain.
        inside = np.exp(logs - logs.max(axis=1, keepdims=True))
        weights = (inside / inside.sum(axis=1, keepdims=True) / self._shops).ravel()
        told = tuple(float(w) for w in weights)
        area = {}
        for run in task.design.runs:
            if run.into == "fan":
                area["velocity"] = run.area_m2
        changes = []
        for (measure, place, k), rows in self._parts.items():
            duct, by_filter = (
                _relative(Mixture(told, tuple(r[j] for r in rows), tuple(r[j + 1] for r in rows)).interval())
                for j in (0, 2))
            old, new = (math.exp(v) / (area.get("velocity", 1.0) if measure == "velocity" else 1.0)
                        for v in self._levels[measure, place, k])
            changes.append(Change(
                measure, place, task.sets[k], old, new * (1.0 + duct.value), duct, by_filter))
        seconds = {
            g: tuple(sum(s.seconds for side, k, s in task.rows if side == want and task.sets[k] == g) for want in (0, 1))
            for g in task.sets}
        return Fitted(tuple(changes), {g: (v[0], v[1]) for g, v in seconds.items()}, learnt)


def _relative(log: Interval) -> Interval:
    value, low, high = (math.expm1(v) for v in (log.value, log.low, log.high))
    return Interval(value, low, high, log.sd, log.p)
