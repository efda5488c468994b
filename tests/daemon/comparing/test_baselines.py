"""Two stored baselines compared by the command: the tour of the first day, and the same numbers with less suction."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from analysis.baseline.model import Baseline
from daemon.__main__ import app
from daemon.config.load import load
from daemon.store.migrate import ensure_schema
from daemon.store.writer import Writer
from tests.support.daemon_process import shop_file

FIRST: dict[str, Any] = json.loads(Path("daemon/demo/baseline.json").read_text())


def changed(by: Callable[[str, float], float], name: str, days: float) -> dict[str, Any]:
    told = json.loads(json.dumps(FIRST))
    told["name"], told["t"] = name, FIRST["t"] + days * 86400.0
    for step in told["steps"]:
        step["measured"] = {channel: by(channel, value) for channel, value in step["measured"].items()}
    return dict(told)


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    path = shop_file(tmp_path, '[[source]]\nkind = "serial"\nname = "node"\ndevice = "/dev/none"', port=0)
    store = load(path).at("shop.db")
    ensure_schema(store, here=True)
    writer = Writer(store)
    # A leak in the main: less suction everywhere, more air and so more current and more pressure over the bags.
    leak = {"inlet_pa": 0.93, "filter_pa": 1.06, "motor_a": 1.012}
    for document in (
        changed(lambda _, value: value, "first day", 0.0),
        changed(lambda channel, value: value * leak.get(channel, 1.0), "after the work", 3.0),
    ):
        found = Baseline.from_dict(document)
        writer.baseline(found.name, found.t, found.to_dict())
    writer.flush(force=True)
    writer.close()
    return path


def test_less_suction_and_more_air_is_a_loss_at_the_ports(shop: Path) -> None:
    result = CliRunner().invoke(app, [
        "compare", str(shop), "--baselines", "first day", "after the work", "--joined", "main", "--name", "new run", "--json"])
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert told["outcome"] == "lost"
    flows = [change for one in told["sets"] for change in one["changes"] if change["measure"] == "flow" and len(one["open"]) == 1]
    assert len(flows) == 4
    for change in flows:
        assert change["duct"]["value"] < -0.015
        assert change["duct"]["low"] < change["duct"]["value"] < change["duct"]["high"]
    assert told["leak_cm2"]["low"] > 0.0


def test_a_baseline_that_is_not_there_is_told_with_those_that_are(shop: Path) -> None:
    result = CliRunner().invoke(app, ["compare", str(shop), "--baselines", "first day", "last day"])
    assert result.exit_code != 0
    assert "'after the work'" in str(result.exception)
