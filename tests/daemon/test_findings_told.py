"""What the pipeline tells of findings: raised and cleared, each at the time of the block that made it so."""

from __future__ import annotations

import io
import json
from pathlib import Path

from analysis.blocks import Block
from analysis.conditions import Condition
from analysis.estimates import Estimate
from analysis.findings import Claim, Finding
from analysis.readings import Frame
from daemon.config.load import load
from daemon.documents import estimate_document
from daemon.replaying import FileSink
from daemon.sources.contract import Sample
from daemon.wiring import build_pipeline

BARN = Path(__file__).parents[2] / "daemon" / "demo" / "chair-barn.toml"
NINE = 1_772_528_400.0


class Says:
    """Claims a condition from a block on, and keeps its one finding, as detectors do that have nothing new to say."""

    def __init__(self, condition: Condition, where: str, block: int) -> None:
        self.condition, self.where, self.block = condition, where, block
        self.seen = 0
        self.told: tuple[Finding, ...] = ()

    def update(self, block: Block) -> None:
        self.seen += 1
        if self.seen == self.block:
            self.told = (Finding(block.t, self.condition, Claim.PRESENT, where=self.where, confidence=0.9, since=block.t),)

    def findings(self) -> tuple[Finding, ...]:
        return self.told


def test_what_a_cause_found_later_explains_is_cleared_when_the_cause_is_found() -> None:
    out = io.StringIO()
    pipeline = build_pipeline(load(BARN))
    pipeline.recognisers = []
    pipeline.detectors = [Says(Condition.WEAK_FAN, "", 2), Says(Condition.SENSOR_FAULT, "inlet_pa", 6)]  # type: ignore[list-item]
    pipeline.sinks = [FileSink(out, None)]
    readings = {"inlet_pa": -2500.0, "filter_pa": 280.0, "motor_a": 9.2}
    pipeline.feed(Sample("barn", NINE + s, readings) for s in range(120))
    told = [json.loads(line) for line in out.getvalue().splitlines()]
    assert [(one["condition"], one["state"]) for one in told] == [
        ("weak_fan", "raised"), ("sensor_fault", "raised"), ("weak_fan", "cleared")]
    first, second, third = (one["t"] for one in told)
    assert first < second == third


def test_estimate_lines_name_a_weak_fan_and_a_channel_left_out_only_where_there_is_one() -> None:
    out = io.StringIO()
    sink = FileSink(None, out)
    for estimate in (
        Estimate(NINE, 0.25, 0.01, 1050.0, fan_strength=1.0), Estimate(NINE, 0.2, 0.02, gates=("planer",), fan_strength=0.81),
        Estimate(NINE, doubtful=("motor_a",)),
    ):
        sink.frame(Frame(NINE, {}), estimate)
    plain, weak, doubted = (json.loads(line) for line in out.getvalue().splitlines())
    assert plain == {"t": "2026-03-03T09:00:00Z", "flow_m3s": 0.25, "flow_sd": 0.01, "filter_drag": 1050.0, "gates": None}
    assert weak["fan_strength"] == 0.81
    assert weak["gates"] == ["planer"]
    assert doubted["doubtful"] == ["motor_a"]
    assert estimate_document(Estimate(NINE, doubtful=("motor_a",), fan_strength=0.81))["fan_strength"] == 0.81
