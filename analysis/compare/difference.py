"""Two periods -> what the change of the ducts did at each port, by the differences of like gate sets.

The shop is known within the drawing's or the baseline's uncertainty, and the run that was cut often not at all: each
possible shop and run gives its own fit (``linear.py``), and the answer is their mixture.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from analysis.baseline.model import Baseline
from analysis.compare.choosing import NotEnough, chosen, common_sets, learnt_baseline
from analysis.compare.effects import FIRST_PORT, FLOW, LEAK_STEP_CM2, Axis, Effects, effects, possible_shops
from analysis.compare.linear import BELTS, SET_CHANCE, ZERO_PA, Linear, Solved, Task, solve, surprise
from analysis.compare.mixture import Interval, Mixture
from analysis.compare.steady import Gates, Side
from analysis.duct.design import AsBuilt, DuctDesign

Floats = npt.NDArray[np.float64]

FORM_SD, INLET_FORM_SD, LEAST_SD = 0.14, 0.25, 0.0012
"""What two duct models (0.10) and the place along the run where it is cut (a tenth each way) make different of the same change
of a duct, relative to it and at least: for the inlet pressure more, since it is a small difference of large losses (ours)."""
FILTER_SD = 8e-4
"""What two models make different of the filter's part, at least (ours)."""
ODD = 8.0
"""Mean square from which a stretch was not run with the gates that were reported: a gate half open, a lid on a hood; one in
ten thousand comes so far by chance (chi-square with two or three degrees of freedom; the level is ours)."""
USUAL = 0.79
"""Median of that mean square by chance (chi-square with three degrees of freedom)."""
MISFIT, MOST_ODD = 4.0, 0.34
"""Sum of squares for each reading, and share of the running that fits nothing, from which nothing is said (ours)."""
LEAK_LEAST_CM2, LEAK_MOST_CM2 = 0.5, 40.0
"""Between these the effect of a leak is taken at its own size (ours)."""
ROUNDS, ALIKE = 4, 0.2
"""Of looking for the size of a leak, from which on its effect goes, and how near that must be to the size found."""
UNLIKELY = 5.0
"""Slips of a cold belt that are less likely by this logarithm than the best are left out."""
ODD_WORDS = "the readings changed in a way that no new run explains; perhaps a sensor, a hose, a gate or the fan was changed too"


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
    """All changes; ``seconds`` of each gate set in both periods; ``learnt`` whether the shop as built was known."""

    changes: tuple[Change, ...]
    seconds: Mapping[Gates, tuple[float, float]]
    learnt: bool


def compare_sides(
    design: DuctDesign, before: Side, after: Side, *, baseline: Baseline | None = None, joined: Sequence[str] = (),
    altered: Sequence[str] = (),
) -> Fitted:
    """Compare two periods in the shop of ``design`` (as drawn before the change). Raises :class:`NotEnough`."""
    sets = common_sets(before, after)
    for channels in ({name for s in side.stretches for name in s.mean} for side in (before, after)):
        if not {"inlet_pa", "filter_pa"} & channels:
            raise NotEnough("neither the pressure before the fan nor that over the filter was measured in both periods")
    rows = chosen(sets, before, after)
    # What the change did to a port that nobody opened follows from what it did to the others.
    sets += [(p.name,) for p in design.ports if p.has_gate and (p.name,) not in sets and p.name not in altered]
    clean = math.log(design.filter.clean_drag_pasm3)
    if baseline is not None and baseline.drag_pasm3 is not None:
        clean = math.log(baseline.drag_pasm3)
    cut = [run for run in design.run_names if run in joined] or list(design.run_names)
    gap = abs(after.began_t - before.ended_t)
    task = Task(design, sets, rows, cut, tuple(altered), Axis.over(clean - 0.9, clean + 1.8), clean, gap, max(BELTS))
    drawn = possible_shops(design, baseline)[0]
    # Few drags were seen: the rest of the axis need not be solved.
    drags = task.drags(effects(drawn, sets, task.axis, ()))
    task = replace(task, axis=Axis.over(float(drags.min()) - 0.15, float(drags.max()) + 0.15))
    task = _without_odd(task, effects(drawn, sets, task.axis, cut))
    if baseline is None:
        baseline = learnt_baseline(design, (s for side, _, s in task.rows if side == 0))
    shops = possible_shops(design, baseline)
    task, belts, steps, first = _with_leak(task, shops[0])
    found = []
    for shop in shops:
        e = first if shop is shops[0] else effects(shop, sets, task.axis, cut, steps, first)
        models = [Linear(replace(task, belt=belt), e) for belt in belts]
        found.append([(fit, _measures(model, e, k, fit)) for model in models for k, fit in enumerate(solve(model))])
    return _mixed(task, found, baseline is not None)


