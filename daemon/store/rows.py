"""Frame and estimate -> one row of ``frames``, and back to words. The per-frame path: no loops over series here."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from analysis.estimates import Estimate
from analysis.readings import Frame, Quality
from daemon.store.schema import FRAME_COLUMNS, SERIES_AT, STATE_CODES, STATES
from daemon.store.series import STORED

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
