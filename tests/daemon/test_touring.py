"""The baseline tour through the daemon's own parts: guided by requests, measured on a simulated shop, stored and used."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.plant.asbuilt import as_built
from analysis.plant.convert import from_design
from analysis.plant.day import Span
from analysis.plant.simulate import simulate
from daemon.answering import Answerer
from daemon.config.load import load
from daemon.sources.contract import Sample
from daemon.store import requests
from daemon.store.reader import Reader
from daemon.store.writer import Writer
from daemon.touring import TourDeclined, TourDesk, newest_baseline
from daemon.wiring import build_pipeline
from tests.support.fresh_store import fresh_store

CONFIG = load(Path("daemon/demo/chair-barn.toml"))
START = 1_767_225_600.0


@pytest.fixture
def store(tmp_path: Path) -> Path:
    path = tmp_path / "shop.db"
    fresh_store(path)
    return path


def test_a_guided_tour_becomes_a_baseline_that_is_used_after_a_restart(store: Path) -> None:
    writer = Writer(store)
    pipeline = build_pipeline(CONFIG)
    desk = TourDesk(CONFIG, writer, pipeline)
    pipeline.sinks = [desk]
    answerer = Answerer(pipeline, writer, desk)

    def ask(**payload: object) -> requests.Request:
        number = requests.append(store, "tour", payload)
        answerer.answer_all(START)
        writer.flush(force=True)
        return requests.wait_for_answer(store, number, 1.0)

    assert ask(action="skip").accepted is False
    assert ask(action="start", name="first day", clean=True).accepted
    assert ask(action="start").accepted is False
    plan = list(desk._tour.plan) if desk._tour else []
    hold = 150.0
    spans = [Span(START, START + 200.0, False)]
    for gates in plan:
        spans.append(Span(spans[-1].t1, spans[-1].t1 + hold, True, gates))
    spans.append(Span(spans[-1].t1, spans[-1].t1 + 120.0, False))
    plant = as_built(from_design(CONFIG.design), 5)
    told_ready = set()
    for block in simulate(plant, spans, 5, channels=("inlet_pa", "filter_pa", "motor_a"), idle_step_s=1.0):
        for t, values, _ in block.frames():
            step = int((t - spans[0].t1) // hold)
            # The owner sets the gates, waits a little and says so.
            if 0 <= step < len(plan) and (t - spans[0].t1) % hold > 15.0 and step not in told_ready:
                told_ready.add(step)
                assert desk.document()["phase"] == "set", desk.document()
                assert desk.document()["step"] == step
                assert ask(action="done").accepted
            pipeline.feed([Sample("demo shop", t, values)])
    assert desk.document()["phase"] == "done"
    finished = ask(action="finish")
    assert finished.accepted, finished.result
    assert pipeline.estimator.baseline is not None
    assert desk.document()["report"]
    writer.close()
    found, trouble = newest_baseline(store, CONFIG.design)
    assert (found is not None, trouble) == (True, "")
    assert found is not None
    assert found.name == "first day"
    reader = Reader(store)
    assert [entry.kind for entry in reader.journal()] == ["baseline"]
    reader.close()


def test_a_tour_survives_a_restart(store: Path) -> None:
    writer = Writer(store)
    pipeline = build_pipeline(CONFIG)
    desk = TourDesk(CONFIG, writer, pipeline)
    desk.ask({"action": "start", "name": "long one"}, START, "owner")
    again = TourDesk(CONFIG, writer, pipeline)
    again.restore(desk.snapshot())
    assert again.document()["name"] == "long one"
    again.restore({"tour": {"format": "of the future"}})
    assert again.document()["active"] is False
    writer.close()


def test_too_few_steps_make_no_baseline(store: Path) -> None:
    writer = Writer(store)
    desk = TourDesk(CONFIG, writer, build_pipeline(CONFIG))
    desk.ask({"action": "start"}, START, "owner")
    with pytest.raises(TourDeclined, match="does not make a baseline"):
        desk.ask({"action": "finish"}, START, "owner")
    assert newest_baseline(store, CONFIG.design) == (None, "")
    writer.close()
