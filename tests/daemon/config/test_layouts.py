"""Shops of other layouts: ports along one main, bags before the fan or none, duct after the fan, rectangular duct."""

from __future__ import annotations

import math

import pytest

from analysis.duct.solve import solve
from analysis.duct.stock import pipe
from analysis.units import FOOT_M
from daemon.config.config import Config
from daemon.config.load import parse
from daemon.errors import ConfigError
from tests.daemon.config.test_ducting import DEMO, WHERE, problems, shop

LINE = """
[[run]]
name = "main"
into = "fan"
pipe = "spiral 6 in"
length = "40 ft"
fittings = ["elbow 90"]
"""
SERIAL = (
    'kind = "simulator"\npace = 120                        # seconds of shop time per second',
    'kind = "serial"\ndevice = "/dev/x"',
)
PORT = """
[[port]]
name = "{name}"
into = "{into}"
{where}
pipe = "spiral 4 in"
length = "5 ft"
entry = "machine 1.5"
"""


def drawn(*ports: tuple[str, str, str], runs: str = LINE) -> Config:
    """The demo shop with other ducts."""
    begin, end = DEMO.index("# Runs carry air"), DEMO.index("[[source]]")
    pieces = "".join(PORT.format(name=name, into=into, where=where) for name, into, where in ports)
    return parse(DEMO[:begin] + runs + pieces + DEMO[end:], WHERE)


def test_ports_along_one_main_are_the_same_as_a_main_drawn_in_pieces() -> None:
    along = drawn(
        ("saw", "main", ""), ("planer", "main", 'at = "12 ft"\njoin = "wye 45"'),
        ("lathe", "main", "at = \"25' 6\\\"\"\njoin = \"wye 45\""),
    ).design
    pieces = [(run.name, run.into, round(run.length_m / FOOT_M, 6)) for run in along.runs]
    assert pieces == [
        ("main before planer", "main before lathe", 12.0), ("main before lathe", "main", 13.5), ("main", "fan", 14.5),
    ]
    assert [port.into for port in along.ports] == ["main before planer", "main before lathe", "main"]
    assert [run.fittings_k > 0.0 for run in along.runs] == [False, False, True]
    bare = LINE.replace('["elbow 90"]', "[]")
    by_hand = LINE.replace('"40 ft"', '"14.5 ft"')
    by_hand += bare.replace('"main"', '"mid"').replace('"fan"', '"main"').replace('"40 ft"', '"13.5 ft"')
    by_hand += bare.replace('"main"', '"far"').replace('"fan"', '"mid"').replace('"40 ft"', '"12 ft"')
    split = drawn(
        ("saw", "far", ""), ("planer", "mid", 'join = "wye 45"'), ("lathe", "main", 'join = "wye 45"'), runs=by_hand
    ).design
    for opened in (["saw"], ["planer", "lathe"], ["saw", "planer", "lathe"]):
        one, other = solve(along, opened), solve(split, opened)
        assert one.inlet_pa == pytest.approx(other.inlet_pa, rel=1e-9)
        for name in along.port_names:
            assert one.ports[name].flow_m3s == pytest.approx(other.ports[name].flow_m3s, rel=1e-9)


def test_what_lies_before_the_first_junction_is_no_duct() -> None:
    design = drawn(("saw", "main", 'at = "10 ft"\njoin = "wye 45"'), ("planer", "main", 'at = "10 ft"')).design
    assert [(run.name, run.length_m / FOOT_M) for run in design.runs] == [("main", pytest.approx(30.0))]


def test_a_place_beyond_the_run_is_told() -> None:
    with pytest.raises(ConfigError, match=r"port 1, at: 'saw' joins 'main' at 40\.0 ft, but that is a run of"):
        drawn(("saw", "main", 'at = "40 ft"'))


def without_filter(text: str) -> str:
    begin, end = text.index("[filter]"), text.index("# Runs carry air")
    text = text[:begin] + text[end:]
    sensor = text.index("[sensor.filter_pa]")
    return text[:sensor] + text[text.index("[sensor.motor_a]"):]


