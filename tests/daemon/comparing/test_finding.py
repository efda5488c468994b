"""Changes of the ducts that nobody wrote down, in three weeks of short runs of a simulated shop."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import pytest
from typer.testing import CliRunner

from analysis.plant.asbuilt import as_built
from analysis.plant.convert import from_design
from analysis.plant.day import Span
from analysis.plant.dust import DustState
from analysis.plant.faults import Fault, FaultKind
from analysis.plant.simulate import simulate
from daemon.__main__ import app
from daemon.config.load import load
from daemon.sources.simulated import write_recording
from daemon.store import requests
from tests.support.daemon_process import shop_file

CONFIG = load(Path("daemon/demo/chair-barn.toml"))
MONDAY = 1_767_254_400.0
DAY_S = 86400.0
DAYS, CUT_DAY = 20, 12


def recording(path: Path, area_m2: float, seed: int = 4) -> Path:
    """A run of two minutes with the planer and one with the lathe each day; the bags load all the while."""
    shop = as_built(from_design(CONFIG.design), seed)
    spans: list[Span] = []
    for day in range(DAYS):
        for k, port in enumerate(("planer", "lathe")):
            on = MONDAY + day * DAY_S + 1800.0 * (k + 1)
            # Of a rest only the end is kept: the zeros are found in it.
            spans += [Span(on - 100.0, on, False), Span(on, on + 110.0, True, (port,))]
        spans.append(Span(spans[-1].t1, spans[-1].t1 + 95.0, False))
    cut_t = MONDAY + (CUT_DAY - 0.3) * DAY_S
    faults = [Fault(FaultKind.ADDED_RUN, cut_t, MONDAY + 99 * DAY_S, "main", area_m2)] if area_m2 else []
    blocks = []
    for day in range(DAYS):
        mine = [span for span in spans if day * DAY_S <= span.t0 - MONDAY < (day + 1) * DAY_S]
        state = DustState.at(shop.bags, 1.1 + 0.03 * day, 0.1)
        blocks += list(simulate(
            shop, mine, seed + day, faults, state=state, idle_step_s=10.0, channels=("inlet_pa", "filter_pa", "motor_a")))
    write_recording(path, blocks, gates=True)
    return path


@pytest.mark.slow
@pytest.mark.long
def test_the_day_of_the_cut_is_found_and_offered_to_the_journal(tmp_path: Path) -> None:
    shop = shop_file(tmp_path, '[[source]]\nkind = "serial"\nname = "node"\ndevice = "/dev/none"', port=0)
    found = recording(tmp_path / "weeks.jsonl", 0.0015)
    options = ["--recording", str(found)]
    result = CliRunner().invoke(app, ["changes", str(shop), *options, "--json"])
    assert result.exit_code == 0, result.output
    (change,) = json.loads(result.stdout)
    # Between the last run of the day before and the first one of the day of the cut.
    cut_t = MONDAY + (CUT_DAY - 0.3) * DAY_S
    assert change["began_t"] <= cut_t <= change["ended_t"]
    assert change["earliest_t"] <= change["began_t"]
    assert change["ended_t"] <= change["latest_t"]
    assert change["latest_t"] - change["earliest_t"] < 6.0 * DAY_S
    assert change["resistance"] < 0.0
    assert "an added run" in change["words"]
    page, pictures = tmp_path / "changes.html", tmp_path / "pictures"
    replayed = CliRunner().invoke(app, [
        "replay", str(found), "--config", str(shop), "--findings", str(tmp_path / "f.jsonl"), "--store",
        str(tmp_path / "shop.db")])
    assert replayed.exit_code == 0, replayed.output
    result = CliRunner().invoke(app, [
        "changes", str(shop), "--keep", "--html", str(page), "--png", str(pictures)])
    assert result.exit_code == 0, result.output
    assert "an added run" in " ".join(result.output.split())
    assert page.read_text().count("<svg") == 1
    assert (pictures / "changes.png").read_bytes().startswith(b"\x89PNG")
    connection = sqlite3.connect(tmp_path / "shop.db")
    (asked,) = requests.recent(connection)
    connection.close()
    assert (asked.kind, asked.payload["kind"], asked.by) == ("journal_add", "changed", "ductwarden")
    assert change["began_t"] <= asked.payload["t"] <= change["ended_t"]


def test_no_day_is_found_where_nothing_was_cut(tmp_path: Path) -> None:
    found = recording(tmp_path / "weeks.jsonl", 0.0)
    result = CliRunner().invoke(app, [
        "changes", "daemon/demo/chair-barn.toml", "--recording", str(found)])
    assert result.exit_code == 0, result.output
    assert "no change of the ducts found in 40 stretches" in result.output
