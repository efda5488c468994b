"""The hardware notes against the code they speak of: computed tables, lines, messages, configurations, commands, links."""

from __future__ import annotations

import inspect
import json
import math
import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
import typer.main

from analysis.duct.design import DuctDesign
from analysis.duct.solve import solve
from analysis.estimator.rezero import BOUNDS
from analysis.traverse import wall_distances
from analysis.utube import column_pressure
from daemon.alarms.picture import alarm_document
from daemon.cli.commands import app
from daemon.config.load import parse
from daemon.config.sources import ModbusRegister, MqttTable
from daemon.outlets.mqtt import estimate_document
from daemon.outlets.tables import outlet_settings
from daemon.outlets.webhook import document
from daemon.sources.build import build_sources
from daemon.sources.contract import Sample, SourceHealth
from daemon.sources.modbus import loop_value, register_value
from daemon.sources.payloads import PayloadParser
from daemon.sources.recording import RecordingReport, read_recording
from daemon.sources.wire import (
    LineParser,
    WireSettings,
)
from tests.daemon.outlets.servers import notice
from tests.daemon.store.making import NINE, alarm, estimate
from tests.hardware.tables import CHIPS, LOOPS, NOTES, ROOT, TABLES, written

ALL_NOTES = sorted(NOTES.rglob("*.md"))
NUMBER = re.compile(r"(?<![\w.])[-+]?\d+(?:\.\d+)?(?!\w)")
BARN = (ROOT / "daemon" / "demo" / "chair-barn.toml").read_text()


# -- computed tables --------------------------------------------------------------------------------------------------


def test_every_computed_table_stands_once() -> None:
    assert set(written()) == set(TABLES)


@pytest.mark.parametrize("name", sorted(TABLES))
def test_computed_tables_are_what_the_engine_says(name: str) -> None:
    """Words as they are, numbers within 3 % or one and a half of their last digit: ``python -m tests.hardware.tables``
    writes them anew when the engine has changed for good."""
    _, text = written()[name]
    there, now = text.strip().splitlines(), list(TABLES[name]())
    assert [NUMBER.sub("#", line) for line in there] == [NUMBER.sub("#", line) for line in now]
    for old, new in zip(there, now, strict=True):
        for a, b in zip(NUMBER.findall(old), NUMBER.findall(new), strict=True):
            digit = 10.0 ** -len(b.partition(".")[2])
            assert float(a) == pytest.approx(float(b), rel=0.03, abs=1.5 * digit), f"{old}\nnow: {new}"


def test_the_bounds_of_the_zero_are_those_of_the_estimator() -> None:
    text = (NOTES / "what_to_measure.md").read_text()
    assert f"about {BOUNDS['inlet_pa']:.0f} Pa" in text
    assert f"{BOUNDS['filter_pa']:.0f} Pa (filter)" in text


# -- lines and messages -----------------------------------------------------------------------------------------------


def rows(name: str, mark: str) -> list[list[str]]:
    """The rows of a checked table, cells without their back-quotes."""
    text = (NOTES / name).read_text()
    block = re.search(rf"<!-- checked {mark} -->\n(.*?)<!-- end -->", text, re.S)
    assert block is not None
    return [[cell.strip().strip("`") for cell in line.strip("|").split(" | ")] for line in block[1].splitlines()[2:]]


def told(sample: Sample | None, health: SourceHealth) -> str:
    """In the words of the notes."""
    if sample is None:
        (reason,) = health.refused
        return f"refused: {reason}"
    values = [f"{name} {'unreadable' if math.isnan(value) else f'{value:g}'}" for name, value in sample.values.items()]
    return ", ".join(values + [f"{port} {'open' if state else 'shut'}" for port, state in (sample.gates or {}).items()])


LINES = rows("serial_lines.md", "lines")


@pytest.mark.parametrize("row", LINES, ids=[row[0] for row in LINES])
def test_lines_become_what_the_notes_say(row: list[str]) -> None:
    line, form, result = row
    health = SourceHealth("bench", "serial")
    columns = ("inlet_pa", "filter_pa", "motor_a") if form == "columns" else ()
    sample = LineParser("bench", WireSettings(columns=columns), health).parse(line.encode(), NINE)
    assert told(sample, health) == result


def test_a_line_that_was_cut_is_refused_where_a_checksum_is_required() -> None:
    cut = next(row[0] for row in LINES if row[2].endswith("filter_pa 31"))
    health = SourceHealth("bench", "serial")
    assert LineParser("bench", WireSettings(checksum="required"), health).parse(cut.encode(), NINE) is None
    assert LINES[11][0] == cut, "the note speaks of the twelfth line"


MESSAGES = rows("mqtt_topics.md", "messages")


