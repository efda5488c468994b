"""Series: every number of a frame that is kept over time, with its kind of quantity, its words and its place in a row.

The names are the column names of the store. Their order is the order of the columns in ``frames``; the roll-ups have
four columns for each (``_n``, ``_mean``, ``_min``, ``_max``).
"""

from __future__ import annotations

from dataclasses import dataclass

from analysis.readings import CHANNELS


@dataclass(frozen=True, slots=True)
class SeriesInfo:
    """One series: its kind of quantity (as in :mod:`analysis.units`, or a word of its own) and what it is.

    ``unit`` is the unit in which it is stored; ``measured`` tells channels from estimates.
    """

    name: str
    kind: str
    unit: str
    words: str
    measured: bool = False


_UNIT_OF_KIND = {
    "pressure": "Pa", "current": "A", "fraction": "1", "concentration": "ug/m3", "temperature": "C", "voltage": "V",
}

CHANNEL_SERIES: tuple[SeriesInfo, ...] = tuple(
    SeriesInfo(info.name, info.kind, _UNIT_OF_KIND[info.kind], info.words, measured=True) for info in CHANNELS.values()
)
ESTIMATE_SERIES: tuple[SeriesInfo, ...] = (
    SeriesInfo("flow_m3s", "flow", "m3/s", "flow through the fan"),
    SeriesInfo("flow_sd", "flow", "m3/s", "one standard deviation of the flow"),
    SeriesInfo("filter_drag", "drag", "Pa s/m3", "drag of the filter bags"),
    SeriesInfo("drag_ratio", "ratio", "1", "drag of the filter bags against clean"),
    SeriesInfo("flow_lost", "fraction", "1", "share of the flow that the filter costs"),
    SeriesInfo("duct_resistance", "resistance", "Pa s2/m6", "resistance of the ducts"),
    SeriesInfo("along", "fraction", "1", "change of flow along the curve that gates trace"),
    SeriesInfo("off", "deviations", "1", "distance from that curve in standard deviations"),
    SeriesInfo("air_density_kgm3", "density", "kg/m3", "air density"),
    SeriesInfo("expected_inlet_pa", "pressure", "Pa", "expected static pressure before the fan"),
    SeriesInfo("expected_inlet_sd", "pressure", "Pa", "one standard deviation of that expectation"),
    SeriesInfo("expected_filter_pa", "pressure", "Pa", "expected pressure over the filter bags"),
    SeriesInfo("expected_filter_sd", "pressure", "Pa", "one standard deviation of that expectation"),
    SeriesInfo("expected_motor_a", "current", "A", "expected motor current"),
    SeriesInfo("expected_motor_sd", "current", "A", "one standard deviation of that expectation"),
)
RUNNING = SeriesInfo("running_s", "time", "s", "time that the fan ran")
"""Seconds of running within each step of a trend: a sum, not a mean. Only in the roll-ups."""

STORED: tuple[str, ...] = tuple(info.name for info in (*CHANNEL_SERIES, *ESTIMATE_SERIES))
"""The series that are columns of ``frames``, in order."""

SERIES: dict[str, SeriesInfo] = {info.name: info for info in (*CHANNEL_SERIES, *ESTIMATE_SERIES, RUNNING)}
"""Every series that a trend can be asked for."""
