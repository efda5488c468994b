"""Did the run that was added reduce suction? Two recordings of simulated shops, with the truth known."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from analysis.plant.asbuilt import as_built
from analysis.plant.blocks import Block
from analysis.plant.convert import from_design
from analysis.plant.day import Span
from analysis.plant.dust import DustState
from analysis.plant.faults import Fault, FaultKind
from analysis.plant.simulate import simulate
from daemon.__main__ import app
from daemon.comparing.comparing import Report, Told, between_recordings
from daemon.config.load import load
from tests.support.recordings import write_blocks

BARN = Path("daemon/demo/chair-barn.toml")
CONFIG = load(BARN)
MONDAY = 1_767_254_400.0
LEAK_M2 = 0.0012


@cache
def simulated(seed: int, later: bool, area_m2: float, ratio: float) -> tuple[Block, ...]:
    """Ten minutes at each port, in two runs; a day later with what the new run's joints and gate let through."""
    shop = as_built(from_design(CONFIG.design), seed)
    start = MONDAY + 86400.0 * later
    spans = [Span(start, start + 60.0, False)]
    for port in (*CONFIG.design.port_names, *CONFIG.design.port_names):
        spans.append(Span(spans[-1].t1, spans[-1].t1 + 300.0, True, (port,)))
        spans.append(Span(spans[-1].t1, spans[-1].t1 + 60.0, False))
    faults: Sequence[Fault] = ()
    if later and area_m2:
        faults = [Fault(FaultKind.ADDED_RUN, MONDAY, MONDAY + 1e7, "bench run", area_m2)]
    return tuple(simulate(
        shop, spans, seed + 50 * later, faults, state=DustState.at(shop.bags, ratio, 0.1), idle_step_s=1.0))


def port_flow(blocks: Sequence[Block], port: str) -> float:
    """The true mean flow at a port while it alone is open and the fan is at speed."""
    found: list[float] = []
    for block in blocks:
        truth, at = block.truth, block.ports.index(port)
        alone = truth.gates[:, at] & (truth.gates.sum(axis=1) == 1) & truth.fan & (truth.speed > 0.98)
        found.extend(truth.port_m3s[alone, at])
    return float(np.mean(found))


def compared(folder: Path, seed: int, area_m2: float, ratio_after: float) -> Report:
    paths = folder / "before.jsonl", folder / "after.jsonl"
    write_blocks(paths[0], simulated(seed, False, 0.0, 1.2), gates=True)
    write_blocks(paths[1], simulated(seed, True, area_m2, ratio_after), gates=True)
    return between_recordings(CONFIG, *paths, Told(name="new run"))


@pytest.mark.parametrize("seed", [21, pytest.param(22, marks=pytest.mark.long)])
def test_the_ducts_part_is_told_apart_from_a_filter_that_loaded_meanwhile(tmp_path: Path, seed: int) -> None:
    report = compared(tmp_path, seed, LEAK_M2, 1.5)
    assert report.answer.verdict == "lost"
    inside = 0
    for change in report.answer.ports:
        # The truth of the duct's part alone: the same shop a day later with the bags as they were.
        truth = port_flow(simulated(seed, True, LEAK_M2, 1.2), change.where)
        truth = truth / port_flow(simulated(seed, False, 0.0, 1.2), change.where) - 1.0
        assert truth < -0.04
        assert change.where in report.answer.claimed, change
        assert change.duct.value == pytest.approx(truth, abs=0.04)
        assert change.filter.value < 0.0
        inside += change.duct.low <= truth <= change.duct.high
    assert inside >= len(report.answer.ports) - 1


@pytest.mark.parametrize("seed", [31, *(pytest.param(seed, marks=pytest.mark.long) for seed in (32, 33))])
def test_no_change_of_the_ducts_is_claimed_where_there_is_none(tmp_path: Path, seed: int) -> None:
    report = compared(tmp_path, seed, 0.0, 1.5)
    assert report.answer.claimed == frozenset()
    assert report.answer.verdict != "lost"


def test_the_command_says_it_in_words_and_writes_a_page_and_a_table(tmp_path: Path) -> None:
    compared(tmp_path, 21, LEAK_M2, 1.5)
    page, table = tmp_path / "report.html", tmp_path / "measures.csv"
    result = CliRunner().invoke(app, [
        "compare", str(BARN), "--before-recording", str(tmp_path / "before.jsonl"), "--after-recording",
        str(tmp_path / "after.jsonl"), "--name", "new run", "--html", str(page), "--csv", str(table),
    ])
    assert result.exit_code == 0, result.output
    words = " ".join(result.output.split())
    assert "Yes: the new run takes air from the ports, most at the" in words
    assert "comes back with cleaning" in words
    html = page.read_text()
    assert html.lstrip().lower().startswith("<!doctype html>")
    assert "Yes: the new run takes air" in html
    assert "http" not in html
    assert "planer" in table.read_text()
