"""The configuration: what is understood, and what is said about what is not."""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.config.load import load, parse
from daemon.config.model import ShopFile
from daemon.config.summary import CAN_TELL, summary
from daemon.config.toml_lines import key_lines, line_of
from daemon.errors import ConfigError
from tests.support.thoroughness import examples

BARN = Path("daemon/demo/chair-barn.toml")
TEXT = BARN.read_text()


def problems(text: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        parse(text, Path("shop.toml"))
    return caught.value.problems


def changed(old: str, new: str) -> str:
    assert old in TEXT
    return TEXT.replace(old, new, 1)


def test_the_demo_shop_is_understood() -> None:
    config = load(BARN)
    assert config.design.port_names == ("planer", "bandsaw", "lathe", "shaving horse")
    assert {spec.channel for spec in config.sensors} == {"inlet_pa", "filter_pa", "motor_a"}
    # -20 in. w.g. in pascals, by NIST SP 811 App. B.8, less four times the accuracy (10 Pa).
    assert next(s for s in config.sensors if s.channel == "inlet_pa").low == pytest.approx(-20 * 249.08891 - 40.0)
    assert config.warnings == ()


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ('length = "14 ft"', "length = 14", 50, "needs a unit"),
        ('length = "14 ft"', 'length = "14 kPa"', 50, "not a unit of length"),
        ('needs = "400 cfm"', 'nedes = "400 cfm"', 80, "not a key that is known"),
        ('kind = "simulator"', 'kind = "telegraph"', 118, "allowed: 'simulator', 'serial'"),
        ("pace = 120 ", "pace = -1 ", 121, "greater than 0"),
        ('hours = ["06:30", "19:00"]', 'hours = ["6h", "19:00"]', 9, "time of day"),
        ('["0 A", "40 A"]', '["0 A", "40 inwg"]', 130, "not a unit of current"),
        ('["0 A", "40 A"]', '["50 A", "40 A"]', 130, "not below"),
        ('pipe = "D2729 6 in"', 'pipe = "D2729 5 in"', 49, "has no size 5 in"),
        ("port = 8765", "port = 99999", 143, "must be less than or equal to 65535"),
        ("port = 8765", 'port = "many"', 143, "a whole number is needed (found 'many')"),
        ("pace = 120 ", 'pace = "fast"', 121, "a number is needed (found 'fast')"),
        ('pipe = "D2729 6 in"', "pipe = 6", 49, "a text in quotes is needed (found 6)"),
    ],
)
def test_a_mistake_is_told_with_its_line_and_what_is_allowed(old: str, new: str, line: int, words: str) -> None:
    (problem,) = problems(changed(old, new))
    assert problem.startswith(f"shop.toml, line {line}: ")
    assert words in problem


def test_every_problem_is_told_at_once() -> None:
    text = changed('length = "14 ft"', "length = 14").replace('needs = "400 cfm"', 'nedes = "400 cfm"')
    assert len(problems(text)) == 2


def test_an_unknown_channel_is_told_with_the_known_ones() -> None:
    (problem,) = problems(changed("[sensor.motor_a]", "[sensor.motr_a]"))
    assert "'motr_a' is not a channel" in problem
    assert "motor_a" in problem


def test_a_sensor_of_no_source_is_told() -> None:
    (problem,) = problems(changed("[sensor.motor_a]", '[sensor.motor_a]\nsource = "cellar"'))
    assert "no source is named 'cellar'" in problem
    assert "demo shop" in problem


def test_files_that_are_no_configuration(tmp_path: Path) -> None:
    for name, content, words in (
        ("a.toml", b"\xff\xfe", "not UTF-8"),
        ("b.toml", b"[shop", "not TOML"),
        ("c.toml", b"x" * 1_000_001, "at most"),
        ("d.toml", b"", "is missing"),
    ):
        path = tmp_path / name
        path.write_bytes(content)
        with pytest.raises(ConfigError, match=words):
            load(path)
    with pytest.raises(ConfigError, match="cannot be read"):
        load(tmp_path / "none.toml")


def test_the_summary_names_every_port_and_sensor_and_says_what_the_set_can_tell() -> None:
    config = load(BARN)
    text = "\n".join(summary(config))
    for name in (*config.design.port_names, *(spec.channel for spec in config.sensors)):
        assert name in text
    assert CAN_TELL[frozenset({"inlet_pa", "filter_pa", "motor_a"})] in text


def test_the_json_schema_names_every_table() -> None:
    schema = ShopFile.model_json_schema()
    assert {"shop", "fan", "filter", "run", "port", "source", "sensor", "alarm"} <= set(schema["properties"])
    assert schema["additionalProperties"] is False


def test_key_lines_follow_array_tables() -> None:
    lines = key_lines('[a]\nx = 1\n[[b]]\ny = 2\n[[b]]\ny = 3\n[b.c]\nz = 4\n')
    assert lines[("b", 1, "y")] == 6
    assert lines[("b", 1, "c", "z")] == 8
    assert line_of(lines, ("b", 0, "y", "deeper")) == 4
    assert line_of(lines, ("nowhere",)) is None


@settings(max_examples=examples(200), deadline=None)
@given(st.text(max_size=300))
def test_no_text_crashes_the_reader(text: str) -> None:
    with pytest.raises(ConfigError):
        parse(text, Path("shop.toml"))


@settings(max_examples=examples(100), deadline=None)
@given(st.data())
def test_no_damage_to_a_good_file_crashes_the_reader(data: st.DataObject) -> None:
    start = data.draw(st.integers(0, len(TEXT) - 1))
    length = data.draw(st.integers(0, 60))
    filler = data.draw(st.text(max_size=20))
    with contextlib.suppress(ConfigError):
        parse(TEXT[:start] + filler + TEXT[start + length :], Path("shop.toml"))
