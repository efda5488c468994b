"""Export: any table, or a trend, as CSV, or as Parquet where ``pyarrow`` is installed.

Units are SI, as in the column names. Event times come as ISO 8601 in UTC, so a CSV of ``frames`` is a recording that can
be replayed. Rows are streamed: an export of a year needs no more memory than one of a day.
"""

from __future__ import annotations

import csv
import importlib
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import Any, Literal

from daemon.errors import StoreError
from daemon.store.reader import EVER, Reader
from daemon.store.schema import FRAME_COLUMNS, STATES, TABLES, gates_of

Format = Literal["csv", "parquet"]

LOT = 5_000
EXPORTED: dict[str, str | None] = {
    "frames": "t_ms", "minutes": "t_ms", "hours": "t_ms", "runs": "start_t", "alarms": "raised_t", "transitions": "t",
    "journal": "t", "journal_changes": "t", "notices": "t", "baselines": "t", "configurations": "last_t",
}
"""The tables that can be exported, with the column by which a span is chosen."""


def export_table(
    path: Path, table: str, target: Path, *, start: float = -EVER, end: float = EVER, format: Format = "csv",
    progress: Callable[[str], object] = str,
) -> int:
    """Write the rows of ``table`` from ``start`` to ``end`` to ``target``, ``progress`` hearing how far; returns their number.

    Raises :class:`StoreError` for an unknown table, where the database cannot be read or the file not written, and for
    Parquet without ``pyarrow``.
    """
    if table not in EXPORTED:
        raise StoreError(f"there is no table {table!r} to export; there are: {', '.join(EXPORTED)}")
    names = ["t" if name == "t_ms" else name for name in TABLES[table]]
    reader = Reader(path)
    try:
        return _write(names, _counted(_table_rows(reader, table, start, end), progress), target, format)
    finally:
        reader.close()


def _counted(rows: Iterable[list[Any]], progress: Callable[[str], object]) -> Iterator[list[Any]]:
    for number, row in enumerate(rows):
        if number % LOT == 0:
            progress(f"{number} rows, up to {row[0]}")
        yield row


def _table_rows(reader: Reader, table: str, start: float, end: float) -> Iterator[list[Any]]:
    if table == "frames":
        state_at = FRAME_COLUMNS.index("state")
        gates_at = FRAME_COLUMNS.index("gates")
        for row in reader.frame_rows(start, end, lot=LOT):
            values = [_iso(row[0] / 1000.0), *row[1:]]
            values[state_at] = STATES[row[state_at]].value
            gates = gates_of(row[gates_at])
            # An empty cell means unknown, so all shut needs a word of its own.
            values[gates_at] = None if gates is None else "|".join(gates) or "none"
            yield values
        return
    for row in reader.table_rows(table, EXPORTED[table], start, end, lot=LOT):
        yield [
            _iso(value / 1000.0 if name == "t_ms" else value) if _is_time(name) and value is not None else value
            for name, value in zip(TABLES[table], row, strict=True)
        ]


def _is_time(name: str) -> bool:
    return name in ("t", "t_ms") or name.endswith("_t")


def _iso(t: float) -> str:
    return datetime.fromtimestamp(t, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _write(names: Sequence[str], rows: Iterable[Sequence[Any]], target: Path, format: Format) -> int:
    target = Path(target)
    part = target.with_name(target.name + ".part")
    try:
        count = _write_csv(names, rows, part) if format == "csv" else _write_parquet(names, rows, part)
        os.replace(part, target)
        return count
    except OSError as error:
        raise StoreError(f"{target} cannot be written: {error.strerror or error}") from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def _write_csv(names: Sequence[str], rows: Iterable[Sequence[Any]], part: Path) -> int:
    count = 0
    with open(part, "w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(names)
        for row in rows:
            writer.writerow([harmless(cell) for cell in row])
            count += 1
    return count


def harmless(cell: object) -> object:
    """Text that a spreadsheet would take for a formula gets an apostrophe; numbers are left alone.

    >>> harmless("=1+1"), harmless("-2.5"), harmless("planer")
    ("'=1+1", '-2.5', 'planer')
    """
    if isinstance(cell, str) and cell[:1] in ("=", "+", "-", "@", "\t", "\r"):
        try:
            float(cell)
        except ValueError:
            return f"'{cell}"
    return cell


def _write_parquet(names: Sequence[str], rows: Iterable[Sequence[Any]], part: Path) -> int:
    try:
        pyarrow: Any = importlib.import_module("pyarrow")
        parquet: Any = importlib.import_module("pyarrow.parquet")
    except ImportError as error:
        raise StoreError(
            "Parquet needs the package pyarrow, which is not installed; CSV needs nothing: choose csv, "
            "or install it with: pip install pyarrow"
        ) from error
    count = 0
    writer: Any = None
    left = iter(rows)
    try:
        while lot := list(islice(left, LOT)):
            columns = [list(column) for column in zip(*lot, strict=True)]
            if writer is None:
                schema = pyarrow.schema([
                    (name, _parquet_type(pyarrow, name, column)) for name, column in zip(names, columns, strict=True)
                ])
                writer = parquet.ParquetWriter(part, schema)
            arrays = [
                pyarrow.array(_times(column) if pyarrow.types.is_timestamp(field.type) else column, type=field.type)
                for field, column in zip(schema, columns, strict=True)
            ]
            writer.write_table(pyarrow.Table.from_arrays(arrays, schema=schema))
            count += len(lot)
        if writer is None:
            fields = [(name, _parquet_type(pyarrow, name, [])) for name in names]
            writer = parquet.ParquetWriter(part, pyarrow.schema(fields))
    finally:
        if writer is not None:
            writer.close()
    return count


_TEXTS = {
    "gates", "quality", "reason", "condition", "place", "state", "urgency", "suppressed_by", "by", "finding", "before",
    "after", "kind", "text", "what", "notice_id", "outlet", "event", "title", "body", "name", "document", "hash",
}
_NUMBERS = {"id", "alarm_id", "entry_id", "n", "removed", "tries"}


def _parquet_type(pyarrow: Any, name: str, column: Sequence[Any]) -> Any:
    """By the name, not by the first values: a column may begin with nothing but unknowns."""
    if _is_time(name):
        return pyarrow.timestamp("ms", tz="UTC")
    if name in _TEXTS:
        return pyarrow.string()
    if name in _NUMBERS or name.endswith("_n"):
        return pyarrow.int64()
    return pyarrow.float64()


def _times(column: Sequence[str | None]) -> list[datetime | None]:
    return [None if text is None else datetime.fromisoformat(text) for text in column]
