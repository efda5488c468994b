"""A month's minutes (the roll-ups, which are kept for ever) as columns: running time, energy, flow and drag by day."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from analysis.energy import power_drawn_w
from daemon.record.facts import DragPoint
from daemon.record.period import Month
from daemon.store.reader import Reader
from daemon.store.schema import TABLES
from daemon.wording import duration

if TYPE_CHECKING:
    from analysis.duct.motor import Motor

COLUMNS = (
    "t_ms", "running_s", "motor_a_mean", "line_v_mean", "flow_m3s_n", "flow_m3s_mean", "drag_ratio_n", "drag_ratio_mean",
    "drag_ratio_min", "drag_ratio_max",
)
NEAR_MINUTES = 30
"""Running minutes before and after a cleaning that its effect is judged by."""
LAST_MINUTES = 60
"""Running minutes at the end of a day that its drag is taken from."""
Floats = npt.NDArray[np.float64]


class Minutes:
    """The minutes of a month with running in them, in time order: ``t`` [s], ``day`` from 0, and :data:`COLUMNS`; nan where
    unknown."""

    def __init__(self, columns: Mapping[str, Floats], month: Month) -> None:
        self._columns = columns
        self.t = columns["t_ms"] / 1000.0
        self.day = np.searchsorted(np.asarray(month.edges), self.t, side="right") - 1

    def __getitem__(self, name: str) -> Floats:
        return self._columns[name]

    def __len__(self) -> int:
        return len(self.t)

    def known(self, name: str) -> npt.NDArray[np.intp]:
        """The places of the minutes that have this column."""
        return np.flatnonzero(~np.isnan(self[name]))

    def by_day(self, value: Floats, at: npt.NDArray[np.intp]) -> dict[int, float]:
        """Day -> the sum of ``value`` over the minutes at these places; days without any are left out."""
        if not len(at):
            return {}
        sums = np.bincount(self.day[at], weights=value[at])
        return {int(day): float(sums[day]) for day in np.unique(self.day[at])}


def minute_table(reader: Reader, month: Month) -> Minutes:
    """The minutes of the month."""
    at = [TABLES["minutes"].index(name) for name in COLUMNS]
    rows = reader.table_rows("minutes", "t_ms", month.start_t, month.end_t - 1e-3)
    table = np.array([[row[i] for i in at] for row in rows], dtype=float).reshape(-1, len(COLUMNS))
    table = table[np.argsort(table[:, 0], kind="stable")]
    return Minutes(dict(zip(COLUMNS, table.T, strict=True)), month)


def running_by_day(table: Minutes) -> Mapping[int, float]:
    """Day -> seconds with the fan on."""
    return table.by_day(table["running_s"], table.known("running_s"))


def energy_by_day(table: Minutes, motor: Motor | None) -> tuple[Mapping[int, float], str]:
    """Day -> electrical energy [J], from the mean current of each minute; and why it is not known, or what is left out."""
    if motor is None:
        return {}, "not known: the configuration has no [motor]"
    if not len(table.known("motor_a_mean")):
        return {}, "not known: no motor current was read"
    energy = power_drawn_w(motor, table["motor_a_mean"], table["line_v_mean"]) * table["running_s"]
    blind_s = float(table["running_s"][np.isnan(energy)].sum())
    words = f"without {duration(blind_s)} of running in which no current was read" if blind_s >= 60.0 else ""
    return table.by_day(energy, np.flatnonzero(~np.isnan(energy))), words


def flow_by_day(table: Minutes) -> Mapping[int, float]:
    """Day -> mean flow while running [m3/s]."""
    known, weight = table.known("flow_m3s_mean"), table["flow_m3s_n"]
    sums, weights = table.by_day(table["flow_m3s_mean"] * weight, known), table.by_day(weight, known)
    return {day: total / weights[day] for day, total in sums.items()}


def drag_at_ends(table: Minutes) -> Mapping[int, float]:
    """Day -> drag over clean in its last hour of running."""
    known = table.known("drag_ratio_mean")
    return {int(day): _mean(table, known[table.day[known] == day][-LAST_MINUTES:]) for day in np.unique(table.day[known])}


def drag_near(table: Minutes, t: float, after: bool) -> float | None:
    """Drag over clean in the half hour of running before or after event time ``t`` [s], None where there was none."""
    known = table.known("drag_ratio_mean")
    # The minute that holds t has both sides of it in it.
    at = known[table.t[known] > t][:NEAR_MINUTES] if after else known[table.t[known] + 60.0 <= t][-NEAR_MINUTES:]
    return _mean(table, at) if len(at) else None


def drag_by_hour(table: Minutes) -> tuple[DragPoint, ...]:
    """Drag over clean, hour by hour."""
    known = table.known("drag_ratio_mean")
    hours = table.t[known] // 3600.0
    points = []
    for hour in np.unique(hours):
        at = known[hours == hour]
        low, high = float(np.nanmin(table["drag_ratio_min"][at])), float(np.nanmax(table["drag_ratio_max"][at]))
        points.append(DragPoint(float(hour) * 3600.0 + 1800.0, _mean(table, at), low, high))
    return tuple(points)


def _mean(table: Minutes, at: npt.NDArray[np.intp]) -> float:
    weight = table["drag_ratio_n"][at]
    return float((table["drag_ratio_mean"][at] * weight).sum() / weight.sum())
