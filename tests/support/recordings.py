"""Recordings for tests: written from samples, or from blocks of the simulated plant."""

from __future__ import annotations

import gzip
import json
import math
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path

from analysis.plant.blocks import Block
from daemon.sources.contract import Sample


def block_lines(block: Block, gates: bool = False) -> Iterator[str]:
    """One JSON line a frame: ``t``, the channels that sent something, and the true gates if asked for."""
    for t, values, opened in block.frames():
        row: dict[str, object] = {"t": _time_words(t)}
        row.update((name, round(value, 4)) for name, value in values.items())
        if gates:
            row["gates"] = opened
        yield json.dumps(row, separators=(",", ":"))


def write_blocks(path: Path, blocks: Iterable[Block], gates: bool = False) -> int:
    """Write blocks as JSON Lines; returns the number of frames."""
    frames = 0
    with path.open("w", encoding="utf-8") as file:
        for block in blocks:
            frames += len(block)
            file.writelines(f"{line}\n" for line in block_lines(block, gates))
    return frames


def write_recording(path: str | Path, samples: Iterable[Sample], columns: Sequence[str] | None = None) -> int:
    """Write samples as a recording, and return how many.

    The form follows the name: ``.csv`` or JSON Lines, compressed if it ends in ``.gz``. ``columns`` are the CSV file's
    columns after ``t`` (channels, and gates as ``gate:PORT``); without them all samples are looked through first. NaN
    is written as unknown (``null`` or an empty cell). Times are written in UTC to the microsecond.
    """
    path = Path(path)
    opener = gzip.open if path.name.endswith(".gz") else open
    csv_form = path.name.removesuffix(".gz").endswith(".csv")
    if csv_form and columns is None:
        samples = list(samples)
        named = dict.fromkeys(name for sample in samples for name in sample.values)
        gated = dict.fromkeys(f"gate:{port}" for sample in samples for port in sample.gates or ())
        columns = [*named, *gated]
    count = 0
    with opener(path, "wt", encoding="utf-8", newline="\n") as file:
        if csv_form:
            assert columns is not None
            file.write(",".join(["t", *map(_quoted, columns)]) + "\n")
        for sample in samples:
            if csv_form:
                assert columns is not None
                cells = [_cell(sample, column) for column in columns]
                file.write(",".join([_time_words(sample.t), *cells]) + "\n")
            else:
                file.write(_json_line(sample) + "\n")
            count += 1
    return count


def _json_line(sample: Sample) -> str:
    fields: dict[str, object] = {"t": _time_words(sample.t)}
    fields.update((name, value if math.isfinite(value) else None) for name, value in sample.values.items())
    if sample.gates is not None:
        fields["gates"] = dict(sample.gates)
    return json.dumps(fields, separators=(",", ":"), allow_nan=False, ensure_ascii=False)


def _cell(sample: Sample, column: str) -> str:
    if column.startswith("gate:"):
        state = (sample.gates or {}).get(column[5:])
        return "" if state is None else "1" if state else "0"
    value = sample.values.get(column, math.nan)
    return repr(float(value)) if math.isfinite(value) else ""


def _quoted(cell: str) -> str:
    return '"' + cell.replace('"', '""') + '"' if any(c in cell for c in ',"\n') else cell


def _time_words(t: float) -> str:
    return datetime.fromtimestamp(t, UTC).isoformat().replace("+00:00", "Z")
