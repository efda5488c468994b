"""Simulated shops for the estimator's tests: a barn built a little differently from its drawing, toured and worked in."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache

from analysis.baseline.fit import fit
from analysis.baseline.model import Baseline
from analysis.baseline.recording import gather
from analysis.duct.design import DuctDesign
from analysis.estimates import Estimate
from analysis.estimator.estimator import Estimator
from analysis.estimator.sensors import Sensors
from analysis.plant.asbuilt import as_built
from analysis.plant.blocks import Block
from analysis.plant.day import Span, steady, tour
from analysis.plant.dust import DustState
from analysis.plant.faults import Fault
from analysis.plant.shop import PlantShop
from analysis.plant.simulate import simulate
from analysis.readings import Frame, RunState
from analysis.run_state import RunDetector, RunThresholds
from tests.bench.shops import drawn_barn

START = 1_767_600_000.0
SD = {"inlet_pa": 10.0, "filter_pa": 5.0, "motor_a": 0.1}
PRESSURES_AND_CURRENT = ("inlet_pa", "filter_pa", "motor_a")
WITH_AIR = (*PRESSURES_AND_CURRENT, "air_c", "air_rh", "barometer_pa", "line_v")


@dataclass(frozen=True)
class Seen:
    """One running frame with its estimate and the truth beside it."""

    frame: Frame
    estimate: Estimate
    flow_m3s: float
    drag_ratio: float
    flow_lost: float
    open_ports: tuple[str, ...]


def frames(block: Block, runs: RunDetector, gates: Sequence[str] | None) -> Iterator[Frame]:
    """The frames of a block; ``gates`` names the ports that have a gate sensor."""
    for t, values, opened in block.frames():
        state = runs.update(t, values)
        marks = None if gates is None else {name: opened[name] for name in gates}
        yield Frame(t, values, gates=marks, state=state, run_s=runs.run_s)


@cache
def barn(seed: int) -> tuple[PlantShop, DuctDesign]:
    """The barn as built with this seed, and its drawing."""
    drawn, design = drawn_barn()
    return as_built(drawn, seed), design


def tour_spans(shop: PlantShop) -> list[Span]:
    """A tour after a rest of ten minutes, in which the zeros are found."""
    spans = tour(shop, START)
    return [replace(spans[0], t1=START + 600.0), *(replace(s, t0=s.t0 + 540.0, t1=s.t1 + 540.0) for s in spans[1:])]


@cache
def toured(seed: int, channels: tuple[str, ...] = WITH_AIR) -> Baseline:
    """The baseline of a tour with clean bags."""
    shop, design = barn(seed)
    runs = RunDetector(RunThresholds.for_motor(shop.motor.full_load_a))
    blocks = simulate(shop, tour_spans(shop), seed, channels=channels, idle_step_s=5.0)
    data, refused = gather(
        design, (f for block in blocks for f in frames(block, runs, shop.port_names)), "first day", sensors=Sensors(SD),
        clean=True)
    assert not refused
    return fit(design, data)


def runs_of(
    seed: int, sets: Sequence[tuple[str, ...]], seconds: float = 400.0, faults: Sequence[Fault] = (), *,
    channels: tuple[str, ...] = WITH_AIR, drag_ratio: float = 1.3, start: float = START + 86_400.0,
) -> Iterator[Block]:
    """One run after another, each with one gate set; the rests between are 400 s. Faults count from the last run's start."""
    shop, _ = barn(seed)
    spans: list[Span] = []
    t = start
    for gates in sets:
        spans += steady(gates, t, seconds, idle_s=310.0)
        t = spans[-1].t1
    last = spans[-2].t0
    moved = [replace(f, start_t=f.start_t + last, end_t=f.end_t + last) for f in faults]
    return simulate(
        shop, spans, seed, moved, channels=channels, idle_step_s=10.0, state=DustState.at(shop.bags, drag_ratio, 0.2))


def watch(
    estimator: Estimator, blocks: Iterator[Block], full_load_a: float, gates: Sequence[str] | None = None
) -> list[Seen]:
    """Estimate every frame; the running ones with their truth."""
    runs = RunDetector(RunThresholds.for_motor(full_load_a))
    seen = []
    for block in blocks:
        truth = block.truth
        for i, frame in enumerate(frames(block, runs, gates)):
            estimate = estimator.update(frame)
            if frame.state is RunState.RUNNING and truth.fan[min(i + 3, len(block) - 1)]:
                opened = tuple(n for n, o in zip(block.ports, truth.gates[i], strict=True) if o)
                seen.append(Seen(
                    frame, estimate, float(truth.flow_m3s[i]), float(truth.drag_ratio[i]), float(truth.flow_lost[i]),
                    opened))
    return seen
