"""``ductwarden baseline``: from a recording with gate marks, and guided from the terminal."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import typer
from typer.testing import CliRunner

from analysis.baseline.model import Baseline
from analysis.duct.design import AsBuilt
from analysis.duct.solve import solve_many
from analysis.plant.asbuilt import as_built
from analysis.plant.convert import from_design
from analysis.plant.day import tour
from analysis.plant.simulate import simulate
from analysis.readings import Frame, RunState
from daemon.cli.baseline import BaselineDeclined, Guide, baseline
from daemon.config.load import load
from daemon.store.lock import StoreLock
from daemon.store.reader import Reader
from daemon.store.writer import Writer
from daemon.touring import TourDeclined, TourDesk, newest_baseline
from daemon.wiring import build_pipeline
from tests.support.fresh_store import fresh_store

DEMO = Path("daemon/demo/chair-barn.toml")
CONFIG = load(DEMO)
START = datetime(2026, 4, 20, 9, tzinfo=UTC).timestamp()
app = typer.Typer()
app.command()(baseline)


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """The demonstration's configuration with its store in a folder of its own."""
    path = tmp_path / "shop.toml"
    path.write_text(DEMO.read_text().replace('file = "demo.db"', f'file = "{tmp_path / "shop.db"}"'))
    return path


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A recorded tour with gate marks: all shut, each gate alone, three pairs, 90 s each."""
    path = tmp_path_factory.mktemp("recordings") / "tour.jsonl"
    plant = as_built(from_design(CONFIG.design), 11)
    with path.open("w") as out:
        for block in simulate(plant, tour(plant, START), 11, channels=("inlet_pa", "filter_pa", "motor_a"), idle_step_s=1.0):
            for t, values, gates in block.frames():
                stamp = datetime.fromtimestamp(t, UTC).isoformat()
                out.write(json.dumps({"t": stamp, **{k: round(v, 3) for k, v in values.items()}, "gates": gates}) + "\n")
    return path


def test_a_marked_recording_becomes_a_baseline_with_its_report(shop: Path, recording: Path, tmp_path: Path) -> None:
    out = tmp_path / "first.json"
    options = ["--clean", "--name", "first day", "--out", str(out), "--keep"]
    result = CliRunner().invoke(app, [str(shop), "--recording", str(recording), *options])
    assert result.exit_code == 0, result.output
    assert "baseline 'first day'" in result.output
    assert "all gates shut" in result.output
    assert "planer open" in result.output
    for port in CONFIG.design.port_names:
        assert f"port   {port}" in result.output
    found = Baseline.from_dict(json.loads(out.read_text()))
    assert len(found.steps) >= 7
    assert found.clean
    kept, trouble = newest_baseline(shop.parent / "shop.db", CONFIG.design)
    assert trouble == ""
    assert kept == found


def test_keeping_is_refused_while_a_daemon_holds_the_store(shop: Path, recording: Path) -> None:
    with StoreLock(shop.parent / "shop.db"):
        result = CliRunner().invoke(app, [str(shop), "--recording", str(recording), "--keep"])
    assert result.exit_code != 0


def test_a_recording_without_gate_marks_is_declined_in_words(shop: Path, tmp_path: Path) -> None:
    plain = tmp_path / "plain.jsonl"
    plain.write_text("".join(
        json.dumps({"t": START + i, "inlet_pa": -2000.0 + i % 7, "filter_pa": 300.0 + i % 3, "motor_a": 9.0}) + "\n"
        for i in range(120)))
    result = CliRunner().invoke(app, [str(shop), "--recording", str(plain)])
    assert isinstance(result.exception, BaselineDeclined)
    assert "gate marks" in str(result.exception)


def test_options_of_a_recording_are_refused_for_a_guided_tour(shop: Path, tmp_path: Path) -> None:
    result = CliRunner().invoke(app, [str(shop), "--out", str(tmp_path / "x.json")])
    assert result.exit_code == 2
    assert "belong to --recording" in result.output


def test_stretches_that_are_too_short_are_named_with_what_is_needed(shop: Path, recording: Path, tmp_path: Path) -> None:
    short = tmp_path / "short.jsonl"
    rows = [json.loads(line) for line in recording.read_text().splitlines()]
    # Only the first half minute of each gate set is kept.
    kept, began, last = [], 0, None
    for row in rows:
        if row["gates"] != last:
            began, last = len(kept), row["gates"]
        if len(kept) - began < 30:
            kept.append(row)
    begun = datetime.fromisoformat(kept[0]["t"]).timestamp()
    short.write_text("".join(json.dumps({**row, "t": begun + i}) + "\n" for i, row in enumerate(kept)))
    result = CliRunner().invoke(app, [str(shop), "--recording", str(short)])
    assert isinstance(result.exception, BaselineDeclined)
    assert "lathe and shaving horse open: held for 29 s of running; 48 s are needed at least" in result.output


class Bench:
    """A daemon's tour desk on a shop of steady numbers. The owner at the prompt sets the gates that are asked for."""

    def __init__(self, tmp_path: Path, words: list[str]) -> None:
        store = tmp_path / "bench.db"
        fresh_store(store)
        self.store, self.writer = store, Writer(store)
        self.pipeline = build_pipeline(CONFIG)
        self.desk = TourDesk(CONFIG, self.writer, self.pipeline)
        self.words, self.lines, self.t = words, [], START
        self.opened: tuple[str, ...] = ()
        self.on = False
        self.rng = np.random.default_rng(4)

    def ask(self, payload: dict[str, object]) -> tuple[bool, str]:
        try:
            return True, self.desk.ask(payload, self.t, "owner")
        except TourDeclined as error:
            return False, str(error)

    def status(self) -> dict[str, Any]:
        return self.desk.document()

    def prompt(self, _: str) -> str:
        word = self.words.pop(0) if self.words else ""
        self.on = True
        self.opened = tuple(self.status()["open_ports"])
        return word

    def wait(self, _: float) -> None:
        design = CONFIG.design
        gates = np.array([[p in self.opened for p in design.port_names]])
        point = solve_many(design, gates, filter_drag_pasm3=950.0, as_built=AsBuilt(port_k={"lathe": 1.7}))
        assert point.motor_a is not None
        for _ in range(10):
            self.t += 1.0
            noise = self.rng.normal(0, 1.0, 3)
            values = {"inlet_pa": float(point.inlet_pa[0]) + 5 * noise[0], "filter_pa": float(point.filter_pa[0]) + noise[1],
                      "motor_a": float(point.motor_a[0]) + 0.03 * noise[2]}
            if not self.on:
                values = {"inlet_pa": 2.0 + noise[0], "filter_pa": 0.3 * noise[1], "motor_a": 0.0}
            state = RunState.RUNNING if self.on else RunState.OFF
            frame = Frame(self.t, values, state=state, run_s=60.0 if self.on else 0.0)
            self.desk.frame(frame, self.pipeline.estimator.update(frame))


