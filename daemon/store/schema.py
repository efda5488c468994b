"""The names of the store's tables and columns, in one place, and the version of their layout.

:mod:`daemon.store.migrate` makes them; a test compares what it made with what is written here. Times: ``t_ms`` is event
time in whole milliseconds since the epoch (the key of frames and roll-ups), every other ``..._t`` event time in seconds.
``..._wall_t`` is the time by the computer's own clock, kept only to tell whether the daemon is alive.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from analysis.estimates import Estimate
from analysis.readings import CHANNELS, Frame, Quality, RunState


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


APPLICATION_ID = 0x44_57_53_31
"""Stands in the header of every database of ours, so that another program's file is never taken for one."""

VERSION = 1
"""Number of migrations applied to a current database (its ``user_version``)."""

MINUTE_MS = 60_000
HOUR_MS = 3_600_000

STATE_CODES: dict[RunState, int] = {
    RunState.OFF: 0, RunState.RUNNING: 1, RunState.STARTING: 2, RunState.STOPPING: 3, RunState.UNKNOWN: 4,
}
"""How the run state stands in ``frames`` (0 and 1 take no room in the file)."""
STATES: dict[int, RunState] = {code: state for state, code in STATE_CODES.items()}

FRAME_COLUMNS: tuple[str, ...] = ("t_ms", "state", "gates", "quality", *STORED)
"""``gates``: names of the open ports, sorted, with commas; "" all shut, NULL unknown. ``quality``: ``channel=reason`` for
each channel without a value, with commas; NULL where all are good."""
SERIES_AT = 4
"""Where the series begin in a row of ``frames``."""

ROLLUP_PARTS: tuple[str, ...] = ("n", "mean", "min", "max")
ROLLUP_COLUMNS: tuple[str, ...] = (
    "t_ms", "n", "running_s", *(f"{name}_{part}" for name in STORED for part in ROLLUP_PARTS),
)
"""``n`` running frames, ``running_s`` seconds with the fan on, then count, mean, least and greatest of each series."""

TABLES: dict[str, tuple[str, ...]] = {
    "frames": FRAME_COLUMNS,
    "minutes": ROLLUP_COLUMNS,
    "hours": ROLLUP_COLUMNS,
    "rollup_due": ("t_ms",),
    "clock_steps": ("id", "before_t", "after_t"),
    "runs": ("id", "start_t", "end_t", "seconds", "reason"),
    "alarms": (
        "id", "condition", "place", "state", "urgency", "raised_t", "since_t", "changed_t", "cleared_t",
        "acknowledged_t", "shelved_until_t", "suppressed_by", "by", "finding",
    ),
    "transitions": ("id", "alarm_id", "t", "before", "after", "by", "reason", "finding"),
    "journal": ("id", "t", "kind", "by", "text", "place", "removed"),
    "journal_changes": ("id", "entry_id", "t", "by", "what", "before"),
    "notices": (
        "id", "notice_id", "outlet", "state", "t", "alarm_id", "condition", "place", "event", "urgency", "title", "body",
        "changed_t", "tries",
    ),
    "baselines": ("id", "name", "t", "document"),
    "configurations": ("hash", "text", "first_t", "last_t"),
    "statuses": ("name", "t", "wall_t", "document"),
    "states": ("name", "t", "document"),
    "requests": ("id", "kind", "payload", "by", "asked_wall_t", "done", "accepted", "result", "done_t"),
    "meta": ("key", "value"),
}
"""Table -> its columns."""


Row = tuple[Any, ...]

_GATE_TEXTS: dict[tuple[str, ...], str] = {}
_GATE_TEXTS_MOST = 4096


def frame_row(t_ms: int, frame: Frame, estimate: Estimate | None) -> Row:
    """One row of ``frames`` in the order of :data:`FRAME_COLUMNS`.

    ``gates`` are those of the estimate; where it has none, those that gate sensors (or the recording) report.
    """
    value = frame.values.get
    quality = _quality_text(frame.quality) if frame.quality else None
    if estimate is None:
        return (
            t_ms, STATE_CODES[frame.state], _told_text(frame.gates), quality,
            value("inlet_pa"), value("filter_pa"), value("motor_a"), value("pitot_pa"), value("bag_level"),
            value("exhaust_ugm3"), value("air_c"), value("air_rh"), value("barometer_pa"), value("line_v"),
            value("motor_c"),
            None, None, None, None, None, None, None, None, None, None, None, None, None, None, None,
        )
    gates = estimate.gates
    expected = estimate.expected.get
    inlet, filter_, motor = expected("inlet_pa"), expected("filter_pa"), expected("motor_a")
    return (
        t_ms, STATE_CODES[frame.state], gates_text(gates) if gates is not None else _told_text(frame.gates), quality,
        value("inlet_pa"), value("filter_pa"), value("motor_a"), value("pitot_pa"), value("bag_level"),
        value("exhaust_ugm3"), value("air_c"), value("air_rh"), value("barometer_pa"), value("line_v"), value("motor_c"),
        estimate.flow_m3s, estimate.flow_sd, estimate.filter_drag, estimate.drag_ratio, estimate.flow_lost,
        estimate.duct_resistance, estimate.along, estimate.off, estimate.air_density_kgm3,
        None if inlet is None else inlet.value, None if inlet is None else inlet.sd,
        None if filter_ is None else filter_.value, None if filter_ is None else filter_.sd,
        None if motor is None else motor.value, None if motor is None else motor.sd,
    )


def gates_text(open_ports: tuple[str, ...]) -> str:
    """The names of the open ports, sorted, with commas. Remembered, since few sets ever occur.

    >>> gates_text(("planer", "band saw")), gates_text(())
    ('band saw,planer', '')
    """
    text = _GATE_TEXTS.get(open_ports)
    if text is None:
        if len(_GATE_TEXTS) >= _GATE_TEXTS_MOST:
            _GATE_TEXTS.clear()
        text = _GATE_TEXTS[open_ports] = ",".join(sorted(open_ports))
    return text


def gates_of(text: str | None) -> tuple[str, ...] | None:
    """The inverse of :func:`gates_text`; None stays None (unknown).

    >>> gates_of("band saw,planer"), gates_of(""), gates_of(None)
    (('band saw', 'planer'), (), None)
    """
    if text is None:
        return None
    return tuple(text.split(",")) if text else ()


def row_document(row: Sequence[Any]) -> dict[str, Any]:
    """A row of ``frames`` in words: ``t`` in seconds, the state's name, gates as a list, quality as a mapping, and every
    series by name (None where unknown)."""
    document: dict[str, Any] = {
        "t": row[0] / 1000.0,
        "state": STATES[row[1]].value,
        "gates": None if row[2] is None else list(gates_of(row[2]) or ()),
        "quality": dict(part.split("=", 1) for part in row[3].split(",")) if row[3] else {},
    }
    document.update(zip(STORED, row[SERIES_AT:], strict=True))
    return document


def _told_text(gates: Mapping[str, bool] | None) -> str | None:
    if gates is None:
        return None
    return gates_text(tuple(port for port, is_open in gates.items() if is_open))


def _quality_text(quality: Mapping[str, Quality]) -> str | None:
    # Joined as plain strings: formatting an enum member costs ten times as much.
    parts = [channel + "=" + word for channel, word in quality.items() if word != "good"]
    return ",".join(parts) if parts else None


assert len(FRAME_COLUMNS) == 30, "frame_row writes the columns out by hand: change both together"
