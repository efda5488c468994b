"""Recordings read back: against other readers (json, dateutil, pandas), and with all that goes wrong in files."""

from __future__ import annotations

import gzip
import json
import math
import random
from itertools import pairwise
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from dateutil import parser as dateutil_parser
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analysis.readings import CHANNELS
from daemon.errors import SourceError
from daemon.sources.contract import Sample
from daemon.sources.recording import first_time, read_recording
from daemon.sources.recording_lines import RecordingReport
from tests.support.recordings import write_recording
from tests.support.thoroughness import examples

T0 = 1_772_355_600.0
"""2026-03-01T09:00:00Z."""


def read(path: Path, text: str | bytes | None = None, **how: Any) -> tuple[list[Sample], RecordingReport]:
    if text is not None:
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
    report = RecordingReport(path)
    return list(read_recording(path, report, **how)), report


def a_morning(count: int = 500) -> list[Sample]:
    rng = random.Random(7)
    made = []
    for n in range(count):
        values = {"inlet_pa": round(rng.gauss(-2100, 9), 1), "filter_pa": rng.gauss(310, 4)}
        if n % 3:
            values["motor_a"] = float(rng.randint(8, 12))
        gates = {"planer": n % 2 == 0, 'the "new", lathe': True} if n % 5 else None
        made.append(Sample("r", T0 + n * 0.25, values, gates))
    return made


def test_the_line_of_the_contract(tmp_path: Path) -> None:
    samples, report = read(
        tmp_path / "r.jsonl",
        '{"t":"2026-03-01T09:00:00Z","inlet_pa":-2100.5,"filter_pa":310.2,"motor_a":19.4,"gates":{"planer":true}}\n',
    )
    assert samples == [
        Sample("r.jsonl", T0, {"inlet_pa": -2100.5, "filter_pa": 310.2, "motor_a": 19.4}, {"planer": True})
    ]
    assert report.refused == {}
    assert (report.first_t, report.last_t, report.lines, report.samples) == (T0, T0, 1, 1)


def test_json_lines_agree_with_another_reader(tmp_path: Path) -> None:
    path = tmp_path / "r.jsonl"
    write_recording(path, a_morning())
    ours, report = read(path)
    for line, sample in zip(path.read_text().splitlines(), ours, strict=True):
        theirs = json.loads(line)
        assert sample.t == dateutil_parser.isoparse(theirs.pop("t")).timestamp()
        assert sample.gates == theirs.pop("gates", None)
        assert sample.values == theirs
    assert report.refused == {}
    assert report.bytes_done == report.bytes_total == path.stat().st_size


