"""One joint fit of fan, ducts, leaks, motor and drag to a baseline tour, the design and its uncertainty being the
prior.

Maximum a posteriori: minimise ``sum (residual / sd)^2 + sum (factor / prior sd)^2`` over the logarithms of all factors
at once, by Levenberg and Marquardt's method (Marquardt, J. SIAM 11 (1963) 431-441). The inverse of the final normal
matrix is the covariance of what is still uncertain; the estimator uses it as it is. """

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from analysis.baseline.model import Baseline, StepSummary, bent_design
from analysis.baseline.steps import StepData, TourData
from analysis.duct.design import AsBuilt, DuctDesign
from analysis.duct.points import OperatingPoints
from analysis.duct.solve import solve_many
from analysis.estimator.response import Response
from analysis.estimator.sensors import MEASURED
from analysis.estimator.uncertain import OF_THE_DAY, SHARED, names_of, prior_sd, uncertain_parts

Floats = npt.NDArray[np.float64]

REPEAT_SD = 0.006
"""How well a flow comes back when a gate is shut and opened again, relative: hoses lie differently (ours)."""
MODEL_SD = 0.003
"""What the form of the model itself misses, relative to each reading (ours)."""
MAINS_SD = 0.015
"""Relative swing of the current with the mains during a tour, where the voltage is not measured (ours)."""
DRAG_SD = 0.6
"""How far the logarithm of the drag may lie from the clean one when the bags were not cleaned first (ours)."""
NEGLIGIBLE = 0.01
"""A gain in the sum of squares that means nothing: a tenth of a standard deviation of one factor."""
_STEP = 1e-4
_BESIDE = frozenset({"motor", "motor_tilt", "pitot", "joint", "ducts", "zero_inlet", "zero_filter"})
"""Factors that the engine's solution does not depend on."""


class FitError(ValueError):
    """The tour cannot be fitted: too few steps, or readings that no shop of this design could give."""


@dataclass(frozen=True, slots=True)
class Problem:
    """The fit as numbers: whitened residuals as a function of the vector of factors. Serves the tests as well."""

    design: DuctDesign
    steps: tuple[StepData, ...]
    names: tuple[str, ...]
    prior: Floats
    prior_mean: Floats
    channels: tuple[tuple[int, ...], ...]
    observed: tuple[Floats, ...]
    whiten: tuple[Floats, ...]
    joint: Floats
    ducts: Floats
    kept: dict[tuple[float, ...], OperatingPoints] = field(default_factory=dict, repr=False, compare=False)

    def predicted(self, x: Floats) -> tuple[Floats, Floats]:
        """Expected readings (steps, 4) in the air of each step with zeros added, and the flows (steps,)."""
        value = dict(zip(self.names, x.tolist(), strict=True))
        bends = (math.exp(value["fan_low"]), math.exp(value["fan_middle"]), math.exp(value["fan_high"]))
        design = bent_design(self.design, bends)
        points = self.solved(design, built_from(self.design, value), value)
        ratio = np.array([s.density_ratio for s in self.steps]) * math.exp(value["density"])
        y = np.full((len(self.steps), len(MEASURED)), np.nan)
        y[:, 0] = points.inlet_pa * ratio
        y[:, 1] = points.filter_pa * ratio
        motor = design.motor
        if motor is not None and points.shaft_w is not None:
            volts = np.array([motor.voltage_v * math.exp(s.log_volts or 0.0) for s in self.steps])
            current = motor.current_a(points.shaft_w * ratio, volts) * math.exp(value["motor"])
            y[:, 2] = current + value["motor_tilt"] * (current - 0.75 * motor.full_a)
        area = next(run.area_m2 for run in design.runs if run.into == "fan")
        y[:, 3] = 0.5 * points.density_kgm3 * (points.flow_m3s / area) ** 2 * ratio * math.exp(value["pitot"])
        y += self.joint * value["joint"] + self.ducts * value["ducts"]
        y[:, 0] += value["zero_inlet"]
        y[:, 1] += value["zero_filter"]
        return y, points.flow_m3s

    def solved(self, design: DuctDesign, built: AsBuilt, value: dict[str, float]) -> OperatingPoints:
        """Operating points of every step, in the design's air. The last two are kept: half of the factors move none."""
        key = tuple(v for name, v in value.items() if name not in _BESIDE)
        if key not in self.kept:
            while len(self.kept) > 1:
                del self.kept[next(iter(self.kept))]
            self.kept[key] = self._solved(design, built, value)
        return self.kept[key]

    def _solved(self, design: DuctDesign, built: AsBuilt, value: dict[str, float]) -> OperatingPoints:
        gates = np.array([[p.name in s.open_ports or not p.has_gate for p in design.ports] for s in self.steps])
        to_table = np.array([s.viscosity_ratio / s.density_ratio for s in self.steps]) * math.exp(-value["density"])
        return solve_many(design, gates, filter_drag_pasm3=math.exp(value["drag"]) * to_table, as_built=built)

    def residuals(self, x: Floats) -> Floats:
        """Whitened residuals of all readings, then of the prior: their squares are what is minimised."""
        return self.looked(x)[0]

    def looked(self, x: Floats) -> tuple[Floats, Floats]:
        """:meth:`residuals`, and the flow of each step."""
        y, flows = self.predicted(x)
        parts = [
            white @ (seen - row[list(ch)])
            for white, seen, row, ch in zip(self.whiten, self.observed, y, self.channels, strict=True)]
        return np.concatenate([*parts, (x - self.prior_mean) / self.prior]), flows

    def jacobian(self, x: Floats) -> tuple[Floats, Floats]:
        """Forward differences of :meth:`looked`: those of the residuals, and those of the flows."""
        r, flows = self.looked(x)
        columns, by_flow = [], []
        for k in range(x.size):
            moved = x.copy()
            step = _STEP * (20.0 if self.names[k].startswith("zero") else 1.0)
            moved[k] += step
            there, air = self.looked(moved)
            columns.append((there - r) / step)
            by_flow.append((air - flows) / step)
        return np.stack(columns, axis=1), np.stack(by_flow, axis=1)


