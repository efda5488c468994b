"""The ducting in the configuration: what it becomes, and what is said of the mistakes that a person makes."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.duct.design import FAN
from analysis.duct.fittings import fitting
from analysis.duct.solve import solve
from analysis.units import CFM_M3S, FOOT_M, INCH_M, INWG_PA
from daemon.config.config import Config
from daemon.config.joins import read_join
from daemon.config.load import parse
from daemon.errors import ConfigError
from tests.support.thoroughness import examples

DEMO = (Path(__file__).parents[3] / "daemon" / "demo" / "chair-barn.toml").read_text(encoding="utf-8")
WHERE = Path("shop.toml")


def shop(*changes: tuple[str, str]) -> Config:
    """The demo shop with texts replaced (first place each)."""
    text = DEMO
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return parse(text, WHERE)


def problems(*changes: tuple[str, str]) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        shop(*changes)
    return caught.value.problems


def test_the_demo_shop_becomes_a_design() -> None:
    config = shop()
    design = config.design
    assert design.port_names == ("planer", "bandsaw", "lathe", "shaving horse")
    assert [run.into for run in design.runs] == [FAN, "main", "main"]
    main, planer = design.runs[0], design.ports[0]
    assert main.diameter_m == pytest.approx(6.075 * INCH_M)
    assert main.length_m == pytest.approx(14 * FOOT_M)
    # two smooth elbows at r/D 1.5 (Rennels, 0.2254 each)
    assert main.fittings_k == pytest.approx(2 * 0.2254, abs=2e-4)
    assert planer.hose is not None
    assert planer.hose.length_m == pytest.approx(5 * FOOT_M)
    assert planer.entry_k == 1.5
    assert planer.needs_m3s == pytest.approx(400 * CFM_M3S)
    assert design.ports[3].join.angle_deg == 45.0
    assert design.filter.clean_drag_pasm3 == pytest.approx(INWG_PA / (600 * CFM_M3S))
    assert design.motor is not None
    assert design.motor.full_load_a == 11.2
    # 640 ft and 60 F: barometer 99.0 kPa by the standard atmosphere, 1.19 kg/m3
    assert design.air.pressure_pa == pytest.approx(99003, rel=1e-4)
    assert design.air.density_kgm3 == pytest.approx(1.1906, rel=1e-3)
    assert solve(design, ["planer"]).flow_m3s > 0.1


def test_the_whole_grammar_in_one_shop() -> None:
    config = shop(
        ('entry = "machine 1.5"             # machine hood with a loss of 1.5 velocity pressures',
         'entry = "400 cfm at 2.2 inwg"\ngate_leakage = { flow = "10 cfm", at = "8 inwg" }\nuncertainty = "25 %"'),
        ('entry = "machine 2.0"', 'entry = "taper 45"'),
        ('fittings = ["elbow 90 r/D 1.5"]', 'fittings = ["elbow 90 r/D 1.5 5 pieces", "flex bend 90"]'),
        ('entry = "plain"', 'entry = "bell"'),
        ('fittings = ["2x elbow 90 r/D 1.5"]',
         'fittings = ["mitre 45", "reducer 6 in to 8 in taper 30", "K 0.2"]\nleak = "1 cm2"'),
        ('join = "wye 45"                   # enters', 'join = "sweep tee" #'),
        ("[filter]", '[separator]\ndrop = { pressure = "1.2 inwg", at = "600 cfm" }\nuncertainty = "30 %"\n[filter]'),
    )
    planer = config.design.ports[0]
    assert planer.entry_flow is not None
    assert planer.entry_flow.suction_pa == pytest.approx(2.2 * INWG_PA)
    assert planer.leak_flow is not None
    assert planer.leak_flow.flow_m3s == pytest.approx(10 * CFM_M3S)
    assert planer.uncertainty == 0.25
    assert config.design.ports[1].entry_k == 0.06
    assert config.design.separator is not None
    assert config.design.separator.coefficient * 1.201385 * (600 * CFM_M3S) ** 2 == pytest.approx(1.2 * INWG_PA)
    assert config.design.runs[0].leak_m2 == pytest.approx(1e-4)
    assert config.design.runs[2].join.angle_deg == 60.0
    point = solve(config.design, ["planer"])
    # the suction behind the stated opening goes with flow squared, and hose and pipe take more on top of it
    flow = point.ports["planer"].flow_m3s
    assert -point.ports["planer"].static_pa > 2.2 * INWG_PA * (flow / (400 * CFM_M3S)) ** 2


def test_a_hose_bend_counts_on_the_hose() -> None:
    straight, bent = shop().design.ports[0], shop(
        ('fittings = ["elbow 90 r/D 1.5"]', 'fittings = ["elbow 90 r/D 1.5", "flex bend 90"]')
    ).design.ports[0]
    ratio = (4.065 / 4.0) ** 4
    assert bent.fittings_k - straight.fittings_k == pytest.approx(fitting("flex bend 90").k * ratio, rel=1e-9)


def test_a_fan_known_by_its_wheel() -> None:
    start = DEMO.index("[fan]")
    text = DEMO[:start] + '[fan]\nwheel_diameter = "13 in"\nspeed = "3450 rpm"\n\n' + DEMO[DEMO.index("[motor]"):]
    config = parse(text, WHERE)
    assert config.design.fan.generic
    assert config.design.uncertainties.fan_pressure == pytest.approx(0.20)
    assert any("guessed from its wheel" in warning for warning in config.warnings)
    with pytest.raises(ConfigError, match="needs the motor's power"):
        parse(text[: text.index("[motor]")] + text[text.index("[filter]"):], WHERE)


def test_without_a_plate_current_the_codes_table_is_taken() -> None:
    config = shop(('full_load_current = "11.2 A"\n', ""))
    assert config.design.motor is not None
    assert config.design.motor.full_load_a == pytest.approx(12.0, rel=1e-6)


def test_without_a_motor_there_is_no_current() -> None:
    start, end = DEMO.index("[motor]"), DEMO.index("[filter]")
    config = parse(DEMO[:start] + DEMO[end:], WHERE)
    assert config.design.motor is None
    assert solve(config.design, ["planer"]).motor_a is None


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (('length = "11 ft"\n', ""), "run 2, length: is missing"),
        (('length = "9 ft"', 'length = "9"'), "'9' has no unit; write for example '12 ft'"),
        (('length = "9 ft"', "length = 9"), "needs a unit"),
        (('length = "9 ft"', 'length = "9 cfm"'), "'cfm' is not a unit of length, but of flow; allowed: m, cm"),
        (('length = "9 ft"', 'length = "-9 ft"'), "must be more than 0"),
        (('length = "9 ft"', 'length = "9000 ft"'), "outside 0.0 ft to 984.3 ft; did you mean"),
        (('"D2729 4 in"', '"D2728 4 in"'), "no pipe is known as 'D2728'; did you mean 'D2729 4 in'?; known: D3034 SDR 35"),
        (('"D2729 4 in"', '"D2729 5 in"'), "D2729 has no size 5 in; sizes: 3 in, 4 in, 6 in"),
        (('into = "bench run"', 'into = "bech run"'), "did you mean 'bench run'?"),
        (('into = "bench run"', 'into = ""'), "port 'lathe' feeds nothing; say which run"),
        (('into = "bench run"', 'into = "planer"'), "a port is where air enters; name a run"),
        (('into = "bench run"', 'into = "fan"'), "draw a run between them"),
        (('name = "bandsaw"', 'name = "Planer"'), "names too much alike; rename one of them"),
        (('name = "bandsaw"', 'name = "planer"'), "the name is used twice"),
        (('name = "bandsaw"', 'name = "east main"'), "the name is used twice"),
        (('into = "fan"', 'into = "fun"'), "did you mean 'fan'?"),
        (('into = "fan"', 'into = "east main"'), 'let one of them flow into "fan"'),
        (('"9.1 inwg"', '"19.1 inwg"'), "pressure rises from point"),
        (('"9.1 inwg"', '"11.1 inwg"'), "pressure rises from point 4 to point 5"),
        (('flow = "400 cfm"', 'flow = "40 cfm"'), "fan points must increase in flow"),
        (('power = "1.25 hp"', 'power = "1.25 A"'), "'A' is not a unit of power"),
        ((', power = "1.25 hp"', ""), "shaft power is given at 6 of 7 fan points"),
        (('at_speed = "3450 rpm"\n', ""), "not at_speed"),
        (('static = "11.9 inwg"', 'static = "119 inwg"'), "outside 0.40 in. w.g. to 80.29 in. w.g."),
        (('main_velocity = "3500 fpm"', 'main_velocity = "3500 m/s"'), "the carrying velocity is"),
        (('join = "wye 45"                   # enters', 'join = "glued" #'), "not a way to join; allowed: 'straight'"),
        (('join = "wye 45"                   # enters', 'join = "wye 5" #'), "between 15 and 90 degrees"),
        (('join = "wye 45"                   # enters', 'join = "straight" #'), "make one of them a wye or a tee"),
        (('"elbow 90 r/D 1.5"', '"elbow ninety"'), "is not a fitting; did you mean 'elbow 90'?; allowed: 'elbow 90'"),
        (('entry = "machine 1.5"', 'entry = "funnel"'), "is not an opening; allowed: 'plain'"),
        (('entry = "machine 1.5"', 'entry = "350 cfm at 0.1 inwg"'), "less than the velocity pressure"),
        (('gate = "blast"', 'gate = "door"'), "is not a gate; allowed: 'blast'"),
        (('hose_length = "5 ft"\n', ""), "has no hose_length"),
        (('hose = "flex stretched 4 in"\n', ""), "hose_length is given, but no hose"),
        (('hose = "flex stretched 4 in"\n', 'hose = "D2729 4 in"\n'), "is rigid pipe"),
        (('gate = "blast"', 'gate = "none"\ngate_leakage = { flow = "9 cfm", at = "8 inwg" }'), "always open"),
        (('power = "2 hp"', 'power = "20 hp"'), "the plate contradicts itself"),
        (("phases = 1", "phases = 2"), "motor, phases"),
        (('full_load_current = "11.2 A"', 'full_load_current = "6 A"'), "the plate contradicts itself"),
        (('area = "48 ft2"', 'area = "48 ft"'), "'ft' is not a unit of area"),
        (('pressure = "1.0 inwg", at = "600 cfm"', 'pressure = "1.0 inwg"'), "is missing"),
        (('altitude = "640 ft"', 'altitude = "64000 ft"'), "outside 0.0 ft to 14763.8 ft"),
        (('entry = "plain"', 'entry = "plain"\ncolour = "red"'), "is not a key that is known"),
        (('uncertainty = "5 %"', 'uncertainty = "500 %"'), "between 0 % and 100 %"),
    ],
)
def test_a_mistake_is_told_with_its_place_and_what_to_do(change: tuple[str, str], said: str) -> None:
    found = problems(change)
    assert any(said in problem for problem in found), found
    assert all(problem.startswith(("shop.toml", "shop.altitude")) for problem in found)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (('pipe = "D2729 6 in"\nlength = "11 ft"', 'pipe = "D3034 8 in"\nlength = "11 ft"'),
         "line 57: run 2, pipe: run 'east main' is larger (7.92 in) than the run 'main' that it flows into (6.08 in)"),
        (('pressure = "1.0 inwg", at', 'pressure = "8 inwg", at'), "look whether flow and pressure are right"),
        (('full_load_current = "11.2 A"', 'full_load_current = "25 A"'), "read the plate again"),
        (('"2x elbow 90 r/D 1.5"', '"reducer 8 in to 10 in"'), "neither end of 'reducer 8 in to 10 in' fits"),
        (('power = "2 hp"\nphases = 1', 'power = "1 hp"\nphases = 1'), "the fan takes up to 2.30 hp"),
    ],
)
def test_a_doubtful_drawing_is_warned_of(change: tuple[str, str], said: str) -> None:
    assert any(said in warning for warning in shop(change).warnings)


def test_several_mistakes_are_told_at_once() -> None:
    found = problems(
        ('length = "11 ft"\n', ""), ('"D2729 4 in"', '"D2728 4 in"'), ('needs = "400 cfm"', 'needs = "400"')
    )
    assert len(found) == 3
    lines = [int(problem.split("line ")[1].split(":")[0]) for problem in found]
    assert lines == sorted(lines)


def test_barometer_wins_over_altitude() -> None:
    config = shop(('altitude = "640 ft"', 'altitude = "640 ft"\nbarometer = "950 hPa"'))
    assert config.air.pressure_pa == pytest.approx(95000.0)


@pytest.mark.parametrize(
    ("text", "kind", "angle"),
    [("straight", "straight", 0.0), ("wye 30", "wye", 30.0), ("Wye 45 deg", "wye", 45.0), ("tee", "tee", 90.0),
     ("sweep tee", "wye", 60.0)],
)
def test_ways_to_join(text: str, kind: str, angle: float) -> None:
    assert (read_join(text).kind, read_join(text).angle_deg) == (kind, angle)


KEYS = [
    "length", "pipe", "into", "join", "entry", "gate", "hose", "fittings", "needs", "points", "static", "power", "area",
]


@settings(max_examples=examples(150), deadline=None)
@given(
    key=st.sampled_from(KEYS), value=st.one_of(st.text(max_size=12), st.floats(), st.integers(), st.booleans()),
    place=st.integers(min_value=0, max_value=6),
)
def test_no_value_makes_the_reader_stumble(key: str, value: object, place: int) -> None:
    """Any value in place of another is either understood or refused with a sentence; nothing else is raised."""
    spots = list(re.finditer(rf'\b{key} = ("[^"\n]*"|\[[^\]\n]*\])', DEMO))
    spot = spots[place % len(spots)] if spots else None
    if spot is None:
        return
    if isinstance(value, str):
        plain = (c if c.isprintable() and c not in '"\\' and ord(c) < 0xD800 else "?" for c in value)
        written = f'"{"".join(plain)}"'
    elif isinstance(value, bool):
        written = str(value).lower()
    elif isinstance(value, float) and not math.isfinite(value):
        written = "nan" if math.isnan(value) else "inf" if value > 0 else "-inf"
    else:
        written = repr(value) if not isinstance(value, int) else str(value % 2**63)
    text = DEMO[: spot.start(1)] + written + DEMO[spot.end(1):]
    said: list[str] = []
    try:
        config = parse(text, WHERE)
    except ConfigError as error:
        said = error.problems
    if said:
        assert all(problem.startswith("shop.toml") for problem in said)
    else:
        assert solve(config.design, config.design.port_names).flow_m3s > 0.0
