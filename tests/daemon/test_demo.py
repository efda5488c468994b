"""The demonstration: its stored baseline is that of its shop, a visitor sees both alarms in time, and the added run."""

from __future__ import annotations

import re
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
from daemon.demo.maker import MakersDesk
from daemon.sources.contract import Sample
from daemon.sources.simulated import SimulatorSettings, demo_blocks
from daemon.store.lock import StoreLock
from daemon.store.migrate import ensure_schema
from daemon.store.writer import Writer
from daemon.wiring import build_pipeline
from tests.support.waiting import eventually

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


@pytest.mark.slow
def test_the_added_run_is_answered_with_the_filters_part_and_the_truth_within_five_minutes(tmp_path: Path) -> None:
    path = tmp_path / "demo.toml"
    path.write_text(SHOP.read_text())
    config = load(path)
    ensure_schema(config.at("demo.db"), here=True)
    writer, pipeline = Writer(config.at("demo.db")), build_pipeline(config, baseline=stored_baseline())
    writer.baseline("first day", stored_baseline().t, stored_baseline().to_dict())
    pipeline.sinks = [writer]
    opens = demo.opening(1_795_600_000.0)
    settings = SimulatorSettings(from_design(config.design), "demo shop", 1, opens)
    desk = MakersDesk(config, writer, pipeline)
    try:
        for block in demo_blocks(settings, opens):
            if block.t[-1] < demo.check_time("before", opens) - 300.0:
                continue
            if block.t[0] > opens + 300.0 * PACE or "busy" in desk.document():
                break
            frames = [Sample("demo shop", t, values) for t, values, _ in block.frames()]
            for low in range(0, len(frames), 600):  # as many at once as a busy machine hands over
                pipeline.feed(frames[low : low + 600])
                desk.turn(True, frames[low : low + 600][-1].t, 0.0)
        eventually(lambda: desk.document().get("ports"), 300.0, "the answer has come")
        told = desk.document()
    finally:
        desk.close()
        writer.close()
    assert (told["verdict"], told["name"]) == ("lost", demo.CUT_NAME)
    assert "comes back with cleaning" in told["lines"][1]
    assert set(told["kept"]) == {"before", "after"}
    for row, words in zip(told["ports"], told["truth"], strict=True):
        name, _, changes = words.partition(": ")
        ducts, by_filter = (float(part.split(" %")[0].replace("−", "-")) for part in changes.split(", "))
        assert name == row["name"]
        value, low, high = (float(v) for v in re.findall(r"-?\d+\.\d", row["duct"].replace("−", "-")))
        assert low <= ducts <= high, (row, words)
        assert value == pytest.approx(ducts, rel=0.25)
        assert float(row["filter"].split(" %")[0].replace("−", "-")) == pytest.approx(by_filter, abs=0.5)
