"""From the fit to what the owner asked: each measure before and after, with what explains its change.

A change is taken apart along one path: the ducts change at the bags and in the air of the period before, then the bags
load, then air and mains become those of the period after. The parts are logarithms, so they add up exactly.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from analysis.baseline.model import bent_design
from analysis.compare.fitted import Fit, Fits
from analysis.compare.grid import Grid
from analysis.compare.mixture import Interval, Mixture, together
from analysis.compare.stretch import Gates
from analysis.compare.surface import FIRST_PORT, FLOW, SLIP
from analysis.duct.design import FAN

Floats = npt.NDArray[np.float64]
MeasureName = Literal["inlet static pressure", "flow", "velocity"]

FORM_SD = 0.10
"""What two duct models, or two handbooks, make different of the same change of a duct, relative to it (ours; held
against an independent model of the plant in the benchmark)."""
CLAIM_P = 0.05
"""A change is claimed where its probability, corrected for all claims together, is below this."""
PARTS = ("duct", "filter", "air", "mains")


@dataclass(frozen=True, slots=True)
class MeasureChange:
    """One measure with one gate set, before and after.

    ``before`` and ``after`` [SI: size of the pressure Pa, m3/s, m/s] as the period had it; ``total`` the relative change
    and its parts ``duct``, ``filter``, ``air``, ``mains`` (logarithms turned into relative changes each: they multiply).
    ``p`` is the duct part's, corrected for all claims of the comparison; ``claimed`` whether it is below 5 %.
    """

    measure: MeasureName
    where: str
    open_ports: Gates
    group: tuple[Gates, ...]
    before: float
    after: float
    total: Interval
    duct: Interval
    filter: Interval
    air: Interval
    mains: Interval
    p: float = 1.0

    @property
    def claimed(self) -> bool:
        """Whether a change of the duct's making is claimed."""
        return self.p < CLAIM_P


@dataclass(frozen=True, slots=True)
class SetJudged:
    """One gate set: running seconds and runs on both sides, and its measures."""

    open_ports: Gates
    group: tuple[Gates, ...]
    seconds: tuple[float, float]
    runs: tuple[int, int]
    changes: tuple[MeasureChange, ...]


@dataclass(frozen=True, slots=True)
class ChartPoint:
    """A point in the fan's chart: ``flow_m3s`` and ``static_pa``, the fan's static pressure rise, in the design's air."""

    flow_m3s: float
    static_pa: float
    words: str = ""


def fan_line(found: Fits, number: int) -> tuple[tuple[ChartPoint, ...], tuple[ChartPoint, ...]]:
    """The fan's curve as fitted, and three operating points of gate set ``number``: before, with the ducts changed and
    the bags as before, and after."""
    best = found.best
    place = Place(best, number)
    earlier, later = (place.mean_drag[side] + place.shift[0] for side in (0, 1))
    points = tuple(
        _fan_point(place, grid, log_drag, words) for grid, log_drag, words in (
            (best.before, earlier, "before"), (best.after, earlier, "ducts changed"), (best.after, later, "after")))
    pressure, stretch = math.exp(best.at[0]), math.exp(best.at[1])
    known = (1.0, 1.0, 1.0)
    if best.baseline is not None:
        pressure *= best.baseline.as_built.fan_pressure
        stretch *= best.baseline.as_built.fan_flow
        known = best.baseline.fan_bend
    bends = [k * math.exp(v) for k, v in zip(known, best.at[2:5].tolist(), strict=True)]
    fan = bent_design(best.design, (bends[0], bends[1], bends[2])).fan
    density = best.design.air.density_kgm3
    motor, curve = best.design.motor, []
    for q in np.linspace(0.0, fan.free_flow_m3s() * stretch, 49).tolist():
        static = pressure * fan.pressure_scalar(q / stretch, 1.0, density)[0]
        watts = fan.power_scalar(q / stretch, 1.0, density)
        slower = 0.0 if motor is None or watts is None else SLIP * (watts * pressure * stretch / motor.power_w - 1.0)
        curve.append(ChartPoint(q * (1.0 - slower), static * (1.0 - 2.0 * slower)))
    return tuple(curve), points


def _fan_point(place: Place, grid: Grid, log_drag: float, words: str) -> ChartPoint:
    inlet, filter_pa, flow = (math.exp(place.look(grid, log_drag, column)[0]) for column in (0, 1, FLOW))
    design = place.found.design
    area = next(run.area_m2 for run in design.runs if run.into == FAN)
    velocity_pa = 0.5 * design.air.density_kgm3 * (flow / area) ** 2
    return ChartPoint(flow, inlet - velocity_pa + filter_pa, words)


