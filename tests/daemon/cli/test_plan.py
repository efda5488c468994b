"""``ductwarden plan``: the change file, its mistakes, and what is said of the changed drawing."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from daemon.cli.plan import plan
from daemon.config.changes import PlannedChange, parse_change
from daemon.config.load import load
from daemon.errors import ConfigError

DEMO = Path(__file__).parents[3] / "daemon" / "demo" / "chair-barn.toml"
SHOP = load(DEMO)
SPINDLE = """
[[port]]
name = "spindle"
into = "bench run"
join = "tee"
pipe = "D2729 4 in"
length = "22 ft"
fittings = ["2x elbow 90"]
hose = "flex loose 4 in"
hose_length = "8 ft"
entry = "machine 2.5"
needs = "350 cfm"
"""
USE = 'in_use = [["planer"], ["lathe", "spindle"]]\n'


def changed(text: str) -> PlannedChange:
    return parse_change(text, Path("change.toml"), SHOP)


def run(tmp_path: Path, text: str, *arguments: str) -> str:
    path = tmp_path / "change.toml"
    path.write_text(text, encoding="utf-8")
    app = typer.Typer()
    app.command()(plan)
    result = CliRunner().invoke(app, [str(DEMO), str(path), *arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result.output


def answer(tmp_path: Path, text: str) -> Any:
    return json.loads(run(tmp_path, text, "--json"))


def test_a_change_is_laid_over_the_shop() -> None:
    planned = changed(
        'remove = ["shaving horse"]\n[[change]]\nname = "main"\npipe = "D3034 8 in"\n'
        '[[change]]\nname = "planer"\nhose_length = "9 ft"\n' + SPINDLE
    )
    design = planned.design
    assert design.port_names == ("planer", "bandsaw", "lathe", "spindle")
    assert design.runs[0].diameter_m == pytest.approx(7.92 * 0.0254)
    # keys that were not named stay as they are
    assert design.runs[0].length_m == pytest.approx(14 * 0.3048)
    assert design.ports[0].hose is not None
    assert design.ports[0].hose.length_m == pytest.approx(9 * 0.3048)
    assert design.ports[1] == SHOP.design.ports[1]
    # without in_use, each port alone
    assert planned.in_use == (("planer",), ("bandsaw",), ("lathe",), ("spindle",))


def test_tables_name_their_measures(tmp_path: Path) -> None:
    out = run(tmp_path, USE + SPINDLE)
    for words in (
        "inlet static pressure", "flow at port 'planer'", "velocity in run 'main'", "flow through the fan",
        "With lathe and spindle open (before: lathe open)", "what is not known about fan, bags",
    ):
        assert words in out
    flat = " ".join(out.split())
    assert "first to fall short: with lathe and spindle open, the velocity in the pipe of port 'spindle'" in flat
    assert "with the other gates shut it has" in flat
    assert "the velocity in run 'main' fell short of carrying velocity before as well, with: planer open" in flat
    assert "What would help, tried on the drawing:" in out


def test_every_sentence_names_its_measure(tmp_path: Path) -> None:
    found = answer(tmp_path, USE + SPINDLE)
    assert all(re.search(r"\b(flow|velocity|pressure|current)\b", sentence) for sentence in found["verdict"])
    for one in found["sets"]:
        assert all(re.match(r"(flow|velocity|inlet static|filter|motor)", row["words"]) for row in one["changes"])


def test_json_carries_si_values(tmp_path: Path) -> None:
    found = answer(tmp_path, USE + SPINDLE)
    rows = {(row["measure"], row["where"]): row for row in found["sets"][0]["changes"]}
    inlet = rows["inlet static pressure", "fan inlet"]
    assert inlet["difference"]["value"] == pytest.approx(inlet["after"]["value"] - inlet["before"]["value"])
    assert 0.0 < inlet["difference"]["sd"] < 0.2 * inlet["before"]["sd"]
    assert found["first"]["where"] == "spindle"
    assert found["first"]["share"] < 1.0
    assert found["helps"]


def test_both_displays_tell_the_same(tmp_path: Path) -> None:
    american = json.loads(run(tmp_path, USE + SPINDLE, "--json", "--units", "us"))
    metric = json.loads(run(tmp_path, USE + SPINDLE, "--json", "--units", "si"))
    for left, right in zip(american["sets"], metric["sets"], strict=True):
        for a, m in zip(left["changes"], right["changes"], strict=True):
            assert a["after"]["value"] == m["after"]["value"]
            percent_us, percent_si = (re.findall(r"\(([-+][\d.]+) %", row["words"]) for row in (a, m))
            assert percent_us == percent_si


def test_no_change_prints_no_change(tmp_path: Path) -> None:
    text = 'in_use = [["planer"], ["lathe"]]\n[[change]]\nname = "planer"\nneeds = "420 cfm"\n'
    out = " ".join(run(tmp_path, text).split())
    assert "No change at any tap, port or run with: planer open; lathe open." in out
    assert "±" not in out
    rows = [row for one in answer(tmp_path, text)["sets"] for row in one["changes"]]
    assert len(rows) > 10
    assert all(row["words"].endswith(": no change") for row in rows)


def test_an_empty_change_prints_no_change(tmp_path: Path) -> None:
    rows = [row for one in answer(tmp_path, "")["sets"] for row in one["changes"]]
    assert len(rows) > 10
    assert all(row["words"].endswith(": no change") for row in rows)


def test_a_whole_shop_is_not_a_change() -> None:
    with pytest.raises(ConfigError, match=r"is a whole shop \(it has .*\[fan\].*where a change is expected"):
        changed(SHOP.text)


def test_a_harmless_change_is_said_to_be_one(tmp_path: Path) -> None:
    out = run(tmp_path, 'in_use = [["planer"]]\n[[change]]\nname = "lathe"\nhose_length = "3 ft"\n')
    assert "no flow falls below its machine's need and no velocity below carrying, that did not before" in " ".join(out.split())
    assert "What would help" not in out


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("in_use = 3", "in_use"),
        ("[[change]\n", "is not TOML"),
        ('[[change]]\npipe = "D3034 8 in"\n', "change 1: has no name"),
        ('[[change]]\nname = "mian"\npipe = "D3034 8 in"\n', "no run or port 'mian' to alter; did you mean 'main'?"),
        ('[[change]]\nname = "main"\npipe = "D3034 9 in"\n', "line 3: change 1, pipe: 'D3034 9 in': D3034 SDR 35 has no size"),
        ('[[change]]\nname = "main"\ncolour = "red"\n', "line 3: change 1, colour: is not a key"),
        ('[[change]]\nname = "main"\nlength = "9"\n', "'9' has no unit"),
        ('remove = ["kiln"]', "there is no run or port 'kiln' (known: main"),
        ('remove = ["main"]\n[[change]]\nname = "main"\nlength = "9 ft"', "altered and removed"),
        ('remove = ["east main"]', "with this change, port 'planer' flows into 'east main', which is not a run"),
        (SPINDLE.replace("spindle", "lathe"), "port 'lathe' is there already; alter it with [[change]]"),
        (SPINDLE.replace('"bench run"', '"bench"'), "flows into 'bench', which is not a run"),
        (SPINDLE.replace('length = "22 ft"\n', ""), "port 1, length: is missing"),
        ('in_use = [["planer", "kiln"]]', "in_use 1: after this change there is no port 'kiln'"),
        ('paint = "green"', "is not a key that is known"),
    ],
)
def test_a_mistake_in_the_change_is_told(text: str, said: str) -> None:
    with pytest.raises(ConfigError, match=re.escape(said)):
        changed(text)


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    from daemon.config.changes import load_change

    with pytest.raises(ConfigError, match="cannot be read"):
        load_change(tmp_path / "none.toml", SHOP)


def test_only_new_doubts_about_the_drawing_are_noted() -> None:
    assert changed('[[change]]\nname = "lathe"\nhose_length = "3 ft"\n').warnings == ()
    larger = changed('[[change]]\nname = "east main"\npipe = "D3034 8 in"\n').warnings
    assert len(larger) == 1
    assert "run 'east main' is larger" in larger[0]