@pytest.mark.parametrize("row", MESSAGES, ids=[f"{row[0]} {row[1]}" for row in MESSAGES])
def test_messages_become_what_the_notes_say(row: list[str]) -> None:
    topic, payload, result = row
    table = MqttTable.model_validate({"kind": "mqtt", "name": "shop", "host": "127.0.0.1", "topics": {
        "shop/unit": "json", "feedroom/suction": "inlet_pa", "gates/planer": "gate:planer", "gates/+": "gate:{1}"}})
    health = SourceHealth("shop", "mqtt")
    sample = PayloadParser(table, WireSettings(), health).parse(topic, payload.encode(), False, NINE)
    assert told(sample, health) == result.replace("gates/+", "")


@pytest.mark.parametrize(("mark", "expected"), [
    ("jsonl", [({"inlet_pa": -2100.5, "filter_pa": 310.2, "motor_a": 19.4}, {"planer": True}), ({"inlet_pa": -2101.0}, None),
               ({"motor_a": 19.3}, None)]),
    ("csv", [({"inlet_pa": -2100.5, "filter_pa": 310.2, "motor_a": 19.4}, {"planer": True}),
             ({"inlet_pa": -2101.0, "motor_a": 19.3}, {"planer": True}),
             ({"inlet_pa": -2099.5, "filter_pa": 309.8, "motor_a": 19.3}, {"planer": False})]),
])
def test_the_page_about_recordings_is_read_as_it_says(mark: str, expected: list[Any], tmp_path: Path) -> None:
    text = (NOTES / "recording.md").read_text()
    block = re.search(rf"<!-- checked {mark} -->\n```\w+\n(.*?)```", text, re.S)
    assert block is not None
    path = tmp_path / f"day.{mark}"
    path.write_text(block[1])
    report = RecordingReport(path)
    samples = list(read_recording(path, report))
    assert [(dict(sample.values), sample.gates) for sample in samples] == expected
    assert [sample.t - samples[0].t for sample in samples] == [0.0, 1.0, 2.0]
    assert report.refused == {}


def test_documents_have_the_fields_that_the_notes_show() -> None:
    text = (NOTES / "mqtt_topics.md").read_text().partition("<!-- checked documents -->")[2]
    shown = dict(re.findall(r"`([\w/]+)`:\n\n```json\n(.*?)```", text, re.S))
    real: dict[str, Any] = {
        "alarm/bag_full": alarm_document(alarm(12, alarm_state(), NINE)), "estimate": estimate_document(estimate(NINE)),
        "notice": json.loads(document(notice())),
    }
    for name, made in real.items():
        assert list(json.loads(shown[name])) == list(made), name
    state = json.loads(shown["state"])
    assert {"t", "state", "run_s"} < set(state)


def alarm_state() -> Any:
    from daemon.alarms.types import AlarmState

    return AlarmState.UNACKNOWLEDGED


# -- configurations ---------------------------------------------------------------------------------------------------


def configurations() -> Iterator[tuple[str, str]]:
    for path in ALL_NOTES:
        for number, block in enumerate(re.findall(r"```toml\n(.*?)```", path.read_text(), re.S), 1):
            yield f"{path.name} {number}", block


@pytest.mark.parametrize(("name", "block"), list(configurations()), ids=[name for name, _ in configurations()])
def test_configurations_are_understood(name: str, block: str, tmp_path: Path) -> None:
    """Each block in the barn's own file, in the place of what it is about."""
    from daemon.clock import FakeClock
    from daemon.memory import Past

    head, _, rest = BARN.partition("[[source]]")
    tail = "[[outlet]]" + rest.partition("[[outlet]]")[2]
    if "[[source]]" in block:
        config = parse(f"{head}{block}\n{tail}", tmp_path / "shop.toml")
        sources, _ = build_sources(config, FakeClock(NINE), Past())
        assert len(sources) == 1
    else:
        config = parse(f"{BARN}\n{block}", tmp_path / "shop.toml")
        assert len(outlet_settings(config)) == 2


@pytest.mark.parametrize(("words", "low", "high"), LOOPS)
def test_loops_as_scale_and_offset_are_the_loop_itself(words: str, low: float, high: float) -> None:
    scale = (high - low) / 16.0
    register = ModbusRegister(channel="inlet_pa", address=0, scale=scale, offset=low - 4.0 * scale)
    for milliampere in (4, 8, 12, 20):
        assert register_value([milliampere], register) == pytest.approx(loop_value(float(milliampere), low, high))
    broken = register_value([0], register)
    assert not isinstance(broken, str)
    assert not min(low, high) <= broken <= max(low, high), words