@dataclass(frozen=True, slots=True)
class _Sum:
    """A number with its derivatives by the vector of the fit."""

    value: float
    slope: Floats


def judge(found: Fits, form_sd: float = FORM_SD) -> tuple[SetJudged, ...]:
    """Every gate set of the fits. The claims are corrected together, as far as they are claims of their own: one leak
    moves every pressure and flow of the shop."""
    sets = [_set(found, number, form_sd) for number in range(len(found.best.groups))]
    flat = [change for one in sets for change in one.changes]
    best = found.best
    slopes = np.array([slope for number in range(len(best.groups)) for _, slope in duct_slopes(best, number).values()])
    adjusted = together([change.duct.p for change in flat], slopes @ best.covariance[best.best] @ slopes.T)
    at = 0
    corrected = []
    for one in sets:
        changes = tuple(replace(c, p=p) for c, p in zip(one.changes, adjusted[at : at + len(one.changes)], strict=True))
        at += len(one.changes)
        corrected.append(replace(one, changes=changes))
    return tuple(corrected)


def duct_slopes(found: Fit, number: int) -> Mapping[tuple[MeasureName, str], tuple[float, Floats]]:
    """The duct's part of each measure of gate set ``number``: value and derivatives by the whole vector."""
    place = Place(found, number)
    return {
        key: ((part := place.parts(column, kind)["duct"]).value, part.slope)
        for key, column, kind in place.measures()}


def _set(found: Fits, number: int, form_sd: float) -> SetJudged:
    places = [Place(one, number) for one in found.fits]
    best = places[int(np.argmax(found.weight))]
    one = best.found
    mine = [(s, k) for s, k, n in zip(one.stretches, one.side, best.set_of, strict=True) if n == number]
    seconds = [sum(s.seconds for s, k in mine if k == side) for side in (0, 1)]
    runs = [len({s.run for s, k in mine if k == side}) for side in (0, 1)]
    changes = []
    for (measure, where), column, kind in best.measures():
        parts = [place.parts(column, kind) for place in places]
        # What the model's form may be wrong by goes with the duct's part, in the total as well.
        form = [form_sd * abs(p["duct"].value) for p in parts]
        none = [0.0] * len(parts)
        told = {
            name: _mixture(found, [p[name] for p in parts], form if name == "duct" else none).mapped().interval()
            for name in PARTS}
        sums = [
            _Sum(sum(p.value for p in ps.values()), np.sum([p.slope for p in ps.values()], axis=0)) for ps in parts
        ]
        total = _mixture(found, sums, form).mapped().interval()
        level = best.level(column, kind)
        changes.append(MeasureChange(
            measure, where, one.groups[number][0], one.groups[number], level, level * (1.0 + total.value), total, told["duct"],
            told["filter"], told["air"], told["mains"]))
    return SetJudged(one.groups[number][0], one.groups[number], (seconds[0], seconds[1]), (runs[0], runs[1]), tuple(changes))


def _mixture(found: Fits, parts: Sequence[_Sum], form: Sequence[float]) -> Mixture:
    """Distribution of a sum, over the fits and over the spreads of the hoses in each."""
    weights, means, sds = [], [], []
    for one, whole, part, extra in zip(found.fits, found.weight.tolist(), parts, form, strict=True):
        for share, x, covariance in zip(one.weight.tolist(), one.x, one.covariance, strict=True):
            weights.append(whole * share)
            means.append(part.value + float(part.slope @ (x - one.at)))
            sds.append(math.sqrt(max(float(part.slope @ covariance @ part.slope) + extra * extra, 1e-18)))
    return Mixture(tuple(weights), tuple(means), tuple(sds))