def test_csv_agrees_with_pandas(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    write_recording(path, a_morning())
    ours, report = read(path)
    theirs = pd.read_csv(path)
    assert report.refused == {}
    assert [s.t for s in ours] == [moment.timestamp() for moment in pd.to_datetime(theirs["t"], format="ISO8601")]
    for name in ("inlet_pa", "filter_pa", "motor_a"):
        for sample, value in zip(ours, theirs[name], strict=True):
            assert sample.values.get(name, math.nan) == pytest.approx(value, rel=1e-15, nan_ok=True)
    for sample, state in zip(ours, theirs["gate:planer"], strict=True):
        assert (sample.gates or {}).get("planer") == (None if math.isnan(state) else bool(state))


@pytest.mark.parametrize("name", ["r.jsonl", "r.jsonl.gz", "r.csv", "r.csv.gz", "recording"])
def test_what_is_written_is_read_back(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    sent = a_morning()
    assert write_recording(path, sent) == len(sent)
    got, report = read(path, source="r")
    assert got == sent
    assert report.skipped == 0
    assert first_time(path) == T0
    assert (path.read_bytes()[:2] == b"\x1f\x8b") == name.endswith(".gz")


@pytest.mark.parametrize("path_name", ["r.jsonl", "r.csv"])
def test_unknown_is_written_as_unknown(tmp_path: Path, path_name: str) -> None:
    path = tmp_path / path_name
    write_recording(path, [Sample("r", T0, {"inlet_pa": -1.0, "filter_pa": math.nan, "motor_a": math.inf})])
    assert "nan" not in path.read_text().lower()
    assert read(path)[0][0].values == {"inlet_pa": -1.0}


@pytest.mark.parametrize(
    ("said", "t"),
    [
        ('"2026-03-01T09:00:00Z"', T0),
        ('"2026-03-01T09:00:00.250Z"', T0 + 0.25),
        ('"2026-03-01T03:30:00-05:30"', T0),
        ('"2026-03-01 09:00:00+00:00"', T0),
        ("1772355600", T0),
        ("1772355600250", T0 + 0.25),
    ],
)
def test_times(tmp_path: Path, said: str, t: float) -> None:
    samples, report = read(tmp_path / "r.jsonl", f'{{"t":{said},"inlet_pa":-1}}')
    assert [sample.t for sample in samples] == [t]
    assert report.refused == {}


@pytest.mark.parametrize("name", ["r.jsonl", "r.csv"])
def test_a_time_without_zone_is_refused(tmp_path: Path, name: str) -> None:
    line = {"r.jsonl": '{"t":"2026-03-01T09:00:00","inlet_pa":-1}', "r.csv": "t,inlet_pa\n2026-03-01 09:00:00,-1"}[name]
    samples, report = read(tmp_path / name, line)
    assert samples == []
    assert report.refused == {"time without a zone": 1}


BAD_LINES = [
    ("", None),
    ("   \r", None),
    ("garbage", "not json"),
    ('{"t":"2026-03-01T09:00:00Z","inlet_pa":-1', "not json"),
    ("[1]", "not a json object"),
    ("{" * 5000, "not json"),
    ('{"x":' * 5000, "not json"),
    ('{"inlet_pa":-1}', "no time stamp"),
    ('{"t":null,"inlet_pa":-1}', "bad time stamp"),
    ('{"t":"soon","inlet_pa":-1}', "bad time stamp"),
    ('{"t":1e300,"inlet_pa":-1}', "time out of range"),
    ('{"t":"1969-12-31T23:59:59Z","inlet_pa":-1}', "time out of range"),
    ('{"t":"2200-01-01T00:00:00Z","inlet_pa":-1}', "time out of range"),
    ('{"t":"2026-03-01T09:00:00Z"}', "nothing in it"),
    ('{"t":"2026-03-01T09:00:00Z","inlet_pa":null}', "nothing in it"),
    ('{"t":"2026-03-01T09:00:00Z","t":"2026-03-01T09:00:01Z","inlet_pa":-1}', "duplicate name"),
    ('{"t":"2026-03-01T09:00:00Z","inlet_pa":' + "9" * 70_000 + "}", "too long"),
    ('{"t":"2026-03-01T09:00:00Z","note":"' + "x" * 400_000 + '"}', "too long"),
]


@pytest.mark.parametrize(("line", "reason"), BAD_LINES)
def test_bad_lines_are_counted_with_their_number(tmp_path: Path, line: str, reason: str | None) -> None:
    good = '{"t":"2026-03-01T09:00:00Z","inlet_pa":-1}'
    samples, report = read(tmp_path / "r.jsonl", f"{good}\n{line}\n{good}\n")
    assert len(samples) == 2
    assert report.lines == 3
    assert report.refused == ({} if reason is None else {reason: 1})
    assert [(problem.line, problem.reason) for problem in report.problems] == ([(2, reason)] if reason else [])


def test_bytes_that_are_no_text_spoil_one_line(tmp_path: Path) -> None:
    good = b'{"t":"2026-03-01T09:00:00Z","inlet_pa":-1}\n'
    samples, report = read(tmp_path / "r.jsonl", good + b'{"t":"\xff\xfe"}\n' + good)
    assert len(samples) == 2
    assert report.problems == [(2, "not text", "")]


ODD_VALUES = [
    ("NaN", "not a number"),
    ("Infinity", "number out of bounds"),
    ("1e400", "number out of bounds"),
    ("9" * 10_000, "number out of bounds"),
    ("true", "not a number"),
    ('"-1"', "not a number"),
    ("[[[]]]", "not a number"),
    ('-2,"inlet_pa":-1', "duplicate name"),
]


@pytest.mark.parametrize(("said", "reason"), ODD_VALUES)
def test_odd_values_are_nan_and_the_rest_of_the_line_is_taken(tmp_path: Path, said: str, reason: str) -> None:
    line = f'{{"t":"2026-03-01T09:00:00Z","inlet_pa":{said},"filter_pa":310}}'
    samples, report = read(tmp_path / "r.jsonl", line)
    assert samples[0].values["filter_pa"] == 310.0
    assert math.isnan(samples[0].values["inlet_pa"])
    assert report.refused == {reason: 1}
    assert report.skipped == 0


def test_names_that_are_no_channel_are_left_out_and_named(tmp_path: Path) -> None:
    line = '{"t":"2026-03-01T09:00:00Z","inlet_pa":-1,"note":"sanded","\\u001b[2Jx":5}'
    samples, report = read(tmp_path / "r.jsonl", line)
    assert samples[0].values == {"inlet_pa": -1.0}
    assert report.unknown == {"note": 1, "\\x1b[2Jx": 1}
    assert report.words().isprintable() or "\x1b" not in report.words()


def test_gates_in_words_and_gates_that_make_no_sense(tmp_path: Path) -> None:
    line = '{"t":"2026-03-01T09:00:00Z","gates":{"planer":"open","lathe":0,"saw: left":true,"x":"ajar","y":null}}'
    samples, report = read(tmp_path / "r.jsonl", line)
    assert samples == [Sample("r.jsonl", T0, {}, {"planer": True, "lathe": False, "saw: left": True})]
    assert report.refused == {"not a gate state": 2}


def series(*seconds: float) -> str:
    return "".join(json.dumps({"t": T0 + s, "inlet_pa": -1 - s}) + "\n" for s in seconds)


DAY = 86_400.0


@pytest.mark.parametrize(
    ("seconds", "taken", "refused"),
    [
        ((0, 1, 2), (0, 1, 2), {}),
        ((0, 0, 1), (0, 0, 1), {}),
        ((0, 2, 1, 3), (0, 2, 3), {"out of order": 1}),
        ((0, 1, 3 * DAY, 2, 3), (0, 1, 2, 3), {"time leaps ahead and back": 1}),
        ((5 * DAY, 1, 2), (1, 2), {"time leaps ahead and back": 1}),
        ((0, 1, 3 * DAY, 3 * DAY + 1), (0, 1, 3 * DAY, 3 * DAY + 1), {}),
        ((0, 3 * DAY), (0, 3 * DAY), {}),
        ((0, 3 * DAY, 9 * DAY, 3 * DAY + 1), (0, 3 * DAY, 3 * DAY + 1), {"time leaps ahead and back": 1}),
        ((7,), (7,), {}),
    ],
)
def test_time_never_runs_backwards(
    tmp_path: Path, seconds: tuple[float, ...], taken: tuple[float, ...], refused: dict[str, int]
) -> None:
    samples, report = read(tmp_path / "r.jsonl", series(*seconds))
    assert [sample.t - T0 for sample in samples] == list(taken)
    assert report.refused == refused
    assert report.samples == len(taken)
    assert report.samples + report.skipped == len(seconds)
    assert (report.first_t, report.last_t) == (T0 + taken[0], T0 + taken[-1])


def test_only_the_first_twenty_problems_are_kept(tmp_path: Path) -> None:
    _, report = read(tmp_path / "r.jsonl", "garbage\n" * 500 + '{"t":"2026-03-01T09:00:00Z","inlet_pa":-1}')
    assert [problem.line for problem in report.problems] == list(range(1, 21))
    assert report.refused == {"not json": 500}
    assert report.skipped == 500


CSV_ROWS = [
    ("2026-03-01T09:00:00Z,-1,310", {"inlet_pa": -1.0, "filter_pa": 310.0}, {}),
    (' 2026-03-01T09:00:00Z , -1 ,"310"', {"inlet_pa": -1.0, "filter_pa": 310.0}, {}),
    ("1772355600,-1,", {"inlet_pa": -1.0}, {}),
    ("2026-03-01T09:00:00Z,,310\r", {"filter_pa": 310.0}, {}),
    ("2026-03-01T09:00:00Z,-1", None, {"column count": 1}),
    ("2026-03-01T09:00:00Z,-1,310,5", None, {"column count": 1}),
    ('2026-03-01T09:00:00Z,-1,"310', {"inlet_pa": -1.0, "filter_pa": 310.0}, {}),
    ("2026-03-01T09:00:00Z,,", None, {"nothing in it": 1}),
    ("soon,-1,310", None, {"bad time stamp": 1}),
    (",-1,310", None, {"bad time stamp": 1}),
]


@pytest.mark.parametrize(("row", "values", "refused"), CSV_ROWS)
def test_csv_rows(tmp_path: Path, row: str, values: dict[str, float] | None, refused: dict[str, int]) -> None:
    samples, report = read(tmp_path / "r.csv", f"t,inlet_pa,filter_pa\n{row}\n")
    assert [dict(sample.values) for sample in samples] == ([] if values is None else [values])
    assert report.refused == refused


@pytest.mark.parametrize("cell", ["nan", "inf", "1e999", "1_0", "\u0661", "0x1", "true", "--1", "1 2"])
def test_csv_cells_that_are_no_number(tmp_path: Path, cell: str) -> None:
    samples, report = read(tmp_path / "r.csv", f"t,inlet_pa,filter_pa\n2026-03-01T09:00:00Z,{cell},310\n")
    assert samples[0].values["filter_pa"] == 310.0
    assert math.isnan(samples[0].values["inlet_pa"])
    assert sum(report.refused.values()) == 1


@pytest.mark.parametrize(
    ("header", "words"),
    [
        ("time,inlet_pa", "names no column t"),
        ("t;inlet_pa", "semicolons"),
        ("t,inlet_pa,inlet_pa", "twice: inlet_pa"),
        ("t,pressure", "names no channel"),
    ],
)
def test_csv_headers_that_cannot_be(tmp_path: Path, header: str, words: str) -> None:
    with pytest.raises(SourceError, match=words):
        read(tmp_path / "r.csv", f"{header}\n2026-03-01T09:00:00Z,-1\n")


def test_a_file_that_is_not_there_is_said_clearly(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match=r"cannot read .*absent\.jsonl: No such file"):
        list(read_recording(tmp_path / "absent.jsonl"))
    with pytest.raises(SourceError, match=r"cannot read .*: Is a directory"):
        list(read_recording(tmp_path))
    (tmp_path / "empty.jsonl").touch()
    assert list(read_recording(tmp_path / "empty.jsonl")) == []
    with pytest.raises(SourceError, match="there is no sample to be had"):
        first_time(tmp_path / "empty.jsonl")


@pytest.mark.parametrize("damage", ["cut", "flip"])
def test_a_damaged_compressed_file_is_read_as_far_as_it_goes(tmp_path: Path, damage: str) -> None:
    rng = random.Random(3)
    lines = "".join(json.dumps({"t": T0 + n, "inlet_pa": rng.random()}) + "\n" for n in range(50_000))
    packed = bytearray(gzip.compress(lines.encode()))
    if damage == "cut":
        packed = packed[: len(packed) // 2]
    else:
        packed[len(packed) // 2] ^= 0xFF
    samples, report = read(tmp_path / "r.jsonl.gz", bytes(packed))
    assert "damaged" in report.damaged
    assert len(samples) > 10_000
    assert report.damaged in report.words()


def test_lines_across_blocks_are_whole(tmp_path: Path) -> None:
    """Larger than any block the reader takes at once, with letters of two bytes at every offset."""
    line = '{"t":"2026-03-01T09:00:00Z","inlet_pa":-1,"gates":{"H\u00f6hlbohrer":true}}\n'
    samples, report = read(tmp_path / "r.jsonl", line * 20_000)
    assert len(samples) == 20_000
    assert report.refused == {}
    assert samples[-1].gates == {"H\u00f6hlbohrer": True}


ANY_LINES = st.lists(
    st.binary(max_size=60)
    | st.builds(
        lambda fields: json.dumps(fields).encode(),
        st.dictionaries(
            st.sampled_from(["t", "inlet_pa", "gates", "odd"]),
            st.sampled_from(["2026-03-01T09:00:00Z", "2026-03-01", -2100.5, 10**400, None, True, [], {}, {"p": 1}])
            | st.floats(),
        ),
    )
    | st.sampled_from([b"t,inlet_pa,gate:p", b"2026-03-01T09:00:00Z,-1,open", b"t", b'"', b"\x1f\x8b"]),
    max_size=8,
)


@given(ANY_LINES, st.sampled_from(["any.jsonl", "any.csv", "any"]))
@settings(max_examples=examples(400), suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_file_at_all(tmp_path: Path, lines: list[bytes], name: str) -> None:
    try:
        samples, report = read(tmp_path / name, b"\n".join(lines))
    except SourceError as error:
        words = str(error)
    else:
        words = ""
        check(samples, report)
    assert words.isprintable()


def check(samples: list[Sample], report: RecordingReport) -> None:
    assert all(a.t <= b.t for a, b in pairwise(samples))
    assert report.samples == len(samples)
    assert report.words()
    for sample in samples:
        assert sample.values or sample.gates
        assert sample.values.keys() <= CHANNELS.keys()
        assert all(math.isnan(v) or abs(v) < 1e12 for v in sample.values.values())