def test_a_shop_that_blows_outside_has_no_filter() -> None:
    config = parse(without_filter(DEMO), WHERE)
    assert not config.design.filter.fitted
    point = solve(config.design, ["planer"])
    assert point.filter_pa < 1.0
    assert point.flow_m3s > solve(shop().design, ["planer"]).flow_m3s
    with pytest.raises(ConfigError, match=r"sensor, filter_pa: is fitted, but there is no \[filter\]"):
        parse(DEMO[:DEMO.index("[filter]")] + DEMO[DEMO.index("# Runs carry air"):], WHERE)


def test_bags_and_separator_stand_on_either_side() -> None:
    before = shop(("[filter]", '[filter]\nside = "before"'), SERIAL).design
    after = shop().design
    one, other = solve(before, ["planer"]), solve(after, ["planer"])
    assert one.flow_m3s == pytest.approx(other.flow_m3s, rel=1e-6)
    assert one.inlet_pa == pytest.approx(other.inlet_pa - other.filter_pa, rel=1e-5)
    cyclone = '[separator]\ndrop = { pressure = "2 inwg", at = "600 cfm" }\n'
    ahead = shop(("[filter]", cyclone + "[filter]")).design
    behind = shop(("[filter]", cyclone + 'side = "after"\n[filter]'), SERIAL).design
    one, other = solve(ahead, ["planer"]), solve(behind, ["planer"])
    assert one.flow_m3s == pytest.approx(other.flow_m3s, rel=1e-6)
    assert one.inlet_pa < other.inlet_pa - 100.0
    told = problems(("[filter]", '[filter]\nside = "before"'))
    assert any("the simulator has its bags right after the fan" in words for words in told)


def test_duct_after_the_fan() -> None:
    piece = '[[discharge]]\npipe = "spiral 6 in"\nlength = "20 ft"\nfittings = ["2x elbow 90"]\n'
    design = shop(("# Runs carry air", piece + "# Runs carry air"), SERIAL).design
    assert [round(duct.length_m / FOOT_M, 3) for duct in design.discharge] == [20.0]
    with_it, without = solve(design, ["planer"]), solve(shop().design, ["planer"])
    assert with_it.flow_m3s < without.flow_m3s
    assert with_it.fan_static_pa > with_it.filter_pa - with_it.runs["main"].total_pa + 100.0


@pytest.mark.parametrize(("a", "b"), [(6, 6), (6, 8), (4, 12), (5, 20)])
def test_rectangular_duct_against_the_equivalent_diameter(a: float, b: float) -> None:
    """Friction at the same flow within 4 % of a round duct of De = 1.30 (ab)^0.625/(a+b)^0.25 (Huebscher 1948; the formula
    as several public sources give it)."""
    from tests.analysis.duct.darcy import loss_scalar

    duct = pipe(f"rectangular {a} x {b} in")
    assert math.pi / 4 * duct.inside_diameter_m**2 == pytest.approx(a * b * 0.0254**2)
    assert duct.hydraulic_m == pytest.approx(2 * a * b / (a + b) * 0.0254)
    box = LINE.replace("spiral 6 in", f"rectangular {a} x {b} in").replace('["elbow 90"]', "[]")
    design = drawn(("saw", "main", ""), runs=box).design
    point = solve(design, ["saw"])
    lost = solve(design, ["saw"]).ports["saw"].total_pa - point.runs["main"].total_pa
    run, port = design.runs[0], design.ports[0]
    join = (1.0 - port.area_m2 / run.area_m2) ** 2 * point.ports["saw"].velocity_pa
    equivalent = 1.30 * (a * b) ** 0.625 / (a + b) ** 0.25 * 0.0254
    air = design.air
    round_duct = loss_scalar(
        point.flow_m3s, run.length_m, equivalent, run.roughness_m, air.density_kgm3, air.viscosity_pas
    )
    assert lost - join == pytest.approx(round_duct, rel=0.04 if b < 3 * a else 0.10)


def test_fan_points_in_falling_order_and_a_dip() -> None:
    rows = [line for line in DEMO.splitlines() if line.startswith("  { flow")]
    turned = shop(("\n".join(rows), "\n".join(reversed(rows))))
    assert turned.design.fan == shop().design.fan
    dip = shop(('static = "11.9 inwg"', 'static = "10.9 inwg"')).warnings
    assert any("the pressure dips and rises again" in note for note in dip)
