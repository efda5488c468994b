"""Changes of the ducts that nobody wrote down: when, how sure of the date, and how large.

Each stretch gives the resistance of the ducts against what the design (or the baseline) expects of its gate set, at the
drag that the bags had then: so the filter is taken out. The gate sets have levels of their own; what is common to them
and steps is a change.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.baseline.model import Baseline
from analysis.compare.mixture import Interval
from analysis.compare.noise import scatter
from analysis.compare.resample import welch
from analysis.compare.stretch import Stretch
from analysis.compare.surface import BY_POWER, BY_VOLTS, Axis, Surface, surface
from analysis.compare.unknowns import DAY_K, HOURS_K, MAINS_RUN_SD, MAINS_SENSED_SD, SENSED_SD, TILT_SD, WEATHER_SD, YEAR_K
from analysis.duct.design import AsBuilt, DuctDesign
from analysis.estimator.sensors import MEASURED
from analysis.events import EventKind, ShopEvent
from analysis.stats.correlated import ar1_effective_size, autocorrelation

Floats = npt.NDArray[np.float64]

SHORTEST = 4
"""Stretches that a level must have on either side."""
DATE_LIMIT = 7.36
"""Twice the log likelihood ratio that holds the true date in 95 % of cases: ``-2 ln(1 - sqrt(0.95))``, since the
likelihood falls away from the true date as two independent Brownian motions with drift, whose largest excess is
exponential on either side (D. V. Hinkley, Biometrika 57 (1970) 1-17; D. Siegmund, SIAM Review 30 (1988) 182-199)."""
PENALTY = 3.0
"""Cost of a change in units of ``variance * ln n``: the leading term of the modified Bayesian criterion for an unknown
number of changes of a mean (N. R. Zhang and D. O. Siegmund, Biometrics 63 (2007) 22-32)."""
ROUNDS = 12


@dataclass(frozen=True, slots=True)
class Departure:
    """One stretch: logarithm of the duct's resistance over what is expected of it, with its standard deviation."""

    t: float
    group: tuple[tuple[str, ...], ...]
    value: float
    sd: float


@dataclass(frozen=True, slots=True)
class Split:
    """A step in a row of numbers: the new level begins at ``at`` (counted from 0); ``low`` to ``high`` holds the true
    beginning in 95 % of cases; ``step`` is the change of the level."""

    at: int
    low: int
    high: int
    step: Interval


@dataclass(frozen=True, slots=True)
class FoundChange:
    """A change of the ducts. ``began_t`` to ``ended_t`` is where it lies most probably (between two stretches),
    ``earliest_t`` to ``latest_t`` where it lies in 95 % of cases; ``resistance`` its relative change."""

    began_t: float
    ended_t: float
    earliest_t: float
    latest_t: float
    resistance: Interval
    stretches: tuple[int, int]

    def words(self) -> str:
        """What it may be."""
        size = f"{abs(100.0 * self.resistance.value):.0f} %"
        if self.resistance.value < 0.0:
            return f"the ducts resist {size} less: an added run, a leak, or a gate that does not shut"
        return f"the ducts resist {size} more: something in the way, a crushed hose, or a run taken out"

    def event(self) -> ShopEvent:
        """The entry that the journal is offered."""
        return ShopEvent(0.5 * (self.began_t + self.ended_t), EventKind.CHANGED, "ductwarden", self.words())


def departures(design: DuctDesign, stretches: Sequence[Stretch], baseline: Baseline | None = None) -> list[Departure]:
    """The departure of every stretch, in time order. Stretches without the pressures or the current are left out.

    For each, a small least-squares fit for the resistance of all ducts, the drag, the air and the mains of the moment.
    """
    rows = sorted((s for s in stretches if {"inlet_pa", "filter_pa"} <= set(s.blocks)), key=lambda s: s.t)
    if not rows:
        return []
    sets = list(dict.fromkeys(s.open_ports for s in rows))
    gates = np.array([[p.name in opened or not p.has_gate for p in design.ports] for opened in sets])
    base = AsBuilt() if baseline is None else baseline.as_built
    drawn = design if baseline is None else baseline.design_as_built(design)
    tilt = 0.0 if baseline is None else baseline.motor_tilt
    clean = math.log(design.filter.clean_drag_pasm3)
    axis = Axis.over(clean - 1.2, clean + 2.0)
    step = 0.05
    tables = [
        surface(drawn, gates, axis, as_built=_times(base, drawn, factor), tilt=tilt) for factor in (0.0, step)]
    noise = scatter(rows)
    told = []
    for s in rows:
        usable = [
            c for c, name in enumerate(MEASURED)
            if name in s.blocks and abs(s.mean(name)) > 1e-9 and (c != 2 or (design.motor is not None and design.fan.has_power))]
        value, sd = _one(s, sets.index(s.open_ports), usable, axis, tables[0], tables[1], step, noise.of_mean(s, usable))
        told.append(Departure(s.t, s.group, value, sd))
    return told