def _without_odd(task: Task, e: Effects) -> Task:
    """Without the stretches that were not run with the gates that were reported: on each day the one that fits worst with
    all others is left out, until none is odd."""
    whole = sum(s.seconds for _, _, s in task.rows)
    while True:
        model = Linear(task, e)
        fits = solve(model)
        best = max(range(len(fits)), key=lambda k: fits[k].evidence)
        off = surprise(model, best, fits[best].x)
        off /= max(1.0, float(np.median(off)) / USUAL)
        worst = {max(day, key=lambda i: off[i]) for day in task.days()}
        odd = {i for i in worst if off[i] > ODD}
        if not odd:
            return task
        rows = [row for i, row in enumerate(task.rows) if i not in odd]
        if sum(s.seconds for _, _, s in rows) < (1.0 - MOST_ODD) * whole or {0, 1} - {row[0] for row in rows}:
            raise NotEnough(ODD_WORDS)
        task = replace(task, rows=rows)


def _with_leak(
    task: Task, shop: tuple[DuctDesign, AsBuilt, float],
) -> tuple[Task, list[tuple[float, float]], list[float], Effects]:
    """With the size of leak that the readings speak for, the slips of a cold belt that they leave open, for each run the size
    at which a leak's effect is taken, and the effects in the most probable shop."""
    e, steps = effects(shop, task.sets, task.axis, task.cut), [LEAK_STEP_CM2] * len(task.cut)
    for _ in range(ROUNDS):
        fits = [solve(Linear(replace(task, belt=belt), e)) for belt in BELTS]
        logs = np.array([[fit.evidence for fit in row] for row in fits])
        weights = np.exp(logs - logs.max())
        squares = np.array([[fit.x[-2] ** 2 + fit.covariance[-2, -2] for fit in row] for row in fits])
        task = replace(task, leak_cm2=math.sqrt(float((weights * squares).sum() / weights.sum())))
        best = fits[int(logs.max(axis=1).argmax())]
        sizes = [min(max(abs(float(fit.x[-2])), LEAK_LEAST_CM2), LEAK_MOST_CM2) for fit in best]
        if all(abs(size / step - 1.0) < ALIKE for size, step in zip(sizes, steps, strict=True)):
            break
        steps = sizes
        e = effects(shop, task.sets, task.axis, task.cut, steps, e)
    belts = [belt for belt, row in zip(BELTS, logs, strict=True) if row.max() > logs.max() - UNLIKELY]
    return task, belts, steps, e


Parts = dict[tuple[str, str, int], tuple[float, float, float, float, float, float]]
"""By measure, place and gate set: the ducts' part and its standard deviation, the bags' part and its, and the level before
and after, all as logarithms."""


def _measures(model: Linear, e: Effects, cut: int, fit: Solved) -> Parts:
    """What one fit says of every measure."""
    task, at, x = model.task, model.at, fit.x
    # What fits worse than it should is less sure (R. T. Birge, Physical Review 40 (1932) 207-227).
    covariance = fit.covariance * max(1.0, fit.misfit)
    drag, by, chance = _mean_drags(model, cut, x)
    where, weight, _ = task.axis.weights(np.clip(np.array(drag), task.axis.nodes[0], task.axis.nodes[-1]))
    middle, _, along = task.axis.weights(np.array([0.5 * sum(drag)]))
    step, parts = drag[1] - drag[0], Parts()
    for k, opened in enumerate(task.sets):
        old, new = (w @ e.base[k, f:f + 3] for f, w in zip(where, weight, strict=True))
        by_leak, by_joint = (weight[0] @ t[cut, k, where[0]:where[0] + 3] for t in (e.leak, e.joint))
        per_drag = along[0] @ e.base[k, middle[0]:middle[0] + 3]
        names = [("inlet", "", 0), ("velocity", "", FLOW)]
        names += [("flow", p.name, FIRST_PORT + i) for i, p in enumerate(task.design.ports) if p.name in opened]
        for measure, place, column in names:
            g = np.zeros(len(x))
            g[-2], g[-1] = by_leak[column], by_joint[column]
            # Where the suction is more than the engine says, the air goes by its root.
            g[at.fan.start] = (1.0 if measure == "inlet" else 0.5) * by_leak[FLOW] * task.leak_cm2
            for i, p in enumerate(task.design.ports):
                if p.name in task.altered:
                    g[at.port.start + i] = float(weight[0] @ e.port[i, k, where[0]:where[0] + 3, column])
            duct = float(g @ x)
            form = INLET_FORM_SD if measure == "inlet" else FORM_SD
            d = float(per_drag[column]) * (by[1] - by[0])
            parts[measure, place, k] = (
                duct, math.sqrt(float(g @ covariance @ g) + LEAST_SD**2 + (form * duct) ** 2),
                float(new[column] - old[column]) if abs(step) > 1e-9 else 0.0,
                math.sqrt(
                    float(d @ covariance @ d) + FILTER_SD**2 + (chance + (0.04 * step) ** 2) * float(per_drag[column]) ** 2),
                float(old[column]), float(new[column]))
    return parts


