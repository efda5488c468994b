"""The guided check: a short tour before the work and the same after it on a simulated shop, asked for as the page does."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from analysis.baseline.plan import plan
from analysis.estimates import Estimate
from analysis.plant.asbuilt import as_built
from analysis.plant.convert import from_design
from analysis.plant.day import Span
from analysis.plant.dust import DustState
from analysis.plant.faults import Fault, FaultKind
from analysis.plant.simulate import simulate
from analysis.readings import Frame, RunState
from daemon.__main__ import app
from daemon.comparing.desk import AddedRunDesk
from daemon.comparing.guided import CheckTour
from daemon.config.load import load
from daemon.errors import AddedRunDeclined
from daemon.sources.contract import Sample
from daemon.store.reader import Reader
from daemon.store.writer import Writer
from tests.support.daemon_process import shop_file
from tests.support.fresh_store import fresh_store
from tests.support.shop_store import shop_store
from tests.support.waiting import eventually

pytestmark = [pytest.mark.slow, pytest.mark.long]

MONDAY = 1_767_254_400.0
HOLD_S = 110.0
LEAK_M2 = 0.0010


def test_before_the_work_and_after_it_and_then_the_answer(tmp_path: Path) -> None:
    owned = shop_store(tmp_path, MONDAY)
    path, config, store, writer, pipeline = owned.path, owned.config, owned.store, owned.writer, owned.pipeline
    desk = AddedRunDesk(config, writer, pipeline)
    steps = plan(config.design, 0)
    shop = as_built(from_design(config.design), 3)

    def check(side: str, start: float, ratio: float, faults: list[Fault]) -> None:
        desk.ask({"action": "check", "side": side}, start, "owner")
        spans = [Span(start, start + 150.0, False)]
        for gates in steps:
            spans.append(Span(spans[-1].t1, spans[-1].t1 + HOLD_S, True, gates))
        spans.append(Span(spans[-1].t1, spans[-1].t1 + 30.0, False))
        ready: set[int] = set()
        state = DustState.at(shop.bags, ratio, 0.1)
        for block in simulate(shop, spans, int(start) % 1000 + 7, faults, state=state, idle_step_s=1.0,
                              channels=("inlet_pa", "filter_pa", "motor_a")):
            for t, values, _ in block.frames():
                pipeline.feed([Sample("node", t, values)])
                step, within = divmod(t - spans[0].t1, HOLD_S)
                # The owner sets the gates, waits a little and says so.
                if 0 <= step < len(steps) and within > 12.0 and int(step) not in ready:
                    writer.flush(force=True)
                    told = desk.document()["check"]
                    assert (told["phase"], told["step"], told["side"]) == ("set", int(step), side), told
                    ready.add(int(step))
                    desk.ask({"action": "ready"}, t, "owner")
        writer.flush(force=True)
        assert desk.document()["check"]["phase"] == "done", desk.document()
        desk.ask({"action": "keep"}, start + 900.0, "owner")

    try:
        with pytest.raises(AddedRunDeclined, match="no check before the work yet"):
            desk.ask({"action": "check", "side": "after"}, MONDAY, "owner")
        with pytest.raises(AddedRunDeclined, match="no check is in progress"):
            desk.ask({"action": "ready"}, MONDAY, "owner")
        check("before", MONDAY, 1.2, [])
        assert set(desk.document()["kept"]) == {"before"}
        later = MONDAY + 86400.0
        check("after", later, 1.5, [Fault(FaultKind.ADDED_RUN, MONDAY + 3600.0, later + 1e6, "main", LEAK_M2)])
        eventually(lambda: desk.document().get("ports"), 300.0, "the answer has come")
        told = desk.document()
        assert told.get("ports"), told
        assert told["verdict"] == "lost"
        assert {row["name"] for row in told["ports"]} == set(config.design.port_names)
        assert all(row["after_m3s"] < row["before_m3s"] for row in told["ports"])
        assert store.with_name("shop.added-run").joinpath("report.html").is_file()
        again = AddedRunDesk(config, writer, pipeline)
        again.restore(desk.snapshot())
        assert again.document()["kept"] == told["kept"]
        assert again.document()["verdict"] == "lost"
    finally:
        desk.close()
        writer.close()
    result = CliRunner().invoke(app, ["tour", str(path), "report", "--joined", "main", "--name", "new run"])
    assert result.exit_code == 0, result.output
    words = " ".join(result.output.split())
    assert "Yes: the new run takes air from the ports" in words
    assert "guided check of" in words


def test_a_check_that_is_left_goes_on_within_two_days_and_not_later(tmp_path: Path) -> None:
    path = shop_file(tmp_path, '[[source]]\nkind = "serial"\nname = "node"\ndevice = "/dev/none"', port=0)
    config = load(path)
    store = config.at(config.file.store.file)
    fresh_store(store)
    first = CheckTour(config, Reader(store), "before")
    first.ask({"action": "start"})
    first.ask({"action": "skip"})
    first.ask({"action": "skip"})
    left = first.status()
    first.close()
    again = CheckTour(config, Reader(store), "before")
    assert again.status()["active"]
    assert again.status()["skipped"] == left["skipped"]
    assert left["skipped"]
    again.ask({"action": "cancel"})
    again.close()
    anew = CheckTour(config, Reader(store), "before")
    assert anew.status() == {"active": False}
    anew.ask({"action": "start"})
    anew.close()
    part = store.with_name("shop.check-before.part.json")
    kept = json.loads(part.read_text())
    kept["tour"]["t"] = MONDAY - 3 * 86400.0
    part.write_text(json.dumps(kept))
    writer = Writer(store)
    writer.frame(Frame(MONDAY, {"inlet_pa": 0.0}, state=RunState.OFF), Estimate(MONDAY))
    writer.flush(force=True)
    writer.close()
    later = CheckTour(config, Reader(store), "before")
    assert later.status() == {"active": False}
    later.close()


def test_a_tour_of_another_kind_is_not_taken_for_a_check(tmp_path: Path) -> None:
    path = shop_file(tmp_path, '[[source]]\nkind = "serial"\nname = "node"\ndevice = "/dev/none"', port=0)
    config = load(path)
    fresh_store(config.at(config.file.store.file))
    for text in ("", "{}", '{"config": 1, "tour": []}', "[]"):
        config.at("shop.check-before.json").write_text(text)
        result = CliRunner().invoke(app, ["tour", str(path), "report"])
        assert result.exit_code != 0
        assert "cannot be read" in str(result.exception), (text, result.exception)
