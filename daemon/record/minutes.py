"""A month's minutes (the roll-ups, which are kept for ever) as a table: running time, energy, flow and drag by day."""

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
    import pandas as pd

    from analysis.duct.motor import Motor

COLUMNS = (
    "t_ms", "running_s", "motor_a_mean", "line_v_mean", "flow_m3s_n", "flow_m3s_mean", "drag_ratio_n", "drag_ratio_mean",
    "drag_ratio_min", "drag_ratio_max",
)
NEAR_MINUTES = 30
"""Running minutes before and after a cleaning that its effect is judged by."""
LAST_MINUTES = 60
"""Running minutes at the end of a day that its drag is taken from."""


def minute_table(reader: Reader, month: Month) -> pd.DataFrame:
    """The minutes of the month with running in them, one row each in time order: ``t`` [s], ``day`` from 0, and
    :data:`COLUMNS`; nan where unknown."""
    import pandas as pd

    at = [TABLES["minutes"].index(name) for name in COLUMNS]
    rows = [tuple(row[i] for i in at)
            for row in reader.table_rows("minutes", "t_ms", month.start_t, month.end_t - 1e-3)]
    table = pd.DataFrame(rows, columns=list(COLUMNS)).astype(float)
    table.insert(0, "t", table["t_ms"] / 1000.0)
    table.insert(1, "day", np.searchsorted(np.asarray(month.edges), table["t"].to_numpy(), side="right") - 1)
    return table.sort_values("t", ignore_index=True)


def running_by_day(table: pd.DataFrame) -> Mapping[int, float]:
    """Day -> seconds with the fan on."""
    return {int(day): float(s) for day, s in table.groupby("day")["running_s"].sum().items()}  # type: ignore[call-overload]


def energy_by_day(table: pd.DataFrame, motor: Motor | None) -> tuple[Mapping[int, float], str]:
    """Day -> electrical energy [J], from the mean current of each minute; and why it is not known, or what is left out."""
    if motor is None:
        return {}, "not known: the configuration has no [motor]"
    if not len(table) or not table["motor_a_mean"].notna().any():
        return {}, "not known: no motor current was read"
    power = power_drawn_w(motor, table["motor_a_mean"].to_numpy(), table["line_v_mean"].to_numpy())
    energy = table.assign(energy_j=power * table["running_s"])
    blind_s = float(energy.loc[energy["energy_j"].isna(), "running_s"].sum())
    known = energy.dropna(subset=["energy_j"]).groupby("day")["energy_j"].sum()
    words = f"without {duration(blind_s)} of running in which no current was read" if blind_s >= 60.0 else ""
    return {int(day): float(joule) for day, joule in known.items()}, words  # type: ignore[call-overload]


def flow_by_day(table: pd.DataFrame) -> Mapping[int, float]:
    """Day -> mean flow while running [m3/s]."""
    known = table.dropna(subset=["flow_m3s_mean"])
    weight = known["flow_m3s_n"]
    sums = (known["flow_m3s_mean"] * weight).groupby(known["day"]).sum() / weight.groupby(known["day"]).sum()
    return {int(day): float(flow) for day, flow in sums.items()}  # type: ignore[call-overload]


def drag_at_ends(table: pd.DataFrame) -> Mapping[int, float]:
    """Day -> drag over clean in its last hour of running."""
    known = table.dropna(subset=["drag_ratio_mean"])
    return {int(day): _mean(known[known["day"] == day].tail(LAST_MINUTES)) for day in known["day"].unique()}


def drag_near(table: pd.DataFrame, t: float, after: bool) -> float | None:
    """Drag over clean in the half hour of running before or after event time ``t`` [s], None where there was none."""
    known = table.dropna(subset=["drag_ratio_mean"])
    # The minute that holds t has both sides of it in it.
    rows = known[known["t"] > t].head(NEAR_MINUTES) if after else known[known["t"] + 60.0 <= t].tail(NEAR_MINUTES)
    return _mean(rows) if len(rows) else None


def drag_by_hour(table: pd.DataFrame) -> tuple[DragPoint, ...]:
    """Drag over clean, hour by hour."""
    known = table.dropna(subset=["drag_ratio_mean"])
    points = []
    for _, rows in known.groupby(known["t"] // 3600.0):
        hour = float(rows["t"].iloc[0] // 3600.0) * 3600.0
        points.append(DragPoint(
            hour + 1800.0, _mean(rows), float(rows["drag_ratio_min"].min()), float(rows["drag_ratio_max"].max())))
    return tuple(points)


def _mean(rows: pd.DataFrame) -> float:
    weight: npt.NDArray[np.float64] = rows["drag_ratio_n"].to_numpy()
    return float((rows["drag_ratio_mean"].to_numpy() * weight).sum() / weight.sum())
