"""The check of an added run in the daemon: asked for once, answered by a process of its own from the daemon's store."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path
from typing import ClassVar

import pytest

from analysis.plant.blocks import Block
from analysis.readings import RunState
from daemon.comparing.desk import AddedRunDesk
from daemon.comparing.errors import AddedRunDeclined
from daemon.sources.contract import Sample
from daemon.wiring import build_pipeline
from tests.daemon.comparing.test_added_run import LEAK_M2, MONDAY, simulated
from tests.support.shop_store import shop_store


class Idle:
    """A process that never ends."""

    begun: ClassVar[list[list[str]]] = []

    def __init__(self, shop: Path, arguments: list[str], words: str) -> None:
        self.words = words
        self.begun.append(arguments)

    def look(self) -> tuple[None, str]:
        return None, ""

    def close(self) -> None:
        pass


def test_every_ten_running_hours_it_looks_for_changes_by_itself(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("daemon.comparing.desk.Job", Idle)
    Idle.begun.clear()
    shop = shop_store(tmp_path, MONDAY)
    config, writer = shop.config, shop.writer
    desk = AddedRunDesk(config, writer, build_pipeline(config))
    t = MONDAY
    for _ in range(1200):
        t += 30.0
        desk.turn(True, t, 0.0)
    desk.turn(False, t + 30.0, 0.0)
    assert Idle.begun == []
    again = AddedRunDesk(config, writer, build_pipeline(config))
    again.restore(desk.snapshot())
    for step in range(25):
        again.turn(True, t + 60.0 + 30.0 * step, 0.0)
    assert Idle.begun == [], "not while the fan runs"
    again.turn(False, t + 900.0, 0.0)
    assert Idle.begun == [["--find", "--days=90", "--name="]]
    assert again.document()["busy"] == "Looking for changes of the ducts."
    with pytest.raises(AddedRunDeclined, match="is being made"):
        again.ask({"action": "find"}, t, "owner")
    writer.close()


@pytest.mark.slow
def test_start_counts_running_time_compares_and_tells_each_port(tmp_path: Path) -> None:
    shop = shop_store(tmp_path, MONDAY)
    config, writer, pipeline = shop.config, shop.writer, shop.pipeline
    desk = AddedRunDesk(config, writer, pipeline)

    def live(blocks: Sequence[Block]) -> None:
        for block in blocks:
            for t, values, gates in block.frames():
                pipeline.feed([Sample("node", t, values, gates)])
                frame = pipeline.last_frame
                if frame is not None and not desk.document().get("ports"):
                    desk.turn(frame.state is RunState.RUNNING, frame.t, time.monotonic())

    try:
        live(simulated(21, False, 0.0, 1.2))
        assert desk.document() == {"gates_reported": True}
        with pytest.raises(AddedRunDeclined):
            desk.ask({"action": "start", "name": " "}, MONDAY + 80_000.0, "owner")
        desk.ask({"action": "start", "name": "spindle"}, MONDAY + 80_000.0, "owner")
        assert desk.document()["phase"] == "after"
        live(simulated(21, True, LEAK_M2, 1.2))
        writer.flush(force=True)
        deadline = time.monotonic() + 300.0
        while not desk.document().get("ports") and time.monotonic() < deadline:
            last = pipeline.last_frame
            assert last is not None
            desk.turn(True, last.t + time.monotonic() % 50.0, time.monotonic())
            time.sleep(0.1)
        told = desk.document()
        assert told.get("ports"), told
        assert told["name"] == "spindle"
        assert told["verdict"] == "lost"
        assert {row["name"] for row in told["ports"]} <= set(config.design.port_names)
        again = AddedRunDesk(config, writer, pipeline)
        again.restore(desk.snapshot())
        assert again.document()["verdict"] == "lost"
        desk.ask({"action": "cancel"}, MONDAY + 90_000.0, "owner")
        assert desk.document() == {"gates_reported": True}
    finally:
        desk.close()
        writer.close()
