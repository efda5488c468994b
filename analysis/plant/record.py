"""Blocks of frames as the lines of a recording, and their truth as lines beside it. Text only; files are elsewhere."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime

from analysis.plant.blocks import Block


def stamp(t: float) -> str:
    """Time of a line: ISO 8601 in UTC, whole seconds without a fraction.

    >>> stamp(1772355600.0), stamp(1772355600.25)
    ('2026-03-01T09:00:00Z', '2026-03-01T09:00:00.250Z')
    """
    moment = datetime.fromtimestamp(t, UTC)
    spec = "seconds" if moment.microsecond == 0 else "milliseconds"
    return moment.replace(tzinfo=None).isoformat(timespec=spec) + "Z"


def recording_lines(block: Block, gates: bool = False) -> Iterator[str]:
    """One JSON line a frame: ``t``, the channels that sent something, and the true gates if asked for."""
    for t, values, opened in block.frames():
        row: dict[str, object] = {"t": stamp(t)}
        row.update((name, round(value, 4)) for name, value in values.items())
        if gates:
            row["gates"] = opened
        yield json.dumps(row, separators=(",", ":"))


def truth_lines(block: Block) -> Iterator[str]:
    """One JSON line a frame with what really was: flow, drag, flow lost, open gates, port flows, bag fill, faults."""
    truth = block.truth
    for i, t in enumerate(block.t.tolist()):
        row = {
            "t": stamp(t),
            "fan": bool(truth.fan[i]),
            "flow_m3s": round(float(truth.flow_m3s[i]), 6),
            "filter_drag": round(float(truth.drag[i]), 2),
            "drag_ratio": round(float(truth.drag_ratio[i]), 5),
            "flow_lost": round(float(truth.flow_lost[i]), 5),
            "gates": [name for name, opened in zip(block.ports, truth.gates[i], strict=True) if opened],
            "port_m3s": {name: round(float(q), 6) for name, q in zip(block.ports, truth.port_m3s[i], strict=True)},
            "bag_fill": round(float(truth.bag_fill[i]), 4),
            "faults": [f.kind.value for f, there in zip(block.faults, truth.active[i], strict=True) if there],
        }
        yield json.dumps(row, separators=(",", ":"))