def _mean_drags(model: Linear, cut: int, x: Floats) -> tuple[list[float], Floats, float]:
    """Logarithm of the mean drag of each period by the filter pressures, how it goes with the unknowns, and the variance of
    its difference by the scatter of the readings."""
    task, at, keep = model.task, model.at, model.at.with_cut(cut)
    drag, by, chance = [0.0, 0.0], np.zeros((2, len(x))), 0.0
    seconds, shifted = np.zeros(2), np.zeros(2)
    for z, h, _, stretches, channels in model.days:
        for j in np.flatnonzero(channels == 1):
            i = stretches[j]
            side, _, s = task.rows[i]
            b, row = float(model.slope[i, 1]), h[j].copy()
            row[[at.drag[side], at.bend]] = 0.0
            seconds[side] += s.seconds
            drag[side] += s.seconds * float(z[j]) / b
            by[side] -= s.seconds / b * row[keep]
            shifted[side] += s.seconds / b * ZERO_PA / s.mean["filter_pa"]
    for side in (0, 1):
        if not seconds[side]:
            by[side, at.drag[side]] = 1.0
            continue
        drag[side], by[side] = drag[side] / seconds[side], by[side] / seconds[side]
        chance += (shifted[side] / seconds[side]) ** 2
    for i, (side, _, s) in enumerate(task.rows):
        if "filter_pa" in s.mean:
            share = s.seconds / seconds[side] / float(model.slope[i, 1])
            chance += share**2 * (s.error["filter_pa"] ** 2 + SET_CHANCE[1] ** 2)
    return [drag[side] + float(by[side] @ x) for side in (0, 1)], by, chance


def _mixed(task: Task, found: Sequence[Sequence[tuple[Solved, Parts]]], learnt: bool) -> Fitted:
    """The mixture of all shops and runs. Raises :class:`NotEnough` where none of them comes near to the readings."""
    if min(fit.misfit for shop in found for fit, _ in shop) > MISFIT:
        raise NotEnough(ODD_WORDS)
    # Shops are weighed alike: their levels are the offsets' to explain. The runs are weighed by what they explain.
    logs = np.array([[fit.evidence for fit, _ in shop] for shop in found])
    inside = np.exp(logs - logs.max(axis=1, keepdims=True))
    weights = tuple(float(w) for w in (inside / inside.sum(axis=1, keepdims=True) / len(found)).ravel())
    area = next(run.area_m2 for run in task.design.runs if run.into == "fan")
    changes = []
    for measure, place, k in found[0][0][1]:
        rows = [parts[measure, place, k] for shop in found for _, parts in shop]
        duct, by_filter = (
            _relative(Mixture(weights, tuple(r[j] for r in rows), tuple(r[j + 1] for r in rows)).interval()) for j in (0, 2))
        old, new = (math.exp(v) / (area if measure == "velocity" else 1.0) for v in rows[0][4:])
        changes.append(Change(measure, place, task.sets[k], old, new * (1.0 + duct.value), duct, by_filter))
    seconds = dict.fromkeys(task.sets, (0.0, 0.0))
    for side, k, s in task.rows:
        two = seconds[task.sets[k]]
        seconds[task.sets[k]] = (two[0] + s.seconds * (side == 0), two[1] + s.seconds * (side == 1))
    return Fitted(tuple(changes), seconds, learnt)


def _relative(log: Interval) -> Interval:
    value, low, high = (math.expm1(v) for v in (log.value, log.low, log.high))
    return Interval(value, low, high, log.sd, log.p)
