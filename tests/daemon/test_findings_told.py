"""What the pipeline tells of findings: raised and cleared, each at the time of the block that made it so."""

from __future__ import annotations

import io
import json
from pathlib import Path

from analysis.blocks import Block
from analysis.conditions import Condition
from analysis.findings import Claim, Finding
from daemon.config.load import load
from daemon.sinks import FileSink
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