def narrow(main: str) -> DuctDesign:
    """A metric shop with six ports on one main of this pipe, 1.5 kW."""
    ports = "".join(
        f'[[port]]\nname = "p{n}"\ninto = "main"\njoin = "{"straight" if n == 0 else "wye 45"}"\npipe = "spiral 100 mm"\n'
        'length = "1 m"\ngate = "blast"\nentry = "machine 1.5"\n' for n in range(6)
    )
    return parse(
        '[shop]\nname = "s"\n[fan]\nwheel_diameter = "300 mm"\nspeed = "2850 rpm"\n[motor]\npower = "1.5 kW"\nphases = 1\n'
        f'voltage = "230 V"\n[filter]\narea = "4 m2"\nclean_drop = {{ pressure = "150 Pa", at = "1200 m3/h" }}\n'
        f'[[run]]\nname = "main"\ninto = "fan"\npipe = "{main}"\nlength = "1 m"\n{ports}'
        '[[source]]\nkind = "simulator"\n[sensor.inlet_pa]\n', Path("shop.toml"),
    ).design


def test_where_the_largest_suction_comes() -> None:
    """The tap's static pressure is loss plus velocity pressure: in a narrow main all gates open make more of it than none."""
    wide, tight = narrow("spiral 200 mm"), narrow("spiral 125 mm")
    assert solve(wide, ()).inlet_pa < solve(wide, wide.port_names).inlet_pa
    everything = solve(tight, tight.port_names)
    assert everything.inlet_pa < solve(tight, ()).inlet_pa
    speed = everything.flow_m3s / (math.pi / 4.0 * 0.125**2)
    assert 0.5 * tight.air.density_kgm3 * speed**2 > 700.0
    assert "all gates\nopen" in (NOTES / "what_to_measure.md").read_text()


def test_the_worked_shop_adds_up() -> None:
    text = (NOTES / "worked_shop.md").read_text()
    block = re.search(r"<!-- summed -->\n(.*?)<!-- end -->", text, re.S)
    assert block is not None
    *parts, total = [[cell.strip("* ") for cell in line.strip("|").split("|")] for line in block[1].splitlines()[2:]]
    for column in (2, 3):
        assert sum(int(row[column]) for row in parts) == int(total[column])
    assert f"about {total[2]} to {total[3]}" in (NOTES / "README.md").read_text()


def test_the_bench_test_is_right() -> None:
    """Boyle's law for the syringe, the column of water (998.2 kg/m3 at 20 C), Ohm's for the lamp and the divider."""
    text = (NOTES / "worked_shop.md").read_text()
    assert pytest.approx(850.0, abs=5.0) == 101_325.0 * (120.0 / 119.0 - 1.0)
    assert column_pressure(0.1, 20.0) == pytest.approx(978.0, abs=0.5)
    assert [round(turns * 50.0 / 12.0, 1) for turns in (1, 3)] == [4.2, 12.5]
    assert pytest.approx(3.13, abs=0.01) == 10.0 * 10.0 / 32.0
    for words in ("about 850 Pa", "978 Pa", "4.2 A, three turns 12.5 A", "10 V becomes 3.13 V", "has not run on real hardware"):
        assert words in text, words


@pytest.mark.parametrize(("counts", "pascal", "chip"), [(1638, -5000.0, 0), (14_745, 5000.0, 0), (8_388_608, 2500.0, 1),
                                                       (-30_000, -500.0, 2)])
def test_counts_of_pressure_chips(counts: int, pascal: float, chip: int) -> None:
    """The ends of each family's range."""
    *_, scale, offset = CHIPS[chip]
    assert counts * scale + offset == pytest.approx(pascal, abs=0.5)


# -- commands, links, drawings ----------------------------------------------------------------------------------------


def commands() -> Iterator[tuple[str, str]]:
    for path in ALL_NOTES:
        text = path.read_text().replace("\\\n", " ")
        found = re.findall(r"^ {4,}(ductwarden .*)$", text, re.M) + re.findall(r"`(ductwarden [^`]*)`", text)
        for command in found:
            yield path.name, command.partition(">")[0].replace("...", "").strip()


@pytest.mark.parametrize(("note", "command"), sorted(set(commands())))
def test_commands_and_their_options_exist(note: str, command: str) -> None:
    words = shlex.split(command)
    group: Any = typer.main.get_command(app)
    found = group.get_command(None, words[1])
    assert found is not None, f"{note}: {command}"
    known = {option for one in found.params for option in (*one.opts, *one.secondary_opts)}
    assert {word for word in words if word.startswith("--")} <= known, f"{note}: {command}"


def test_links_lead_somewhere() -> None:
    for path in ALL_NOTES:
        for target in re.findall(r"\]\(([^)#]+)\)", path.read_text()):
            assert (path.parent / target).exists(), f"{path.name}: {target}"
    shown = {target for path in ALL_NOTES for target in re.findall(r"\]\((drawings/[^)]+)\)", path.read_text())}
    assert shown == {f"drawings/{path.name}" for path in (NOTES / "drawings").glob("*.svg")}


