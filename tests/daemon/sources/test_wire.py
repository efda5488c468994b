"""What a device's line becomes, and what hostile lines become: a count, never an error."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from daemon.sources.contract import Sample, SourceHealth
from daemon.sources.fields import LARGEST, escaped, literal, stamp
from daemon.sources.grammar import MOST_UNIT_WORDS, pairs, unit_symbol
from daemon.sources.lines import with_checksum
from daemon.sources.wire import LineParser, WireSettings
from tests.support.thoroughness import examples

NOON = 1_772_366_400.0
"""2026-03-01T12:00:00Z, by ``date -u -d @1772366400``."""


def parse(line: str | bytes, **wire: Any) -> tuple[Sample | None, SourceHealth]:
    health = SourceHealth("bench", "serial")
    parser = LineParser("bench", WireSettings(**wire), health)
    return parser.parse(line if isinstance(line, bytes) else line.encode(), NOON), health


def values(line: str | bytes, **wire: Any) -> dict[str, float]:
    sample, health = parse(line, **wire)
    assert sample is not None, health
    assert health.refused == {}
    return dict(sample.values)


GOOD = {"inlet_pa": -2100.5, "filter_pa": 310.0}


@pytest.mark.parametrize(
    "line",
    [
        '{"inlet_pa":-2100.5,"filter_pa":310}',
        '  {"inlet_pa": -2.1005e3, "filter_pa": 310.0}  ',
        "inlet_pa=-2100.5 filter_pa=310",
        "inlet_pa=-2100.5,filter_pa=310",
        "inlet_pa = -2100.5 ; filter_pa = 310 ;",
        "inlet_pa=-2100.5\tfilter_pa=+310.",
        "$inlet_pa=-2100.5, filter_pa=310",
        with_checksum("inlet_pa=-2100.5 filter_pa=310"),
        "$" + with_checksum('{"inlet_pa":-2100.5,"filter_pa":310}'),
    ],
)
def test_json_and_pairs(line: str) -> None:
    assert values(line) == GOOD


def test_a_long_tail_of_words_is_no_unit_and_nothing_of_it_is_kept() -> None:
    """Every beginning of it was looked up as a unit, two milliseconds each, and remembered for good (found by the fuzzer)."""
    unit_symbol.cache_clear()
    for number in range(400):
        pairs(f"inlet_pa = -21 a{number}" + " a" * 400)
    assert unit_symbol.cache_info().misses <= 400 * (MOST_UNIT_WORDS + 1)
    assert unit_symbol.cache_info().currsize <= 1024


def test_pairs_that_run_into_each_other_are_refused_at_once() -> None:
    """An ``e`` may be of a number or begin a name: trying every way doubled the time with each pair (found by the fuzzer)."""
    assert pairs("$inlet_pa=-2100." + "et_pa=-2100." * 50 + "!") == "not a pair"


@pytest.mark.parametrize("line", ["-2100.5,x,310", "-2100.5; 7 ;310", "-2100.5 7 310", with_checksum("-2100.5,,310")])
def test_columns(line: str) -> None:
    assert values(line, columns=("inlet_pa", "-", "filter_pa")) == GOOD


def test_columns_with_time_and_gate() -> None:
    sample, health = parse("2026-03-01T11:59:59Z,-2100.5,shut", columns=("t", "inlet_pa", "gate:planer"))
    assert sample == Sample("bench", NOON - 1.0, {"inlet_pa": -2100.5}, {"planer": False})
    assert health.refused == {}


def test_auto_decides_line_by_line() -> None:
    health = SourceHealth("bench", "serial")
    parser = LineParser("bench", WireSettings(columns=("inlet_pa",)), health)
    for line in (b'{"inlet_pa":-1}', b"inlet_pa=-1", b"-1"):
        sample = parser.parse(line, NOON)
        assert sample is not None
        assert sample.values == {"inlet_pa": -1.0}


@pytest.mark.parametrize(
    ("line", "t"),
    [
        ('{"t":"2026-03-01T11:59:00Z","a":1}', NOON - 60),
        ('{"t":"2026-03-01T12:59:00+01:00","a":1}', NOON - 60),
        ('{"t":1772366340,"a":1}', NOON - 60),
        ('{"t":1772366340.5,"a":1}', NOON - 59.5),
        ('{"t":1772366340500,"a":1}', NOON - 59.5),
        ("t=1772366340 a=1", NOON - 60),
        ("t=2026-03-01T11:59:00Z a=1", NOON - 60),
    ],
)
def test_a_devices_own_time_is_taken(line: str, t: float) -> None:
    sample, health = parse(line)
    assert sample is not None
    assert sample.t == t
    assert health.refused == {}


@pytest.mark.parametrize(
    ("said", "reason"),
    [
        ('"1970-01-01T00:10:00Z"', "device clock is off"),
        ("123456", "device clock is off"),  # milliseconds since the board was switched on
        ('"2027-03-01T12:00:00Z"', "device clock is off"),
        ("1e300", "time out of range"),
        ("-5", "time out of range"),
        ('"2026-03-01T12:00:00"', "time without a zone"),
        ('"yesterday"', "bad time stamp"),
        ('"2026-13-01T12:00:00Z"', "bad time stamp"),
        ("NaN", "bad time stamp"),
        ("true", "bad time stamp"),
        ("[1]", "bad time stamp"),
        ("null", "bad time stamp"),
        (f'"2026-{"0" * 3000}"', "bad time stamp"),
    ],
)
def test_a_time_that_cannot_be_gives_way_to_the_time_of_arrival(said: str, reason: str) -> None:
    sample, health = parse(f'{{"t":{said},"a":1}}')
    assert sample == Sample("bench", NOON, {"a": 1.0})
    assert health.refused == {reason: 1}


def test_gates() -> None:
    sample, health = parse('{"gates":{"planer":true,"lathe":"Shut","shaving horse":1,"bandsaw":"ajar"}}')
    assert sample == Sample("bench", NOON, {}, {"planer": True, "lathe": False, "shaving horse": True})
    assert health.refused == {"not a gate state": 1}


def test_only_known_names_and_ports_are_taken_and_others_are_counted() -> None:
    line = "inlet_pa=-1 battery=3.9 gate:planer=open gate:attic=open"
    sample, health = parse(line, known=frozenset({"inlet_pa"}), ports=frozenset({"planer"}))
    assert sample == Sample("bench", NOON, {"inlet_pa": -1.0}, {"planer": True})
    assert health.unknown_channels == {"battery": 1, "gate:attic": 1}
    assert health.refused == {"unknown channel": 2}


NOT_TAKEN: list[tuple[str | bytes, str]] = [
    (b"\xff\xfe\x80", "not text"),
    (b"inlet_pa=\x001", "not text"),
    (b"inlet_pa=1\x1b[2J", "not text"),
    (b"inlet_pa=1\x7f", "not text"),
    ("garbage", "unknown form"),
    ("-2100.5", "unknown form"),
    ("[1,2,3]", "unknown form"),
    ('{"inlet_pa":-2100', "not json"),
    ('{"inlet_pa":}', "not json"),
    ("{'inlet_pa':1}", "not json"),
    ('{"inlet_pa":1}{"inlet_pa":2}', "not json"),
    ('{"inlet_pa":1} trailing', "not json"),
    ('{"inlet_pa":01}', "not json"),
    ("{" * 4000, "not json"),
    ('{"a":' * 800, "not json"),
    ('{"a":' + "[" * 4000, "not json"),
    ("{}", "nothing in it"),
    ('{"t":1772366400}', "nothing in it"),
    ("inlet_pa=-2100,5,310", "not a pair"),
    ("inlet_pa=-21 00.5 filter_pa=310", "not a pair"),
    ("inlet_pa", "unknown form"),
    ("=5", "not a pair"),
    ("inlet_pa=", "not a pair"),
    ("inlet_pa=-2100.5*00", "checksum"),
    ("inlet_pa=-2100.5*3", "checksum"),
    ("inlet_pa=-2100.5*", "checksum"),
]


@pytest.mark.parametrize(("line", "reason"), NOT_TAKEN)
def test_what_is_refused_as_a_whole(line: str | bytes, reason: str) -> None:
    sample, health = parse(line)
    assert sample is None
    assert health.refused == {reason: 1}


NO_NUMBER = [
    ('{"a":NaN}', "not a number"),
    ('{"a":null}', "not a number"),
    ('{"a":true}', "not a number"),
    ('{"a":Infinity}', "number out of bounds"),
    ('{"a":-Infinity}', "number out of bounds"),
    ('{"a":1e400}', "number out of bounds"),
    ('{"a":-1e13}', "number out of bounds"),
    ('{"a":' + "9" * 4000 + "}", "number out of bounds"),
    ('{"a":1,"a":2}', "duplicate name"),
    ("a=nan", "not a number"),
    ("a=inf", "number out of bounds"),
    ("a=1e999", "number out of bounds"),
    ("a=1_000", "not a number"),
    ("a=0x10", "not a number"),
    ("a=\u0661\u0662", "not a number"),  # Arabic-Indic digits, which float() would read as 12
    ("a=12Pb", "not a number"),
    ("a=12 psig", "not a number"),
    ('{"a":"12 psig"}', "not a number"),
    ('{"a":[]}', "not a number"),
    ('{"a":{}}', "not a number"),
    ("a=--5", "not a number"),
    ("a=" + "9" * 300, "number out of bounds"),
    ("a=" + "9" * 3000, "not a number"),
    ("a=1 a=2", "duplicate name"),
]


@pytest.mark.parametrize(("line", "reason"), NO_NUMBER)
def test_a_value_that_is_no_number_is_nan_and_counted(line: str, reason: str) -> None:
    sample, health = parse(line)
    assert sample is not None
    assert list(sample.values) == ["a"]
    assert math.isnan(sample.values["a"])
    assert health.refused == {reason: 1}


def test_the_other_values_of_such_a_line_are_taken() -> None:
    sample, _ = parse('{"a":NaN,"b":2}')
    assert sample is not None
    assert sample.values["b"] == 2.0


def test_ten_thousand_digits_at_once() -> None:
    """Python refuses to read integers of more than 4300 digits: the reason must still be the right one."""
    sample, health = parse(b'{"a":' + b"7" * 10_000 + b"}")
    assert sample is not None
    assert health.refused == {"number out of bounds": 1}


def test_a_nest_of_brackets_is_no_bomb() -> None:
    for depth in (10, 1_000, 100_000):
        sample, health = parse(b'{"a":' + b"[" * depth + b"]" * depth + b"}")
        assert sample is None or all(map(math.isnan, sample.values.values()))
        assert sum(health.refused.values()) == 1


def test_names_are_bounded_in_number_and_harmless_in_kind() -> None:
    health = SourceHealth("bench", "serial")
    parser = LineParser("bench", WireSettings(), health)
    for n in range(3000):
        parser.parse(f"name{n}=1".encode(), NOON)
        parser.parse(json.dumps({f"\x1b[31m{n}\n": 1, "ud\ud800": 2}).encode(), NOON)
    assert len(health.unknown_channels) <= 50
    assert health.refused["too many names"] == 3000 - 256
    assert all(name.isprintable() for name in health.unknown_channels)
    assert len(health.refused) < 10


def test_many_values_in_one_line_are_cut_off() -> None:
    sample, health = parse(" ".join(f"n{n}=1" for n in range(200)))
    assert sample is not None
    assert len(sample.values) == 64
    assert health.refused == {"too many values": 1}


def test_missing_checksum_where_it_is_required() -> None:
    sample, health = parse("a=1", checksum="required")
    assert sample is None
    assert health.refused == {"checksum missing": 1}
    assert values(with_checksum("a=1"), checksum="required") == {"a": 1.0}


def test_a_fixed_form_takes_no_other() -> None:
    assert parse("a=1", format="json")[1].refused == {"not json": 1}
    assert parse('{"a":1}', format="pairs")[1].refused == {"unknown form": 1}
    assert parse("1,2,3", format="columns", columns=("a",))[1].refused == {"column count": 1}


@pytest.mark.parametrize(
    ("line", "whole"),
    [
        (b"100.5,310.2", False),
        (b"et_pa=-5 filter_pa=3", False),
        (b'filter_pa":3}', False),
        (b'{"planer":true}}', False),
        (b'{"inlet_pa":-1}', True),
        (b"$inlet_pa=-1", False),
        (b"$" + with_checksum("inlet_pa=-1").encode(), True),
        (with_checksum("inlet_pa=-1").encode(), False),
        (b"\xff", False),
    ],
)
def test_which_first_lines_are_surely_whole(line: bytes, whole: bool) -> None:
    assert LineParser("bench", WireSettings(), SourceHealth("bench", "serial")).surely_whole(line) is whole


@pytest.mark.parametrize("wire", [
    {"columns": ("a", "a")},
    {"format": "columns"},
    {"format": "xml"},
    {"checksum": "maybe"},
    {"pattern": "no place"}, {"pattern": "{P1}", "columns": ("a",)}, {"pattern": "{P1} {P1}"}, {"pattern": "{name} is {P1}"},
])
def test_settings_that_cannot_work_are_refused_in_words(wire: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"\w+ .*\w"):
        WireSettings(**wire)


def check(sample: Sample | None, health: SourceHealth) -> None:
    """What holds for every line whatever: a usable sample, or a count and a reason."""
    assert sample is not None or sum(health.refused.values()) >= 1
    assert all(isinstance(n, int) and n > 0 for n in health.refused.values())
    assert all(name.isprintable() for name in health.unknown_channels)
    if sample is not None:
        assert sample.values or sample.gates
        assert NOON - 3600.0 <= sample.t <= NOON + 10.0
        for name, value in sample.values.items():
            assert type(value) is float
            assert math.isnan(value) or abs(value) < LARGEST
            assert name.isprintable()
            assert len(name) <= 64
        for port, state in (sample.gates or {}).items():
            assert type(state) is bool
            assert port.isprintable()
        nans = sum(math.isnan(value) for value in sample.values.values())
        assert nans <= sum(health.refused.values())


@given(st.binary(max_size=200))
@example(b"\xef\xbb\xbf{}")
@example(b"$*00")
@settings(max_examples=examples(400))
def test_any_bytes_at_all(line: bytes) -> None:
    for wire in ({}, {"columns": ("a", "b")}, {"checksum": "required"}):
        check(*parse(line, **wire))


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers(-(10**400), 10**400) | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=8,
)
NAMES = st.sampled_from(["inlet_pa", "t", "gates", "gate:planer", "value", ""]) | st.text(max_size=6)


@given(st.dictionaries(NAMES, JSON, max_size=6))
@settings(max_examples=examples(400))
def test_any_json_object_at_all(fields: dict[str, Any]) -> None:
    check(*parse(json.dumps(fields)))


PAIR = st.tuples(NAMES, st.sampled_from(["=", " = ", "==", ""]), st.text(max_size=6) | st.floats().map(repr))


@given(st.lists(PAIR.map("".join), max_size=6), st.sampled_from([" ", ",", ";", ", "]))
@settings(max_examples=examples(400))
def test_any_pairs_at_all(pairs: list[str], between: str) -> None:
    check(*parse(between.join(pairs).encode("utf-8", "surrogatepass")))


@given(st.dictionaries(st.from_regex(r"[a-z_]{1,12}", fullmatch=True).filter(lambda n: n not in ("t", "gates")),
                       st.floats(-1e11, 1e11), min_size=1, max_size=8))
def test_what_a_good_device_sends_is_read_exactly(sent: dict[str, float]) -> None:
    assert values(json.dumps(sent)) == sent
    assert values(with_checksum(json.dumps(sent)), checksum="required") == sent
    assert values(" ".join(f"{name}={value!r}" for name, value in sent.items())) == sent
    assert values(",".join(map(repr, sent.values())), columns=tuple(sent)) == sent


@given(st.floats(0.0, 4_000_000_000.0))
def test_a_time_stamp_reads_the_same_in_seconds_and_milliseconds(t: float) -> None:
    assert stamp(t) == t
    if t > 2e8:
        assert stamp(t * 1000.0) == pytest.approx(t, abs=1e-6)


@given(st.text(max_size=300))
def test_escaped_text_is_harmless(text: str) -> None:
    made = escaped(text)
    assert made.isprintable()
    assert len(made) <= 67
    if text.isprintable() and len(text) <= 64:
        assert made == text


@given(st.floats(allow_nan=False))
def test_literal_reads_what_repr_writes(number: float) -> None:
    assert literal(repr(number)) == number


@pytest.mark.parametrize("behind", [60.0, 600.0, 3000.0, 40_000.0])
def test_a_device_whose_clock_is_behind_is_followed_and_told(behind: float) -> None:
    health = SourceHealth("bench", "serial")
    parser = LineParser("bench", WireSettings(), health)
    taken = []
    for second in range(60):
        arrived = 1_790_000_000.0 + second
        sample = parser.parse(b'{"t": %.1f, "inlet_pa": -2000}' % (arrived - behind + 0.3 * (second % 3)), arrived)
        assert sample is not None
        taken.append(abs(sample.t - arrived) < 5.0)
    assert taken.count(False) <= 1, "at most the first, before its clock is known"
    assert health.refused["device clock is off"] >= 59
    assert health.last_error == f"the device's clock is {behind - 0.6:.0f} s behind; the time of arrival counts"


def test_what_a_device_has_stored_up_is_not_taken_for_the_present() -> None:
    parser = LineParser("bench", WireSettings(), SourceHealth("bench", "serial"))
    for second in range(600):
        arrived = 1_790_000_600.0 + 0.002 * second
        sample = parser.parse(b'{"t": %.1f, "inlet_pa": -2000}' % (1_790_000_000.0 + second), arrived)
        assert sample is not None
        assert sample.t == 1_790_000_000.0 + second