def built_from(design: DuctDesign, value: dict[str, float]) -> AsBuilt:
    """The solver's factors from logarithms by name."""
    return AsBuilt(
        fan_pressure=math.exp(value["fan_pressure"]), fan_flow=math.exp(value["fan_flow"]),
        port_k={p.name: math.exp(value[f"port:{p.name}"]) for p in design.ports},
        run_k={r.name: math.exp(value[f"run:{r.name}"]) for r in design.runs},
        leak=math.exp(value["leak"]), motor_current=1.0)


def problem(design: DuctDesign, data: TourData) -> Problem:
    """Set up the fit. Raises :class:`FitError` when the steps cannot carry it."""
    steps = tuple(data.steps)
    if len(steps) < 2:
        raise FitError(f"{len(steps)} measured steps; a baseline needs two at least: all shut, and one gate open")
    unknown = {p for s in steps for p in s.open_ports} - set(design.port_names)
    if unknown:
        raise FitError(f"the tour names ports that the design does not have: {', '.join(sorted(unknown))}")
    zero = [max(data.zero_sd.get(n, d), 0.3) for n, d in (("inlet_pa", 5.0), ("filter_pa", 3.0))]
    names = (*names_of(design), "drag")
    sd = prior_sd(design, zero[0], zero[1], data.density_sd)
    clean = math.log(design.filter.clean_drag_pasm3)
    prior_mean = np.zeros(len(names))
    prior_mean[-1] = clean + (0.0 if data.clean else 0.15)
    drag_sd = design.filter.uncertainty if data.clean else DRAG_SD
    prior = np.append(sd, drag_sd)
    gates = np.array([[p.name in s.open_ports or not p.has_gate for p in design.ports] for s in steps])
    parts = uncertain_parts(design, None, zero_inlet_pa=zero[0], zero_filter_pa=zero[1], density_sd=data.density_sd)
    response = Response(design, None, parts, gates)
    column = response.column(response.node(_first_drag(design, steps)))
    channels, observed, whiten = [], [], []
    has_motor = design.motor is not None and design.fan.has_power
    for i, step in enumerate(steps):
        ch = [c for c, name in enumerate(MEASURED) if name in step.channels and (c != 2 or has_motor)]
        if not ch:
            raise FitError(f"the step with {_words(step.open_ports)} has no channel that the design speaks of")
        seen = np.array([step.channels[MEASURED[c]].mean for c in ch])
        error = np.array([step.channels[MEASURED[c]].error for c in ch])
        along = column.along[i, ch]
        noise = np.diag(error**2 + (MODEL_SD * seen) ** 2 + 0.25**2 * np.array([c != 2 for c in ch]))
        noise += REPEAT_SD**2 * np.outer(along, along)
        if 2 in ch and step.log_volts is None:
            noise[ch.index(2), ch.index(2)] += (MAINS_SD * seen[ch.index(2)]) ** 2
        channels.append(tuple(ch))
        observed.append(seen)
        whiten.append(np.linalg.inv(np.linalg.cholesky(noise)))
    whole = np.where(np.isfinite(column.to_parts), column.to_parts, 0.0)
    joint, ducts = (whole[:, :, SHARED.index(name)] for name in ("joint", "ducts"))
    return Problem(
        design, steps, names, prior, prior_mean, tuple(channels), tuple(observed), tuple(whiten), joint,
        ducts)


