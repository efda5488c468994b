"""What of two periods is compared: gate sets that were in use in both, and the longest stretches of each day."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np

from analysis.baseline.fit import FitError, fit
from analysis.baseline.model import Baseline
from analysis.baseline.steps import Measured, StepData, TourData
from analysis.compare.steady import DAY_S, READINGS, Gates, Side, Stretch
from analysis.duct.design import DuctDesign

SHORTEST_SIDE_S = 25.0
"""Running seconds that a gate set needs in each period."""
MOST_A_DAY, MOST_SETS = 40, 24
"""The longest stretches of a day, and the gate sets used longest, are enough."""
ENOUGH_SETS = 3
"""Gate sets in one day of the period before from which the shop as built is learnt where there is no baseline."""

Row = tuple[int, int, Stretch]
"""Period (0 before, 1 after), number of the gate set, stretch."""


class NotEnough(ValueError):
    """The periods cannot be compared; the message says why."""


def common_sets(before: Side, after: Side) -> list[Gates]:
    """Gate sets with enough running in both periods, single gates first, then the longest. Raises :class:`NotEnough`."""
    seconds: list[dict[Gates, float]] = [{}, {}]
    for k, side in enumerate((before, after)):
        for s in side.stretches:
            seconds[k][s.open_ports] = seconds[k].get(s.open_ports, 0.0) + s.seconds
    both = {g: min(v, seconds[1].get(g, 0.0)) for g, v in seconds[0].items()}
    sets = sorted((g for g, v in both.items() if v >= SHORTEST_SIDE_S), key=lambda g: (len(g) > 1, -both[g], g))
    if not sets:
        raise NotEnough("no combination of known gates ran for at least half a minute in both periods")
    if not any(sets):
        raise NotEnough("both periods only have all gates shut in common; each port needs half a minute open on its own")
    return sets[:MOST_SETS]


def chosen(sets: Sequence[Gates], before: Side, after: Side) -> list[Row]:
    """The longest stretches of each day with these gate sets, in order of time."""
    wanted = {g: k for k, g in enumerate(sets)}
    by_day: dict[tuple[int, int], list[Row]] = {}
    for side, found in enumerate((before, after)):
        for s in found.stretches:
            if s.open_ports in wanted:
                by_day.setdefault((side, math.floor(s.t / DAY_S)), []).append((side, wanted[s.open_ports], s))
    rows: list[Row] = []
    for day in by_day.values():
        rows += sorted(sorted(day, key=lambda row: -row[2].seconds)[:MOST_A_DAY], key=lambda row: row[2].t)
    return rows


def learnt_baseline(design: DuctDesign, stretches: Iterable[Stretch]) -> Baseline | None:
    """The shop as built from the day that had the most gate sets, None where that is too little."""
    days: dict[int, dict[Gates, Stretch]] = {}
    for s in stretches:
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
    try:
        return fit(design, TourData("before", steps[-1].t, steps, dict.fromkeys(READINGS, 1.5), 0.003 if air else 0.03))
    except (FitError, ValueError, np.linalg.LinAlgError):
        return None