def _times(base: AsBuilt, design: DuctDesign, log_factor: float) -> AsBuilt:
    factor = math.exp(log_factor)
    return AsBuilt(
        base.fan_pressure, base.fan_flow, {p.name: base.port_k.get(p.name, 1.0) * factor for p in design.ports},
        {r.name: base.run_k.get(r.name, 1.0) * factor for r in design.runs}, base.leak, base.motor_current)


def _one(
    s: Stretch, row: int, usable: list[int], axis: Axis, table: Surface, thicker: Surface, step: float, noise: Floats
) -> tuple[float, float]:
    gas = math.log(s.density_ratio)
    volts = s.log_volts or 0.0
    warm = "air temperature" in s.air_missing
    sd_gas = math.hypot(SENSED_SD, math.hypot(DAY_K, HOURS_K, YEAR_K / math.sqrt(2.0)) / 288.0 if warm else 0.0)
    sd_gas = math.hypot(sd_gas, WEATHER_SD if "barometer" in s.air_missing else 0.0)
    sd_volts = MAINS_RUN_SD if s.log_volts is None else MAINS_SENSED_SD
    seen = np.log([abs(s.mean(MEASURED[c])) for c in usable])
    # Resistance, drag, air, mains: the first two nearly free.
    prior = np.diag([1.0 / 0.5**2, 1e-4, 1.0 / sd_gas**2, 1.0 / sd_volts**2])
    x = np.zeros(4)
    shift = math.log(s.viscosity_ratio) - gas
    log_drag = float(np.clip(axis.first + 1.5, *axis.nodes[[0, -1]]))
    inverse = np.linalg.inv(noise + np.diag([(TILT_SD * 0.01) ** 2 if c == 2 else 0.0 for c in usable]))
    normal = prior
    for _ in range(8):
        first, weight, along = axis.weights(np.array([np.clip(log_drag + shift, *axis.nodes[[0, -1]])]))
        node = slice(int(first[0]), int(first[0]) + 3)
        here = weight[0] @ table.rows[row, node]
        by_drag = along[0] @ table.rows[row, node]
        by_duct = (weight[0] @ thicker.rows[row, node] - here) / step
        by_gas = np.array([1.0, 1.0, here[BY_POWER], 1.0])
        slope = np.stack(
            [by_duct[:4], by_drag[:4], by_gas - by_drag[:4], np.array([0.0, 0.0, here[BY_VOLTS], 0.0])], axis=1)[usable]
        expected = here[:4] + by_gas * (gas + x[2]) + by_duct[:4] * x[0]
        expected[2] += here[BY_VOLTS] * (volts + x[3])
        gap = seen - expected[usable]
        normal = slope.T @ inverse @ slope + prior
        own = np.array([x[0], 0.0, x[2], x[3]])
        move = np.linalg.solve(normal, slope.T @ inverse @ gap - prior @ own)
        x[[0, 2, 3]] += move[[0, 2, 3]]
        log_drag += float(np.clip(move[1], -0.5, 0.5))
        if np.abs(move).max() < 1e-5:
            break
    return float(x[0]), float(math.sqrt(np.linalg.inv(normal)[0, 0]))


def splits(values: Sequence[float] | Floats, groups: Sequence[object] | None = None, shortest: int = SHORTEST) -> list[Split]:
    """Steps of the level of a row of numbers, by penalised least squares (ruptures, its search without approximation).

    ``groups`` names for each value the group whose own level it shares (None: one group). Scatter comes from the
    differences of neighbours, is counted up for the correlation that is left, and sets the penalty; no threshold is
    tuned. A row shorter than two levels has none. Raises ImportError with a hint where ruptures is not installed.
    """
    y = np.asarray(values, dtype=np.float64)
    n = y.size
    if n < 2 * shortest + 1 or not np.ptp(y) > 0.0:
        return []
    try:
        from ruptures import Pelt
    except ImportError as error:
        raise ImportError("finding changes needs the package ruptures (pip install ruptures)") from error
    group = np.zeros(n, dtype=np.intp)
    if groups is not None:
        known = list(dict.fromkeys(groups))
        group = np.array([known.index(g) for g in groups], dtype=np.intp)
    ends = [n]
    own = np.zeros(int(group.max()) + 1)
    variance = 0.0
    for _ in range(ROUNDS):
        own = _own_levels(y, group, ends)
        clear = _clipped(y - own[group], ends)
        variance = _long_variance(clear, ends)
        if variance <= 0.0:
            return []
        search = Pelt(model="l2", min_size=shortest, jump=1).fit(clear[:, None])
        found = [int(e) for e in search.predict(pen=PENALTY * variance * math.log(n))]
        if found == ends:
            break
        ends = found
    own = _own_levels(y, group, ends)
    return _described(y - own[group], ends, variance)