def test_every_note_is_in_the_index() -> None:
    index = (NOTES / "README.md").read_text()
    for path in ALL_NOTES:
        if path.name != "README.md" or path.parent != NOTES:
            assert f"]({path.relative_to(NOTES)})" in index, path.name


def test_the_cautions_stand_where_they_are_needed() -> None:
    cautions = {
        "README.md": ("licensed electrician", "de-energised and locked out", "dust-explosive atmosphere", "no safety device",
                      "never starts or stops the motor", "Local codes rule", "secondary"),
        "current.md": ("licensed electrician", "locked out", "Never open the secondary on load", "no motor protection"),
        "wiring.md": ("Only air goes in", "Nothing here is rated", "cannot be earthed", "ask"),
        "taps.md": ("locked out",), "calibration.md": ("Fan off",), "traverse.md": ("locked out",),
    }
    for name, words in cautions.items():
        text = " ".join((NOTES / name).read_text().split())
        for word in words:
            assert word in text, f"{name}: {word}"


@pytest.mark.parametrize("path", sorted((NOTES / "drawings").glob("*.svg")), ids=lambda path: path.name)
def test_drawings_are_whole_and_readable_by_day_and_night(path: Path) -> None:
    text = path.read_text()
    root = ElementTree.fromstring(text)
    svg = "{http://www.w3.org/2000/svg}"
    assert root.find(f"{svg}title") is not None
    assert root.find(f"{svg}desc") is not None
    assert "prefers-color-scheme: dark" in text
    assert "http" not in text.replace("http://www.w3.org/2000/svg", "")
    light, dark = (dict(re.findall(r"\.(\w+) {[^}]*?fill: (#\w+)", part)) for part in text.split("@media", 1))
    dark_text = re.search(r"\.text, \.small, \.head { fill: (#\w+)", text)
    assert dark_text is not None
    assert contrast(light["text"], light["paper"]) > 7.0
    assert contrast(dark_text[1], dark["paper"]) > 7.0
    for shape in ("duct", "cloth", "box"):
        assert contrast(light["text"], light[shape]) > 7.0
        assert contrast(dark_text[1], dark[shape]) > 4.5
    used = {name for classes in re.findall(r'class="([\w ]+)"', text) for name in classes.split()}
    assert used <= set(re.findall(r"\.(\w+)[ ,{]", text)) | {"place"}


def contrast(one: str, other: str) -> float:
    """Contrast ratio by WCAG 2.1."""
    def luminance(colour: str) -> float:
        parts = [int(colour[at:at + 2], 16) / 255 for at in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_drawing_of_the_traverse_has_its_places_right() -> None:
    root = ElementTree.parse(NOTES / "drawings" / "traverse.svg").getroot()
    svg = "{http://www.w3.org/2000/svg}"
    duct = next(c for c in root.iter(f"{svg}circle") if c.get("class") == "duct")
    cx, cy, r = (float(duct.get(name, "")) for name in ("cx", "cy", "r"))
    dots = [(float(c.get("cx", "")), float(c.get("cy", ""))) for c in root.iter(f"{svg}circle") if "place" in c.get("class", "")]
    across = [(x - cx + r) / (2 * r) for x, y in dots if y == cy]
    down = [(y - cy + r) / (2 * r) for x, y in dots if x == cx]
    for found in (across, down):
        assert found == pytest.approx(wall_distances("log-linear", 3), abs=0.0005)


def test_node_settings_say_what_the_notes_say() -> None:
    """150 ohm: 0.60, 3.00, 0.54 and 3.15 V; and both programs' nominal ranges are the same."""
    from tests.hardware.building import SKETCH, node_modules

    assert [round(ma * 0.150, 3) for ma in (4, 20, 3.6, 21)] == [0.6, 3.0, 0.54, 3.15]
    header = (SKETCH / "settings.h").read_text()
    with node_modules("settings") as (settings,):
        for name in ("INLET", "BAGS"):
            found = re.search(rf"{name} = {{A\d, ([^}}]*)}}", header)
            assert found is not None
            numbers = [float(text.strip().rstrip("f")) for text in found[1].split(",")]
            table = getattr(settings, name)
            keys = ("low_v", "low_pa", "high_v", "high_pa", "fault_below_v", "fault_above_v")
            assert numbers[1:] == [table[key] for key in keys]
        assert settings.MOTOR["amps_per_volt"] == 30.0
        assert f"#define WINDOWS {settings.WINDOWS}" in header
        assert f"#define WINDOW_US {settings.WINDOW_US}UL" in header
        assert settings.TOPIC in header
        assert inspect.getdoc(settings) is not None