def _first_drag(design: DuctDesign, steps: tuple[StepData, ...]) -> float:
    return math.log(design.filter.clean_drag_pasm3) + 0.1


def solve_problem(task: Problem, most: int = 60) -> tuple[Floats, Floats, Floats]:
    """Levenberg-Marquardt: the best vector, its covariance and how the flows go with it. Raises :class:`FitError` if it does
    not settle within ``most`` steps.

    Settled means that a step gains less than ``NEGLIGIBLE`` in the sum of squares. No finer: the fan curve's second
    derivative jumps at its points, a minimum may lie on such a kink, and steps then only halve from side to side.
    """
    x = task.prior_mean.copy()
    r = task.residuals(x)
    cost = float(r @ r)
    damping = 1e-3
    jac, by_flow = task.jacobian(x)
    inverse_prior = np.diag(task.prior**-2.0)
    for _ in range(most):
        normal = jac.T @ jac
        step = np.linalg.solve(normal + damping * inverse_prior, -jac.T @ r)
        step = np.clip(step / task.prior, -4.0, 4.0) * task.prior
        trial = x + step
        moved = task.residuals(trial)
        new = float(moved @ moved)
        if not math.isfinite(new) or new > cost:
            damping = max(damping, 1e-3) * 8.0
            if damping > 1e12:
                break
            continue
        gain = cost - new
        settled = gain < NEGLIGIBLE
        x, r, cost = trial, moved, new
        damping *= 0.2
        if settled:
            # So small a step leaves the slopes as they are.
            return x, np.asarray(np.linalg.inv(jac.T @ jac), dtype=np.float64), by_flow
        jac, by_flow = task.jacobian(x)
    if damping > 1e12:
        return x, np.asarray(np.linalg.inv(jac.T @ jac), dtype=np.float64), by_flow
    raise FitError(f"the fit did not settle in {most} steps")


def fit(design: DuctDesign, data: TourData) -> Baseline:
    """Fit a baseline to a tour.

    Raises :class:`FitError` (a ValueError) for fewer than two steps, unknown ports, or a fit that does not settle.
    """
    task = problem(design, data)
    x, covariance, by_flow = solve_problem(task)
    value = dict(zip(task.names, x.tolist(), strict=True))
    y, flows = task.predicted(x)
    summaries, notes, squares, count = [], [], 0.0, 0
    flow_sd = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", by_flow, covariance, by_flow), 0.0))
    for i, step in enumerate(task.steps):
        ch = list(task.channels[i])
        white = task.whiten[i] @ (task.observed[i] - y[i, ch])
        squares += float(white @ white)
        count += len(ch)
        worst = float(np.abs(white).max())
        if worst > 4.0:
            notes.append(
                f"the step with {_words(step.open_ports)} does not fit the others ({worst:.0f} standard deviations):"
                " was another gate open, or a hose off?")
        summaries.append(StepSummary(
            step.open_ports, {n: m.mean for n, m in step.channels.items()},
            {MEASURED[c]: float(y[i, c]) for c in ch}, float(flows[i]), float(flow_sd[i])))
    kept = [i for i, name in enumerate(task.names) if name not in OF_THE_DAY]
    misfit = math.sqrt(squares / max(count, 1))
    if misfit > 2.0:
        notes.append(
            f"the readings differ from the fit by {misfit:.1f} times what they should: the drawing may be wrong somewhere")
    drag = math.exp(value["drag"])
    return Baseline(
        t=data.t, name=data.name,
        as_built=_rounded(design, value), motor_tilt=value["motor_tilt"], pitot=math.exp(value["pitot"]),
        fan_bend=(math.exp(value["fan_low"]), math.exp(value["fan_middle"]), math.exp(value["fan_high"])),
        drag_pasm3=drag, drag_sd=drag * math.sqrt(covariance[-1, -1]), clean=data.clean,
        names=tuple(task.names[i] for i in kept),
        covariance=tuple(map(tuple, covariance[np.ix_(kept, kept)].tolist())), misfit=misfit, steps=tuple(summaries),
        port_names=design.port_names, notes=tuple(notes))


def _rounded(design: DuctDesign, value: dict[str, float]) -> AsBuilt:
    built = built_from(design, value)
    return AsBuilt(
        fan_pressure=built.fan_pressure, fan_flow=built.fan_flow, port_k=built.port_k, run_k=built.run_k,
        leak=built.leak, motor_current=math.exp(value["motor"]),
        filter_drag=math.exp(value["drag"]) / design.filter.clean_drag_pasm3)


def _words(open_ports: tuple[str, ...]) -> str:
    return f"{' and '.join(open_ports)} open" if open_ports else "all gates shut"
