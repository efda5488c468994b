"""One line of a recording to one sample: the two forms. What is not taken goes to the report, nothing raises."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple, Protocol

from daemon.errors import SourceError
from daemon.sources.contract import Sample
from daemon.sources.fields import (
    LARGEST,
    LATEST,
    Doubled,
    decode_json,
    escaped,
    finite,
    gate_state,
    literal,
    plain_label,
    stamp,
)

_KEPT_PROBLEMS = 20
_KEPT_NAMES = 50


class Problem(NamedTuple):
    """One line that was not taken, or not taken whole."""

    line: int
    reason: str
    found: str


@dataclass
class RecordingReport:
    """Filled while a recording is read. ``refused`` counts lines and values by reason, ``skipped`` whole lines only.

    ``damaged`` says why the file could not be read to its end, if so. ``bytes_done`` of ``bytes_total`` is how far
    reading has come, in bytes of the file as it lies on the disk.
    """

    path: Path
    lines: int = 0
    samples: int = 0
    skipped: int = 0
    refused: dict[str, int] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    unknown: dict[str, int] = field(default_factory=dict)
    first_t: float | None = None
    last_t: float | None = None
    damaged: str = ""
    bytes_total: int = 0
    bytes_done: int = 0

    def skip(self, reason: str, found: str = "", line: int | None = None) -> None:
        """Count a line that gives no sample."""
        self.skipped += 1
        self.note(reason, found, line)

    def note(self, reason: str, found: str = "", line: int | None = None) -> None:
        """Count something that was not taken; ``line`` None means the one being read."""
        self.refused[reason] = self.refused.get(reason, 0) + 1
        if len(self.problems) < _KEPT_PROBLEMS:
            self.problems.append(Problem(self.lines if line is None else line, reason, escaped(found, 80)))

    def no_channel(self, name: str) -> None:
        """Count a name that is no channel (at most fifty names are remembered)."""
        name = escaped(name)
        if name in self.unknown or len(self.unknown) < _KEPT_NAMES:
            self.unknown[name] = self.unknown.get(name, 0) + 1

    def so_far(self) -> str:
        """How far reading has come."""
        share = f"{self.bytes_done / self.bytes_total:.0%}, " if self.bytes_total else ""
        return f"{share}{self.samples} samples"

    def words(self) -> str:
        """The report in a few plain lines."""
        lines = [f"{escaped(str(self.path), 200)}: {self.samples} samples from {self.lines} lines"]
        lines += [f"  {count} x {reason}" for reason, count in sorted(self.refused.items())]
        lines += [f"  line {line}: {reason}" + (f": {found}" if found else "") for line, reason, found in self.problems]
        if self.unknown:
            lines.append(f"  no channels, left out: {', '.join(self.unknown)}")
        if self.damaged:
            lines.append(f"  {self.damaged}")
        return "\n".join(lines)


_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MOST_GATES = 256


class LineReader(Protocol):
    """Reads the lines of one recording."""

    def read(self, line: str) -> Sample | None:
        """The sample in this line, None (and a note in the report) if there is none."""


class _Reader:
    def __init__(self, report: RecordingReport, source: str, channels: frozenset[str]) -> None:
        self.report = report
        self.source = source
        self.channels = channels

    def time(self, said: object) -> float | None:
        """Event time of a time stamp that is not plainly good; None, and the line skipped, if it is none at all."""
        t = stamp(said)
        if isinstance(t, str):
            self.report.skip(t, str(said))
            return None
        return t

    def gate(self, gates: dict[str, bool], port: str, said: object) -> None:
        """Add the state of one gate."""
        state = gate_state(said)
        if state is None or not plain_label(port) or len(gates) >= _MOST_GATES:
            self.report.note("not a gate state", f"{port}: {said}")
        else:
            gates[port] = state


class JsonLines(_Reader):
    """JSON Lines. The usual line is read with few steps; anything odd about it goes the careful way."""

    def __init__(self, report: RecordingReport, source: str, channels: frozenset[str]) -> None:
        super().__init__(report, source, channels)
        # Whole numbers become floats: Python refuses integers of more than 4300 digits, but calls such floats infinite.
        self._decode = json.JSONDecoder(parse_int=float).raw_decode

    def read(self, line: str) -> Sample | None:
        """The sample in this line."""
        try:
            fields, end = self._decode(line)
        except (ValueError, RecursionError):
            return self._careful(line)
        if fields.__class__ is not dict or end != len(line):
            return self._careful(line)
        said = fields.pop("t", None)
        gates = fields.pop("gates", None)
        # As many colons as names, and those of the time: then no name stood twice, for the dictionary lost none.
        colons = len(fields) + 1
        if gates is not None:
            if gates.__class__ is not dict:
                return self._careful(line)
            colons += 1 + len(gates)
            for state in gates.values():
                if state is not True and state is not False:
                    return self._careful(line)
        try:
            t = (datetime.fromisoformat(said) - _EPOCH).total_seconds()
            colons += said.count(":")
        except (TypeError, ValueError):  # no text, no ISO 8601, or without a zone
            return self._careful(line)
        if line.count(":") != colons or not 0.0 <= t < LATEST:
            return self._careful(line)
        channels = self.channels
        for name, value in fields.items():
            if value.__class__ is not float or not -LARGEST < value < LARGEST or name not in channels:
                return self._careful(line)
        if not fields and not gates:
            return self._careful(line)
        return Sample(self.source, t, fields, gates or None)

    def _careful(self, line: str) -> Sample | None:
        report = self.report
        fields = decode_json(line.strip())
        if not isinstance(fields, dict):
            report.skip("not json" if fields is None else "not a json object", line)
            return None
        twice = fields.doubled if isinstance(fields, Doubled) else ()
        if "t" not in fields or "t" in twice:
            report.skip("no time stamp" if "t" not in fields else "duplicate name", line)
            return None
        t = self.time(fields.pop("t"))
        if t is None:
            return None
        gates: dict[str, bool] = {}
        self._gates(gates, fields.pop("gates", None), "gates" in twice)
        values: dict[str, float] = {}
        for name, value in fields.items():
            if name not in self.channels:
                report.no_channel(name)
            elif value is not None or name in twice:
                number = "duplicate name" if name in twice else finite(value)
                if isinstance(number, str):
                    report.note(number, f"{name}: {value}")
                    number = math.nan
                values[name] = number
        if not values and not gates:
            report.skip("nothing in it", line)
            return None
        return Sample(self.source, t, values, gates or None)

    def _gates(self, gates: dict[str, bool], said: object, twice: bool) -> None:
        if said is None and not twice:
            return
        if not isinstance(said, Mapping) or twice:
            self.report.note("duplicate name" if twice else "not a gate state", f"gates: {said}")
            return
        doubled = said.doubled if isinstance(said, Doubled) else ()
        for port, state in said.items():
            self.gate(gates, port, None if port in doubled else state)


class CsvLines(_Reader):
    """CSV with a first line of names. Raises SourceError for a first line that cannot be one."""

    def __init__(self, report: RecordingReport, source: str, channels: frozenset[str], first_line: str) -> None:
        super().__init__(report, source, channels)
        names = [name.strip() for name in _cells(first_line)]
        where = escaped(str(report.path), 200)
        if "t" not in names:
            hint = "; the columns seem to stand between semicolons, commas are needed" if ";" in first_line else ""
            raise SourceError(
                f"{where}: the first line names no column t (found {escaped(first_line.strip(), 80)!r}){hint}"
            )
        doubled = sorted({name for name in names if name and names.count(name) > 1})
        if doubled:
            raise SourceError(f"{where}: the first line names a column twice: {escaped(', '.join(doubled), 80)}")
        self._count = len(names)
        self._time_at = names.index("t")
        self._values_at = [(at, name) for at, name in enumerate(names) if name in channels]
        self._gates_at = [(at, name[5:]) for at, name in enumerate(names) if name.startswith("gate:")]
        for name in names:
            if name and name != "t" and name not in channels and not name.startswith("gate:"):
                report.no_channel(name)
        if not self._values_at and not self._gates_at:
            raise SourceError(f"{where}: the first line names no channel; allowed are {', '.join(sorted(channels))}")

    def read(self, line: str) -> Sample | None:
        """The sample in this line."""
        cells = line.split(",") if '"' not in line else _cells(line)
        if len(cells) != self._count:
            self.report.skip("column count", line)
            return None
        said = cells[self._time_at].strip()
        try:
            t = (datetime.fromisoformat(said) - _EPOCH).total_seconds()
        except (TypeError, ValueError):
            t = -1.0
        if not 0.0 <= t < LATEST:
            careful = self.time(said)
            if careful is None:
                return None
            t = careful
        plain = "_" not in line and line.isascii()
        values: dict[str, float] = {}
        for at, name in self._values_at:
            cell = cells[at]
            try:
                number = float(cell) if plain else literal(cell.strip())
            except ValueError:
                number = math.nan
            if not -LARGEST < number < LARGEST:
                if not cell.strip():
                    continue
                self.report.note("not a number" if number != number else "number out of bounds", f"{name}: {cell}")
                number = math.nan
            values[name] = number
        gates: dict[str, bool] = {}
        for at, port in self._gates_at:
            if cells[at].strip():
                self.gate(gates, port, cells[at])
        if not values and not gates:
            self.report.skip("nothing in it", line)
            return None
        return Sample(self.source, t, values, gates or None)


def _cells(line: str) -> list[str]:
    """The cells of a line with quotation marks; a mark that is never closed makes one cell, not a longer line."""
    try:
        return next(csv.reader([line]), [])
    except csv.Error:
        return []
