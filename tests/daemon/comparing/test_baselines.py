"""Two stored baselines compared by the command: the tour of the first day, and the same with a leak in the main."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from analysis.baseline.model import Baseline
from analysis.duct.design import Faults
from analysis.duct.solve import solve_many
from daemon.__main__ import app
from daemon.config.load import load
from daemon.store.writer import Writer
from tests.support.daemon_process import shop_file
from tests.support.fresh_store import fresh_store

BARN = Path("daemon/demo/chair-barn.toml")
FIRST: dict[str, Any] = json.loads(Path("daemon/demo/baseline.json").read_text())


LEAK_M2 = 8e-4


def later(name: str, leak_m2: float) -> dict[str, Any]:
    """The first day's tour three days on, each reading moved as the engine says that a leak in the main moves it."""
    told: dict[str, Any] = json.loads(json.dumps(FIRST))
    told["name"], told["t"] = name, FIRST["t"] + 3.0 * 86400.0
    design = load(BARN).design
    built, drag = Baseline.from_dict(FIRST).as_built, FIRST["drag_pasm3"]
    for step in told["steps"]:
        gates = np.array([[port in step["open_ports"] for port in design.port_names]])
        tight, leaky = (
            solve_many(design, gates, as_built=built, filter_drag_pasm3=drag, faults=Faults(leak_m2={"main": m2} if m2 else {}))
            for m2 in (0.0, leak_m2))
        assert tight.motor_a is not None
        assert leaky.motor_a is not None
        for channel, one, two in (("inlet_pa", tight.inlet_pa, leaky.inlet_pa), ("filter_pa", tight.filter_pa, leaky.filter_pa),
                                  ("motor_a", tight.motor_a, leaky.motor_a)):
            step["measured"][channel] *= float(two[0] / one[0])
    return told


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    path = shop_file(tmp_path, '[[source]]\nkind = "serial"\nname = "node"\ndevice = "/dev/none"', port=0)
    store = load(path).at("shop.db")
    fresh_store(store)
    writer = Writer(store)
    for document in (FIRST, later("after the work", LEAK_M2)):
        found = Baseline.from_dict(document)
        writer.baseline(found.name, found.t, found.to_dict())
    writer.flush(force=True)
    writer.close()
    return path


def test_less_suction_and_more_air_is_a_loss_at_the_ports(shop: Path) -> None:
    result = CliRunner().invoke(app, [
        "compare", str(shop), "--baselines", FIRST["name"], "after the work", "--joined", "main", "--name", "new run", "--json"])
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert told["verdict"] == "lost"
    flows = [c for c in told["changes"] if c["measure"] == "flow" and len(c["open"]) == 1]
    assert len(flows) == 4
    for change in flows:
        assert change["duct"]["value"] < -0.015
        assert change["duct"]["low"] < change["duct"]["value"] < change["duct"]["high"]


def test_a_baseline_that_is_not_there_is_told_with_those_that_are(shop: Path) -> None:
    result = CliRunner().invoke(app, ["compare", str(shop), "--baselines", FIRST["name"], "last day"])
    assert result.exit_code != 0
    assert "'after the work'" in str(result.exception)
