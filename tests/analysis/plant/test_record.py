"""Recordings are lines that any JSON reader takes, with the channels' names and UTC times."""

from __future__ import annotations

import json
from datetime import datetime

import pytest

from analysis.plant.asbuilt import as_built
from analysis.plant.blocks import Block
from analysis.plant.day import steady
from analysis.plant.faults import Fault, FaultKind
from analysis.plant.record import recording_lines, truth_lines
from analysis.plant.simulate import simulate
from analysis.readings import CHANNELS
from tests.support.barn import barn

NOON = 1_772_452_800.0


@pytest.fixture(scope="module")
def block() -> Block:
    shop = as_built(barn(), 1)
    silent = Fault(FaultKind.SENSOR_SILENT, NOON + 60.0, where="motor_a")
    return next(b for b in simulate(shop, steady(["lathe"], NOON, 60.0), 1, [silent]) if b.truth.fan.any())


def test_a_recording_line_has_a_time_and_the_channels_that_spoke(block: Block) -> None:
    rows = [json.loads(line) for line in recording_lines(block)]
    assert len(rows) == len(block)
    assert datetime.fromisoformat(rows[0]["t"]).timestamp() == block.t[0]
    assert set(rows[10]) == {"t", "inlet_pa", "filter_pa", "motor_a"}
    assert set(rows[40]) == {"t", "inlet_pa", "filter_pa"}
    assert set(rows[10]) - {"t"} <= set(CHANNELS)
    assert rows[20]["inlet_pa"] == pytest.approx(block.channels["inlet_pa"][20], abs=1e-3)


def test_gates_are_written_when_asked_for(block: Block) -> None:
    row = json.loads(next(recording_lines(block, gates=True)))
    assert row["gates"] == {"planer": False, "bandsaw": False, "lathe": True, "shaving horse": False}


def test_truth_says_what_really_was(block: Block) -> None:
    rows = [json.loads(line) for line in truth_lines(block)]
    assert rows[50]["gates"] == ["lathe"]
    assert rows[50]["faults"] == ["sensor_silent"]
    assert rows[5]["faults"] == []
    assert rows[50]["flow_m3s"] == pytest.approx(sum(rows[50]["port_m3s"].values()), rel=0.04), "joints leak a little"
    assert rows[50]["filter_drag"] == pytest.approx(block.truth.drag[50], abs=0.01)
