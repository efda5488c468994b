"""``ductwarden expect``: tables, JSON and plot agree with the engine and with each other."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from analysis.duct.design import DuctDesign
from analysis.duct.solve import solve
from analysis.duct.uncertainty import Spread
from analysis.units import to_si
from daemon.cli.common import gates_in_words, read_gates
from daemon.cli.expect import Series, expect, spread_text, text_plot
from daemon.config.load import load
from daemon.errors import ConfigError

DEMO = Path(__file__).parents[3] / "daemon" / "demo" / "chair-barn.toml"
DESIGN: DuctDesign = load(DEMO).design


def run(*arguments: str) -> str:
    app = typer.Typer()
    app.command()(expect)
    result = CliRunner().invoke(app, [str(DEMO), *arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result.output


def answer(*arguments: str) -> Any:
    return json.loads(run(*arguments, "--json"))


def test_json_is_what_the_engine_answers() -> None:
    found = answer("--open", "planer,bandsaw")
    point = solve(DESIGN, ["planer", "bandsaw"])
    assert found["open"] == ["planer", "bandsaw"]
    assert found["taps"]["inlet_pa"]["value"] == pytest.approx(point.inlet_pa)
    assert found["taps"]["filter_pa"]["value"] == pytest.approx(point.filter_pa)
    assert found["taps"]["motor_a"]["value"] == pytest.approx(point.motor_a)
    assert found["flow_m3s"]["value"] == pytest.approx(point.flow_m3s)
    for section in found["ports"]:
        state = point.ports[section["name"]]
        assert section["velocity_ms"]["value"] == pytest.approx(state.velocity_ms)
        assert section["need_share"] == state.need_share
        assert section["flow_m3s"]["sd"] > 0.0
    assert {run["name"] for run in found["runs"]} == set(DESIGN.run_names)
    assert sum(found["flow_m3s"]["from"].values()) <= 1.0 + 1e-9


@pytest.mark.parametrize("gates", ["none", "planer", "all"])
def test_us_and_si_show_the_same_quantities(gates: str) -> None:
    american, metric = answer("--open", gates, "--units", "us"), answer("--open", gates, "--units", "si")
    for key in ("inlet_pa", "filter_pa", "motor_a"):
        assert american["taps"][key]["value"] == metric["taps"][key]["value"]
    shown_pairs = [(american["flow_m3s"], metric["flow_m3s"])]
    shown_pairs += [(a["velocity_ms"], m["velocity_ms"]) for a, m in zip(american["ports"], metric["ports"], strict=True)]
    for left, right in shown_pairs:
        for side in (left, right):
            number, width, symbol = re.fullmatch(r"(-?[\d.]+) ± ([\d.]+) (.+)", side["shown"]).groups()  # type: ignore[union-attr]
            kind = "flow" if side["unit"] == "m3/s" else "velocity"
            symbol = symbol.replace("³", "3")
            last_digit = to_si(10.0 ** -len(number.partition(".")[2]), symbol, kind)
            assert to_si(float(number), symbol, kind) == pytest.approx(side["value"], abs=0.51 * last_digit)
            assert to_si(float(width), symbol, kind) == pytest.approx(side["sd"], abs=0.51 * last_digit)


def test_tables_name_every_piece_and_what_falls_short() -> None:
    out = run("--open", "lathe")
    for name in (*DESIGN.run_names, *DESIGN.port_names):
        assert name in out
    assert "bandsaw (shut)" in out
    assert "inlet static pressure" in out
    # one small gate alone leaves the larger main below carrying velocity by design
    assert "the run 'main' runs below carrying velocity by design (3412 fpm, limit 3500 fpm)" in out
    assert "below" in out
    assert "full load (11.2 A)" in out
    assert "the ± of the flow through the fan comes from" in out


def test_without_gates_an_overview_of_each_port_alone() -> None:
    out = run()
    assert "all gates shut" in out
    assert "all ports open" in out
    for name in DESIGN.port_names:
        assert f"{name} open" in out
    assert len(answer()) == len(DESIGN.port_names) + 2


def test_loaded_bags_cost_flow() -> None:
    clean, loaded = answer("--open", "planer"), answer("--open", "planer", "--drag-ratio", "3")
    assert loaded["filter_drag_pasm3"] == pytest.approx(3 * clean["filter_drag_pasm3"])
    assert loaded["flow_m3s"]["value"] < clean["flow_m3s"]["value"]
    assert loaded["taps"]["filter_pa"]["value"] > clean["taps"]["filter_pa"]["value"]
    assert "bags at 3 times their clean drag" in run("--open", "planer", "--drag-ratio", "3")


def test_plot_crosses_where_the_engine_says() -> None:
    lines = run("--open", "all", "--plot", "--units", "si").splitlines()
    frame = [line for line in lines if "|" in line]
    cross = [(row, line.index("X")) for row, line in enumerate(frame) if "X" in line]
    assert len(cross) == 1
    row, column = cross[0]
    left = frame[0].index("|") + 1
    point = solve(DESIGN, DESIGN.port_names)
    high = max(float(word) for word in frame[0].split("|")[0].split())
    assert (len(frame) - 1 - row) / (len(frame) - 1) * high == pytest.approx(point.fan_static_pa, abs=0.6 * high / 15)
    scale = next(line for line in lines if re.fullmatch(r"\s*0\s+\d+", line))
    flow = (column - left) / 63 * float(scale.split()[1])
    assert flow == pytest.approx(point.flow_m3s * 3600, abs=float(scale.split()[1]) / 63)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--open", "planr"), "did you mean 'planer'"),
        (("--open", "kiln"), "there is no port 'kiln' (ports: planer, bandsaw, lathe, shaving horse)"),
    ],
)
def test_an_unknown_port_is_told(arguments: tuple[str, ...], said: str) -> None:
    with pytest.raises(ConfigError, match=re.escape(said)):
        run(*arguments)


@pytest.mark.parametrize("arguments", [("--units", "cubits"), ("--plot",), ("--open", "all", "--drag-ratio", "0")])
def test_a_wrong_option_is_refused(arguments: tuple[str, ...]) -> None:
    app = typer.Typer()
    app.command()(expect)
    assert CliRunner().invoke(app, [str(DEMO), *arguments]).exit_code == 2


def test_gate_sets_in_words() -> None:
    assert read_gates("Lathe, planer", DESIGN) == ("planer", "lathe")
    assert read_gates("none", DESIGN) == ()
    comma = replace(DESIGN, ports=(replace(DESIGN.ports[0], name="saw, table"), *DESIGN.ports[1:]))
    assert read_gates("Lathe, saw, table", comma) == ("saw, table", "lathe")
    assert gates_in_words((), DESIGN) == "all gates shut"
    assert gates_in_words(("planer",), DESIGN) == "planer open"
    assert gates_in_words(("planer", "bandsaw", "lathe"), DESIGN) == "planer, bandsaw and lathe open"


def test_spread_is_shown_with_the_decimals_of_the_screen() -> None:
    assert spread_text(Spread(-2486.0, {"fan": 134.5}), "pressure", "us") == "-9.98 ± 0.54 in. w.g."
    assert spread_text(Spread(-2486.0, {"fan": 134.5}), "pressure", "si") == "-2486 ± 134 Pa"


def test_plot_of_nothing_is_an_empty_frame() -> None:
    assert all("o" not in line for line in text_plot([Series("o", [])], "x", "y"))
