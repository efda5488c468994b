"""Blocks of ten seconds."""

from __future__ import annotations

import pytest

from analysis.blocks import Block, BlockBuilder
from analysis.estimates import Estimate
from analysis.readings import Frame, Quality, RunState


def collect(frames: list[Frame]) -> list[Block]:
    builder = BlockBuilder()
    closed = [builder.add(frame, Estimate(frame.t, flow_m3s=0.1)) for frame in frames]
    return [block for block in [*closed, builder.close()] if block is not None]


def frame(t: float, value: float = 1.0, state: RunState = RunState.RUNNING) -> Frame:
    return Frame(t, {"filter_pa": value, "motor_a": 3.0}, state=state)


def test_a_block_ends_at_multiples_of_ten_seconds_of_event_time() -> None:
    blocks = collect([frame(float(t)) for t in range(7, 33)])
    assert [(b.began_t, b.t, b.frames) for b in blocks] == [(7, 9, 3), (10, 19, 10), (20, 29, 10), (30, 32, 3)]


def test_a_block_never_mixes_run_states() -> None:
    states = [RunState.OFF] * 3 + [RunState.STARTING] * 4 + [RunState.RUNNING] * 3
    blocks = collect([frame(float(t), state=state) for t, state in enumerate(states)])
    assert [(b.state, b.frames, b.started) for b in blocks] == [
        (RunState.OFF, 3, False), (RunState.STARTING, 4, True), (RunState.RUNNING, 3, False),
    ]


def test_moments_and_heat() -> None:
    values = [1.0, 3.0, 2.0, 4.0]
    (block,) = collect([frame(float(t), v) for t, v in enumerate(values)])
    stat = block.stats["filter_pa"]
    assert (stat.count, stat.mean, stat.low, stat.high) == (4, 2.5, 1.0, 4.0)
    assert stat.step_rms == pytest.approx(((4 + 1 + 4) / 3) ** 0.5)
    assert block.heat_a2s == pytest.approx(4 * 9.0)
    assert block.flow is not None
    assert block.flow.mean == pytest.approx(0.1)


def test_missing_channels_are_counted_by_reason() -> None:
    bad = [Frame(float(t), {}, {"inlet_pa": Quality.STUCK}, state=RunState.RUNNING) for t in range(3)]
    (block,) = collect(bad)
    assert block.bad == {"inlet_pa": {Quality.STUCK: 3}}
    assert "inlet_pa" not in block.stats
