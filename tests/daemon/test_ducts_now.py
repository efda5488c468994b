"""The air in every run and port, as the page with the ducts shows it."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.duct.solve import solve
from analysis.estimates import Estimate
from analysis.readings import Frame, RunState
from daemon.config.load import load
from daemon.documents import DuctsNow

DESIGN = load(Path("daemon/demo/chair-barn.toml")).design
DRAG = DESIGN.filter.clean_drag_pasm3


def frame(state: RunState = RunState.RUNNING, gates: dict[str, bool] | None = None) -> Frame:
    return Frame(10.0, {}, gates=gates, state=state)


def test_the_model_is_scaled_to_the_estimated_flow() -> None:
    point = solve(DESIGN, ["planer"])
    told = DuctsNow(DESIGN).document(
        frame(), Estimate(10.0, flow_m3s=0.9 * point.flow_m3s, filter_drag=DRAG, gates=("planer",))
    )
    assert told is not None
    assert told["open"] == ["planer"]
    assert told["pieces"]["planer"]["flow_m3s"] == pytest.approx(0.9 * point.ports["planer"].flow_m3s)
    # As drawn the main is below its carrying velocity with one small gate open: a remark, never an alarm.
    assert told["pieces"]["main"]["by_design"] is True
    assert told["pieces"]["planer"]["by_design"] is False
    assert (told["pieces"]["main"]["in_use"], told["pieces"]["bench run"]["in_use"]) == (True, False)


def test_gate_sensors_come_before_the_estimate() -> None:
    gates = {name: name == "lathe" for name in DESIGN.port_names}
    told = DuctsNow(DESIGN).document(
        frame(gates=gates), Estimate(10.0, flow_m3s=0.3, filter_drag=DRAG, gates=("planer",))
    )
    assert told is not None
    assert told["open"] == ["lathe"]


@pytest.mark.parametrize(
    ("state", "estimate"),
    [
        (RunState.OFF, Estimate(10.0, flow_m3s=0.3, filter_drag=DRAG, gates=("planer",))),
        (RunState.RUNNING, Estimate(10.0, flow_m3s=0.3, filter_drag=DRAG)),
        (RunState.RUNNING, Estimate(10.0, flow_m3s=0.3, gates=("planer",))),
    ],
)
def test_what_is_not_known_is_not_drawn(state: RunState, estimate: Estimate) -> None:
    assert DuctsNow(DESIGN).document(frame(state), estimate) is None
