"""Recordings: what a shop measured, in a file. Read fast, and with a report of every line that was not taken.

JSON Lines, one instant a line; any channel may appear or be absent, ``gates`` is optional::

    {"t":"2026-03-01T09:00:00Z","inlet_pa":-2100.5,"filter_pa":310.2,"motor_a":19.4,"gates":{"planer":true}}

CSV with the same names in its first line; each gate has a column ``gate:PORT`` that says 1/0, true/false or open/shut::

    t,inlet_pa,filter_pa,motor_a,gate:planer
    2026-03-01T09:00:00Z,-2100.5,310.2,19.4,open

Either may be compressed by gzip. Values are SI and calibrated already. The rules:

- ``t`` is ISO 8601 with its zone, or seconds or milliseconds since 1970-01-01 UTC. A time without a zone is refused,
  because it is some unknown place's local time.
- Time does not run backwards: a line earlier than the last one taken is skipped and counted. Equal times are taken.
  One single stamp more than a day ahead, from which the next line steps back, is the one that is skipped, so that one
  broken stamp does not cost the rest of the file.
- A value that is ``null`` or an empty cell is absent. A value that is no finite number is NaN in the sample, and
  counted; names that are no channel are left out, and counted. The rest of such a line is taken.
"""

from __future__ import annotations

import gzip
import math
import zlib
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import IO

from analysis.readings import CHANNELS
from daemon.errors import SourceError
from daemon.sources.contract import Sample
from daemon.sources.fields import escaped
from daemon.sources.recording_lines import CsvLines, JsonLines, LineReader, RecordingReport

_BLOCK = 1 << 18
_LONGEST_LINE = 1 << 16
_JUMP_S = 86_400.0
_NOT_TEXT = "\udcff"
"""Stands for a line that is not UTF-8; no decoded text can contain it."""


def read_recording(
    path: str | Path,
    report: RecordingReport | None = None,
    *,
    source: str | None = None,
    channels: frozenset[str] = frozenset(CHANNELS),
) -> Iterator[Sample]:
    """The samples of a recording, in order of time.

    Parameters
    ----------
    path : a JSON Lines or CSV file, plain or compressed by gzip; if its name does not tell, its first line does
    report : is filled while the iterator runs; give one to learn what was not taken
    source : the samples' source name, the file's name if None
    channels : the names to take

    Raises
    ------
    SourceError
        At the first sample: the file cannot be opened, or its first line cannot be that of a recording. A file that
        turns out damaged later ends there, with the reason in ``report.damaged``.
    """
    report = report if report is not None else RecordingReport(Path(path))
    name = source if source is not None else Path(path).name
    last = -math.inf
    held: tuple[Sample, int] | None = None
    for sample in _samples(report, name, channels):
        t = sample.t
        if t < last:
            report.skip("out of order", _time_words(t))
            continue
        if held is not None or t - last > _JUMP_S:
            if held is not None:
                if t < held[0].t:
                    report.skip("time leaps ahead and back", _time_words(held[0].t), held[1])
                else:
                    last = held[0].t
                    _taken(report, last)
                    yield held[0]
                held = None
            if t - last > _JUMP_S:
                held = (sample, report.lines)
                continue
        last = report.last_t = t
        report.samples += 1
        yield sample
    if held is not None:
        _taken(report, held[0].t)
        yield held[0]


def _taken(report: RecordingReport, t: float) -> None:
    report.samples += 1
    report.last_t = t
    if report.first_t is None:
        report.first_t = t


def first_time(path: str | Path) -> float:
    """Event time of the first sample [s]. Raises SourceError if there is none."""
    report = RecordingReport(Path(path))
    for sample in read_recording(path, report):
        return sample.t
    raise SourceError(f"there is no sample to be had: {report.words()}")


def _samples(report: RecordingReport, source: str, channels: frozenset[str]) -> Iterator[Sample]:
    """Each line's sample, in the file's order."""
    reader: LineReader | None = None
    for lines in _blocks(report):
        for raw in lines:
            report.lines += 1
            line = raw.strip()
            if not line:
                continue
            if len(line) > _LONGEST_LINE:
                report.skip("too long", line)
                continue
            if line == _NOT_TEXT:
                report.skip("not text")
                continue
            if reader is None:
                if _is_csv(report.path, line):
                    reader = CsvLines(report, source, channels, line)
                    continue
                reader = JsonLines(report, source, channels)
            sample = reader.read(line)
            if sample is not None:
                yield sample


def _is_csv(path: Path, first_line: str) -> bool:
    """By the name if it tells, else by the first line."""
    name = path.name.lower().removesuffix(".gz")
    if name.endswith((".csv", ".jsonl", ".ndjson", ".json")):
        return name.endswith(".csv")
    return not first_line.startswith("{")


def _blocks(report: RecordingReport) -> Iterator[list[str]]:
    """The lines of the file, some thousands at a time; an overlong line is cut just beyond the limit."""
    where = escaped(str(report.path), 200)
    try:
        file = report.path.open("rb")
        report.bytes_total = report.path.stat().st_size
    except OSError as error:
        raise SourceError(f"cannot read {where}: {error.strerror or error}") from error
    with file:
        try:
            zipped = file.peek(2)[:2] == b"\x1f\x8b"
        except OSError as error:
            raise SourceError(f"cannot read {where}: {error.strerror or error}") from error
        stream: IO[bytes] = gzip.GzipFile(fileobj=file) if zipped else file  # type: ignore[assignment]
        tail = b""
        start = True
        while True:
            try:
                block = stream.read(_BLOCK)
            except (OSError, EOFError, zlib.error) as error:
                report.damaged = f"the file is damaged and was read only in part: {escaped(str(error), 100)}"
                block = b""
            report.bytes_done = file.tell()
            if not block:
                break
            if start:
                block = block.removeprefix(b"\xef\xbb\xbf")
                start = False
            whole, end, rest = block.rpartition(b"\n")
            if end:
                yield _decoded(tail + whole)
                tail = rest
            else:
                tail += block
            tail = tail[: _LONGEST_LINE + 1]
        if tail:
            yield _decoded(tail)


def _decoded(lines: bytes) -> list[str]:
    try:
        return lines.decode().split("\n")
    except UnicodeDecodeError:
        return [_decoded_line(line) for line in lines.split(b"\n")]


def _decoded_line(line: bytes) -> str:
    try:
        return line.decode()
    except UnicodeDecodeError:
        return _NOT_TEXT


def _time_words(t: float) -> str:
    return datetime.fromtimestamp(t, UTC).isoformat().replace("+00:00", "Z")