class Place:
    """One gate set within a fit."""

    def __init__(self, found: Fit, number: int) -> None:
        self.found, self.number = found, number
        self.set_of = [found.groups.index(s.group) for s in found.stretches]
        self.mean_drag = [self._mean(side, found.at[found.layout.drag_of]) for side in (0, 1)]
        shift = np.log([s.viscosity_ratio / s.density_ratio for s in found.stretches])
        self.shift = [self._mean(side, shift) for side in (0, 1)]

    def _weights(self, side: int) -> Floats:
        seconds = np.array([
            s.seconds if k == side and n == self.number else 0.0
            for s, k, n in zip(self.found.stretches, self.found.side, self.set_of, strict=True)])
        return np.asarray(seconds / seconds.sum())

    def _mean(self, side: int, values: Floats) -> float:
        return float(self._weights(side) @ values)

    def _vector(self, side: int, places: Sequence[int] | npt.NDArray[np.intp]) -> Floats:
        """Derivatives of the mean of something that each stretch has at a place of its own."""
        slope = np.zeros(len(self.found.at))
        np.add.at(slope, places, self._weights(side))
        return slope

    def measures(self) -> list[tuple[tuple[MeasureName, str], int, str]]:
        """What is told of this gate set: (measure, where), column of the surface, kind."""
        design = self.found.design
        last = next(run.name for run in design.runs if run.into == FAN)
        told: list[tuple[tuple[MeasureName, str], int, str]] = []
        group = self.found.groups[self.number]
        for i, port in enumerate(design.ports):
            if port.name not in group[0]:
                continue
            if len(group) == 1:
                told.append((("flow", port.name), FIRST_PORT + i, "flow"))
            elif all(len(gates) == 1 for gates in group):
                # Nobody knows which of them it was: the flow is that of the one that stood open.
                told.append((("flow", " or ".join(gates[0] for gates in group)), FIRST_PORT + i, "flow"))
        told.append((("inlet static pressure", ""), 0, "pressure"))
        told.append((("velocity", last), FLOW, "flow"))
        return told

    def look(self, grid: Grid, log_drag: float, column: int) -> tuple[float, Floats, float]:
        """A column of a surface at a drag of the table: value, derivatives by the vector, and by the drag."""
        found = self.found
        first, weight, along = found.axis.weights(np.array([log_drag]))
        node = slice(int(first[0]), int(first[0]) + 3)
        rows = grid.surface.rows[self.number, node, column]
        lay = found.layout
        slope = np.zeros(len(found.at))
        moved = [*range(lay.parts.start, lay.parts.stop), *range(lay.change.start, lay.change.stop)]
        slope[moved] = weight[0] @ grid.slopes[self.number, node, column]
        return float(weight[0] @ rows), slope, float(along[0] @ rows)

    def parts(self, column: int, kind: str) -> dict[str, _Sum]:
        """Duct, filter, air and mains: logarithms that add up to the change."""
        found, lay = self.found, self.found.layout
        earlier, later = (self.mean_drag[side] + self.shift[0] for side in (0, 1))
        drag = [self._vector(side, lay.drag_of) for side in (0, 1)]
        a, a_x, a_s = self.look(found.before, earlier, column)
        b, b_x, b_s = self.look(found.after, earlier, column)
        c, c_x, c_s = self.look(found.after, later, column)
        # The air of the period after changes what the bags' drag amounts to, and every pressure.
        gas = _Sum(0.0, np.zeros(len(found.at)))
        for side, sign in ((0, -1.0), (1, 1.0)):
            value = np.log([s.density_ratio for s in found.stretches])
            whole = self._mean(side, value + found.at[lay.day_of] + found.at[lay.air_of])
            whole += float(found.at[lay.density.start + side])
            slope = self._vector(side, lay.day_of) + self._vector(side, lay.air_of)
            slope[lay.density.start + side] += 1.0
            gas = _Sum(gas.value + sign * whole, gas.slope + sign * slope)
        mains = _Sum(0.0, np.zeros(len(found.at)))
        for side, sign in ((0, -1.0), (1, 1.0)):
            volts = np.array([s.log_volts or 0.0 for s in found.stretches])
            whole = self._mean(side, volts + found.at[lay.volts_of]) + float(found.at[lay.volts.start + side])
            slope = self._vector(side, lay.volts_of)
            slope[lay.volts.start + side] += 1.0
            mains = _Sum(mains.value + sign * whole, mains.slope + sign * slope)
        thinner = self.shift[1] - self.shift[0]
        power = 1.0 if kind == "pressure" else 0.0
        speed = 2.0 * SLIP * (2.0 if kind == "pressure" else 1.0)
        return {
            "duct": _Sum(b - a, b_x - a_x + (b_s - a_s) * drag[0]),
            "filter": _Sum(c - b, c_x - b_x + c_s * drag[1] - b_s * drag[0]),
            "air": _Sum(power * gas.value + c_s * thinner, power * gas.slope + 0.0 * c_x),
            "mains": _Sum(speed * mains.value, speed * mains.slope),
        }

    def level(self, column: int, kind: str) -> float:
        """The measure in the period before [SI]."""
        found, lay = self.found, self.found.layout
        value = self.look(found.before, self.mean_drag[0] + self.shift[0], column)[0]
        if kind == "pressure":
            ratio = np.log([s.density_ratio for s in found.stretches])
            value += self._mean(0, ratio + found.at[lay.day_of] + found.at[lay.air_of])
            value += float(found.at[lay.density.start])
        if column == FLOW:
            area = next(run.area_m2 for run in found.design.runs if run.into == FAN)
            return math.exp(value) / area
        return math.exp(value)
