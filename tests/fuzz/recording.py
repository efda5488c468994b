"""Fuzz the reading of recordings: the input is the whole file, named .jsonl, .csv or nothing telling."""

from __future__ import annotations

import atexit
import gzip
import math
import shutil
import tempfile
import zlib
from collections.abc import Hashable
from itertools import pairwise
from pathlib import Path

from analysis.readings import CHANNELS
from daemon.errors import SourceError
from daemon.sources.recording import RecordingReport, read_recording
from tests.fuzz.engine import Target, main

MEMORY = Path("/dev/shm")
FOLDER = Path(tempfile.mkdtemp(dir=MEMORY if MEMORY.is_dir() else None))
atexit.register(shutil.rmtree, FOLDER, ignore_errors=True)
FILES = [(FOLDER / "any.jsonl").open("wb"), (FOLDER / "any.csv").open("wb"), (FOLDER / "any").open("wb")]

LINE = b'{"t":"2026-03-01T09:00:00Z","inlet_pa":-2100.5,"filter_pa":310.2,"motor_a":19.4,"gates":{"planer":true}}\n'
ROWS = b't,inlet_pa,"filter_pa",gate:planer\n2026-03-01T09:00:00Z,-2100.5,310.2,open\n2026-03-01T09:00:01Z,,"3",0\n'
SEEDS = (
    LINE + LINE.replace(b":00Z", b":01Z"),
    LINE + b"\n\n" + LINE.replace(b"2026", b"2027") + LINE,
    b'{"t":1772355600,"inlet_pa":null,"motor_a":1}\r\n',
    ROWS,
    b"\xef\xbb\xbf" + ROWS,
    gzip.compress(LINE * 3, mtime=0),
)
WORDS = (
    LINE, b'"t":', b'"inlet_pa":', b'"gates":{', b'"planer":true', b'"t":"2026-03-01T09:00:00Z","inlet_pa":-1', b"t,inlet_pa\n",
    b"gate:planer", b"2026-03-01T09:00:00Z,-1\n", b"\n\n", b'"inlet_pa":1,"inlet_pa":2', b'""', b"\x1f\x8b\x08\x00",
)


def check(data: bytes) -> Hashable:
    """Whatever the file: samples in order of time, every other line counted, SourceError only at its beginning."""
    # one name each, by the input itself: the same input is always read the same way
    turn = zlib.crc32(data)
    file = FILES[turn % 3]
    file.seek(0)
    file.truncate()
    file.write(data)
    file.flush()
    report = RecordingReport(Path(file.name))
    try:
        samples = list(read_recording(report.path, report))
    except SourceError as error:
        samples, refusal = [], str(error)
    else:
        refusal = ""
    assert refusal.isprintable()
    assert all(a.t <= b.t for a, b in pairwise(samples))
    assert report.samples == len(samples)
    assert report.samples + report.skipped <= report.lines
    assert len(report.problems) <= 20
    assert "\x1b" not in report.words()
    nans = 0
    for sample in samples:
        assert sample.values or sample.gates
        assert 0.0 <= sample.t < 4_102_444_800.0
        assert sample.values.keys() <= CHANNELS.keys()
        for value in sample.values.values():
            assert type(value) is float
            nans += math.isnan(value)
            assert math.isnan(value) or abs(value) < 1e12
        assert all(type(state) is bool for state in (sample.gates or {}).values())
    assert nans <= sum(report.refused.values())
    reasons = tuple(sorted(report.refused))
    return turn % 3, bool(refusal), reasons, min(len(samples), 3), nans > 0, bool(report.damaged)


if __name__ == "__main__":
    main(Target("recording", check, SEEDS, WORDS))
