"""``--json`` on everything that prints a result: one document, whose numbers are those of the words."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import typer.main
from typer.testing import CliRunner

from daemon.cli.commands import COMMANDS, app
from daemon.config.load import load
from tests.daemon.store.making import NINE
from tests.support.daemon_process import BARN, shop_file
from tests.support.released import fill

NO_RESULT = {"run", "demo", "init", "service"}
"""These watch, ask or print a text to save."""


def given(*words: str) -> Any:
    """The document that a command prints; no number in it is one that JSON has no word for."""
    result = CliRunner().invoke(app, [*words, "--json"])
    assert result.exit_code == 0, (result.output, result.exception)

    def refuse(word: str) -> float:
        raise AssertionError(f"{word} is not JSON")

    return json.loads(result.stdout, parse_constant=refuse)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("json")
    path = shop_file(folder, '[[source]]\nkind = "serial"\ndevice = "/dev/x"', port=0)
    fill(folder / "shop.db")
    return path


def test_every_command_with_a_result_takes_it() -> None:
    group: Any = typer.main.get_command(app)
    lacking = [name for name in sorted(set(COMMANDS) - NO_RESULT)
               if not any("--json" in one.opts for one in group.get_command(None, name).params)]
    assert lacking == []


def test_files_say_what_they_wrote(shop: Path, tmp_path: Path) -> None:
    rows = given("export", str(shop), "minutes", str(tmp_path / "minutes.csv"))
    assert rows["rows"] == len((tmp_path / "minutes.csv").read_text().splitlines()) - 1 > 0
    copy = given("backup", str(shop), str(tmp_path / "copy.db"))
    assert copy["bytes"] == Path(copy["file"]).stat().st_size
    assert copy["verified"] is True
    month = given("record", str(shop), "--month", "2026-03", "--to", str(tmp_path))
    assert Path(month["page"]).exists()
    assert all(Path(table).exists() for table in month["tables"].values())
    assert month["alarms_raised"] == given("alarms", str(shop), "rates")["raised"] == 1


def test_an_alarm_with_every_step(shop: Path) -> None:
    (alarm,) = given("alarms", str(shop), "history")
    found = given("alarms", str(shop), "history", str(alarm["id"]))
    assert {key: found[key] for key in alarm} == alarm
    assert found["steps"][0]["after"] == "unacknowledged"
    assert found["steps"][0]["t"] >= NINE
    assert given("alarms", str(shop), "history", "999") is None
    assert given("journal", str(shop))[0]["kind"] == "cleaned"


def test_the_ways_of_calibrating(shop: Path) -> None:
    wanted = {need["channel"]: need for need in given("calibrate", str(shop), "--needs")["ranges"]}
    assert wanted["inlet_pa"]["low"] < -1000.0
    assert given("calibrate", str(shop))["checks"]
    poured = given("calibrate", str(shop), "inlet_pa")["heights"]
    assert poured[0] == {"height_m": 0.0, "pressure_pa": 0.0}
    assert poured[4]["pressure_pa"] == pytest.approx(9800.0 * poured[4]["height_m"], rel=0.003), "water, near 1000 kg/m3"
    line = given("calibrate", str(shop), "filter_pa", "0 Pa = 3", "500 Pa = 503", "1000 Pa = 1003", "--no-record")
    assert (line["scale"], line["offset_si"]) == (pytest.approx(1.0), pytest.approx(-3.0))
    assert line["kept"] == []
    refused = CliRunner().invoke(app, ["calibrate", str(shop), "filter_pa", "0 Pa = 3", "500 Pa = -503", "--json"])
    assert refused.stdout == "", "a slip is no result"
    assert "nothing was kept" in str(refused.exception)


def test_what_was_understood_is_the_configuration(shop: Path) -> None:
    found = given("check", str(shop))
    assert found["configuration"]["shop"]["name"] == load(BARN).file.shop.name
    assert found["summary"]

