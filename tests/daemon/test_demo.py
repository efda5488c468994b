"""The demonstration: its stored baseline is that of its shop, and a visitor sees both alarms in time."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from analysis.conditions import Condition
from analysis.estimates import Estimate
from analysis.events import ShopEvent
from analysis.findings import Finding
from analysis.plant import demo
from analysis.plant.convert import from_design
from analysis.readings import Frame
from daemon.__main__ import app
from daemon.alarms.types import AlarmState, Transition
from daemon.config.load import load
from daemon.demo.first_tour import SHOP, measured_baseline, stored_baseline
from daemon.sources.contract import Sample
from daemon.sources.simulated import SimulatorSettings, demo_blocks
from daemon.store.lock import StoreLock
from daemon.wiring import build_pipeline

PACE = 120.0
CONFIG = load(SHOP)


def test_the_stored_baseline_is_what_the_tour_gives_today() -> None:
    stored, fresh = stored_baseline(), measured_baseline(CONFIG)
    assert stored.fits(CONFIG.design) is None
    assert stored.as_built.fan_pressure == pytest.approx(fresh.as_built.fan_pressure, rel=0.01)
    for name, factor in fresh.as_built.port_k.items():
        assert stored.as_built.port_k[name] == pytest.approx(factor, rel=0.02)


class Raised:
    """Keeps the alarms that are told, in order."""

    def __init__(self) -> None:
        self.alarms: list[tuple[float, Condition]] = []

    def transition(self, transition: Transition) -> None:
        if transition.after is AlarmState.UNACKNOWLEDGED:
            self.alarms.append((transition.t, transition.alarm.condition))

    def frame(self, frame: Frame, estimate: Estimate) -> None: ...

    def run(self, began_t: float, ended_t: float | None) -> None: ...

    def finding(self, finding: Finding, raised: bool) -> None: ...

    def event(self, event: ShopEvent) -> None: ...


def test_both_alarms_come_up_within_three_minutes_and_nothing_else_does() -> None:
    opens = demo.opening(1_795_600_000.0)
    settings = SimulatorSettings(from_design(CONFIG.design), "demo shop", 1, opens)
    pipeline = build_pipeline(CONFIG, baseline=stored_baseline())
    raised = Raised()
    pipeline.sinks = [raised]
    for block in demo_blocks(settings, opens):
        pipeline.feed([Sample("demo shop", t, values) for t, values, _ in block.frames()])
        if block.t[-1] - opens > 180.0 * PACE:
            break
    told = [(condition, (t - opens) / PACE) for t, condition in raised.alarms if (t - opens) / PACE <= 180.0]
    assert [condition for condition, _ in told] == [Condition.FILTER_LOADING, Condition.BAG_FULL]


def test_a_second_demo_in_the_same_folder_leaves_the_first_alone(tmp_path: Path) -> None:
    (tmp_path / "demo.db").write_bytes(b"kept")
    with StoreLock(tmp_path / "demo.db"):
        result = CliRunner().invoke(app, ["demo", "--folder", str(tmp_path)])
    assert type(result.exception).__name__ == "AlreadyRunning"
    assert (tmp_path / "demo.db").read_bytes() == b"kept"