def _own_levels(y: Floats, group: npt.NDArray[np.intp], ends: Sequence[int]) -> Floats:
    """Least squares for group levels and segment levels together; group levels sum to zero over the values."""
    n, groups, segments = y.size, int(group.max()) + 1, len(ends)
    if groups == 1:
        return np.zeros(1)
    segment = np.searchsorted(np.asarray(ends), np.arange(n), side="right")
    matrix = np.zeros((n, groups + segments))
    matrix[np.arange(n), group] = 1.0
    matrix[np.arange(n), groups + segment] = 1.0
    # Unconnected levels (a group that is seen in one segment only) are shared out as evenly as can be.
    solution = np.linalg.lstsq(matrix, y, rcond=None)[0]
    own = solution[:groups]
    return np.asarray(own - own[group].mean())


def _clipped(y: Floats, ends: Sequence[int]) -> Floats:
    """Single wild values cut back to four scatters of their neighbourhood's median."""
    size = _scatter(y)
    result, first = y.copy(), 0
    for end in ends:
        middle = float(np.median(y[first:end]))
        result[first:end] = np.clip(y[first:end], middle - 8.0 * size, middle + 8.0 * size)
        first = end
    return result


def _scatter(y: Floats) -> float:
    """Standard deviation from the differences of neighbours, which steps hardly touch."""
    gaps = np.abs(np.diff(y))
    return float(np.median(gaps)) / 0.6744898 / math.sqrt(2.0)


def _long_variance(y: Floats, ends: Sequence[int]) -> float:
    """Variance about the levels, counted up for the correlation of neighbours."""
    rest, first = y.copy(), 0
    for end in ends:
        rest[first:end] -= y[first:end].mean()
        first = end
    n = y.size
    variance = float(rest @ rest) / max(n - len(ends), 1)
    if len(ends) == 1:
        # Before any step is known the scatter about one level would hold the steps.
        variance = min(variance, _scatter(y) ** 2 * 1.1)
        rest = np.diff(y)
        rho = max(float(autocorrelation(rest, 1)[1]) * 2.0 + 1.0, 0.0) if np.ptp(rest) > 0.0 else 0.0
        rho = min(rho, 0.5)
    else:
        rho = min(max(float(autocorrelation(rest, 1)[1]), 0.0), 0.8) if np.ptp(rest) > 0.0 else 0.0
    return variance * n / ar1_effective_size(float(n), rho)


def _described(y: Floats, ends: Sequence[int], variance: float) -> list[Split]:
    told = []
    edges = [0, *ends]
    for k in range(1, len(edges) - 1):
        first, at, last = edges[k - 1], edges[k], edges[k + 1]
        part = y[first:last]
        places = np.arange(1, part.size)
        left = np.cumsum(part)[:-1] / places
        right = (part.sum() - np.cumsum(part)[:-1]) / (part.size - places)
        gain = places * (part.size - places) / part.size * (left - right) ** 2
        possible = places[(gain.max() - gain) / variance <= DATE_LIMIT]
        a, b = y[first:at], y[at:last]
        spread = math.sqrt(variance)
        test = welch((float(a.mean()), float(b.mean())), (spread, spread), (float(a.size), float(b.size)))
        sd = abs(test.difference / test.t) if test.t else spread
        told.append(Split(
            at, first + int(possible.min()), first + int(possible.max()),
            Interval(test.difference, test.low, test.high, sd, test.p)))
    return told


def find_changes(
    design: DuctDesign, stretches: Sequence[Stretch], baseline: Baseline | None = None
) -> tuple[list[FoundChange], list[Departure]]:
    """Changes of the ducts in a long time, with every stretch's departure for a plot."""
    told = departures(design, stretches, baseline)
    changes = []
    for one in splits([d.value for d in told], [d.group for d in told]):
        step = Interval(
            math.expm1(one.step.value), math.expm1(one.step.low), math.expm1(one.step.high), one.step.sd, one.step.p)
        changes.append(FoundChange(
            told[one.at - 1].t, told[one.at].t, told[one.low - 1].t, told[one.high].t, step,
            (one.at, len(told) - one.at)))
    return changes, told
