"""What the engine said that the change would do, beside what was measured."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from analysis.compare.judge import MeasureName
from analysis.compare.mixture import Interval, Mixture
from analysis.compare.stretch import Gates
from analysis.duct.design import DuctDesign
from analysis.duct.planning import compare

Key = tuple[Gates, MeasureName, str]


def predicted(before: DuctDesign, after: DuctDesign, sets: Sequence[Gates]) -> Mapping[Key, Interval]:
    """Relative changes by gate set, measure and place, of what both drawings have; a pressure by its size."""
    known = [gates for gates in sets if set(gates) <= set(after.port_names) and set(gates) <= set(before.port_names)]
    told: dict[Key, Interval] = {}
    for one in compare(before, after, known).sets:
        for change in one.changes:
            if change.before is None or change.difference is None or change.before.value == 0.0:
                continue
            key = _key(change.measure, change.where)
            if key is None:
                continue
            size = change.before.value
            told[one.open_ports, key[0], key[1]] = _normal(change.difference.value / size, change.difference.sd / abs(size))
    return told


def gap(measured: Interval, drawn: Interval) -> Interval:
    """Measured less drawn, with both uncertainties."""
    return _normal(measured.value - drawn.value, math.hypot(measured.sd, drawn.sd))


def _normal(value: float, sd: float) -> Interval:
    return Mixture((1.0,), (value,), (max(sd, 1e-9),)).interval()


def _key(measure: str, where: str) -> tuple[MeasureName, str] | None:
    kind, _, name = where.partition(" ")
    if measure == "inlet static pressure":
        return "inlet static pressure", ""
    if measure == "flow" and kind == "port":
        return "flow", name.strip("'\"")
    if measure == "velocity" and kind == "run":
        return "velocity", name.strip("'\"")
    return None
