"""The check of an added run in the daemon: asked for once, answered by a process of its own from the daemon's store."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path

import pytest

from analysis.plant.blocks import Block
from analysis.readings import RunState
from daemon.comparing.desk import AddedRunDesk
from daemon.errors import AddedRunDeclined
from daemon.sources.contract import Sample
from tests.daemon.comparing.test_added_run import LEAK_M2, MONDAY, simulated
from tests.support.shop_store import shop_store


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