def test_a_tour_is_guided_to_a_stored_baseline(tmp_path: Path) -> None:
    bench = Bench(tmp_path, [])
    guide = Guide(bench.ask, bench.status, bench.lines.append, bench.prompt, bench.wait)
    assert guide.run("first day", True, 2)
    assert len(bench.status()["report"]) > 0
    text = "\n".join(bench.lines)
    assert "Leave the fan off" in text
    assert "step 1 of 7: Shut all gates" in text
    assert "Open planer, and shut all other gates" in text
    assert "Touch nothing" in text
    assert "is stored and in use" in text
    assert "the run to the lathe resists" in text
    bench.writer.close()
    with Reader(bench.store) as reader:
        assert [b["name"] for b in reader.baselines()] == ["first day"]


def test_a_tour_left_waits_and_goes_on_with_the_same_command(tmp_path: Path) -> None:
    bench = Bench(tmp_path, ["", "", "q"])
    guide = Guide(bench.ask, bench.status, bench.lines.append, bench.prompt, bench.wait)
    assert not guide.run("in two parts", False, 0)
    assert bench.status()["active"]
    measured = bench.status()["measured"]
    assert len(measured) == 2
    bench.words = ["what?", "s"]
    again = Guide(bench.ask, bench.status, bench.lines.append, bench.prompt, bench.wait)
    assert again.run("", False, 0)
    assert any("going on with it" in line for line in bench.lines)
    assert bench.lines.count(next(line for line in bench.lines if line.startswith("Enter"))) == 3


def test_pairs_are_as_many_as_asked_for_and_none_is_none(tmp_path: Path) -> None:
    bench = Bench(tmp_path, [])
    for pairs, steps in ((0, 5), (None, 8), (1, 6)):
        assert bench.ask({"action": "start", "name": "x", "pairs": pairs})[0]
        assert bench.status()["steps"] == steps
        bench.ask({"action": "cancel"})
    taken, words = bench.ask({"action": "start", "name": "x", "pairs": "a few"})
    assert not taken
    assert "a few" in words


def test_a_tour_can_be_forgotten(tmp_path: Path) -> None:
    bench = Bench(tmp_path, ["x"])
    guide = Guide(bench.ask, bench.status, bench.lines.append, bench.prompt, bench.wait)
    assert not guide.run("x", False, 0)
    assert not bench.status()["active"]


def test_a_daemon_that_does_not_answer_is_told() -> None:
    no = (False, "the daemon does not answer; is it running?")
    guide = Guide(lambda _: no, dict, lambda _: None, lambda _: "", lambda _: None)
    with pytest.raises(BaselineDeclined, match="is it running"):
        guide.run("x", False, 3)
    silent = Guide(lambda _: (True, ""), dict, lambda _: None, lambda _: "", lambda _: None)
    with pytest.raises(BaselineDeclined, match="no tour"):
        silent.run("x", False, 3)
