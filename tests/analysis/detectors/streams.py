"""Blocks for the detectors: of a simulated shop through the estimator, and made by hand."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache

from analysis.baseline.fit import fit
from analysis.baseline.model import Baseline
from analysis.baseline.recording import gather
from analysis.blocks import Block, BlockBuilder
from analysis.detectors import build_detectors, build_recognisers
from analysis.detectors.contract import Detector, Recogniser
from analysis.detectors.limits import Limits
from analysis.duct.design import DuctDesign
from analysis.estimates import Estimate
from analysis.estimator.estimator import Estimator
from analysis.estimator.sensors import Sensors
from analysis.events import EventKind, ShopEvent
from analysis.findings import Claim, Finding
from analysis.plant.asbuilt import as_built
from analysis.plant.day import Cut, Span, tour
from analysis.plant.dust import DustState
from analysis.plant.faults import Fault
from analysis.plant.plant import Plant
from analysis.plant.shop import PlantShop
from analysis.plant.simulate import blocks_of
from analysis.readings import Frame, Quality, RunState
from analysis.run_state import RunDetector, RunThresholds
from tests.bench.shops import drawn_barn

START = 1_767_600_000.0
CHANNELS = ("inlet_pa", "filter_pa", "motor_a")
SENSORS = Sensors({"inlet_pa": 10.0, "filter_pa": 5.0, "motor_a": 0.1})


@dataclass(frozen=True)
class Shop:
    """The barn as built from a seed, with its drawing and, if it was toured, its baseline."""

    seed: int
    shop: PlantShop
    design: DuctDesign
    baseline: Baseline | None

    def detectors(self, channels: Sequence[str] = CHANNELS) -> list[Detector]:
        """Every detector, fresh."""
        return build_detectors(self.design, channels, Limits(), self.baseline)

    def recognisers(self, detectors: Sequence[Detector] = ()) -> list[Recogniser]:
        """Every recogniser, fresh."""
        return build_recognisers(self.design, detectors, self.baseline)


@cache
def barn(seed: int, toured: bool = False) -> Shop:
    """The barn of a seed."""
    drawn, design = drawn_barn()
    shop = as_built(drawn, seed)
    return Shop(seed, shop, design, _tour(shop, design, seed) if toured else None)


def _tour(shop: PlantShop, design: DuctDesign, seed: int) -> Baseline:
    plan = tour(shop, START)
    later = [replace(span, t0=span.t0 + 540.0, t1=span.t1 + 540.0) for span in plan[1:]]
    runs = RunDetector(RunThresholds.for_motor(shop.motor.full_load_a))

    def frames() -> Iterator[Frame]:
        plant = Plant(shop, seed, idle_step_s=5.0)
        for block in blocks_of(plant, [replace(plan[0], t1=START + 600.0), *later]):
            for t, values, opened in block.frames():
                yield Frame(t, values, gates=opened, state=runs.update(t, values), run_s=runs.run_s)

    data, _ = gather(design, frames(), "first", sensors=SENSORS, clean=True)
    return fit(design, data)


@dataclass(frozen=True)
class Piece:
    """A run: minutes, open ports by order, whether the first port's machine cuts; then minutes of rest."""

    minutes: float
    ports: tuple[int, ...] = (0,)
    cuts: bool = True
    rest_min: float = 5.0
    chores: tuple[object, ...] = ()


def spans_of(shop: PlantShop, pieces: Iterable[Piece], begin: float) -> list[Span]:
    """A script of runs with rests between, whose chores come first."""
    now = begin
    spans = [Span(now, now + 300.0, False)]
    now += 300.0
    for piece in pieces:
        names = tuple(shop.port_names[i] for i in piece.ports)
        first = shop.port(names[0]) if names else None
        cuts = (Cut(first.name, first.chips_kg_min, first.fines),) if piece.cuts and first is not None else ()
        spans.append(Span(now, now + 60.0 * piece.minutes, True, names, cuts))
        now = spans[-1].t1
        if piece.rest_min > 0.0:
            spans.append(Span(now, now + 60.0 * piece.rest_min, False, chores=piece.chores))  # type: ignore[arg-type]
            now = spans[-1].t1
    if spans[-1].fan:
        spans.append(Span(now, now + 300.0, False))
    return spans


def blocks(
    shop: Shop, pieces: Iterable[Piece], faults: Sequence[Fault] = (), *, gates: bool = False, fill: float = 0.05,
    ratio: float = 1.0, begin: float = START + 86400.0, tell: bool = True, channels: Sequence[str] = CHANNELS,
    dropout: float = 0.0,
) -> list[Block | ShopEvent]:
    """Blocks of the shop as the pipeline would make them, with what was done where it is told."""
    plant = Plant(
        shop.shop, shop.seed + 1, faults, state=DustState.at(shop.shop.bags, ratio, fill), channels=channels,
        dropout=dropout)
    sds = Sensors({name: sd for name, sd in SENSORS.sd.items() if name in channels})
    estimator = Estimator(shop.design, baseline=shop.baseline, sensors=sds)
    runs = RunDetector(RunThresholds.for_motor(shop.shop.motor.full_load_a))
    builder = BlockBuilder()
    found: list[Block | ShopEvent] = []
    for made in blocks_of(plant, spans_of(shop.shop, pieces, begin)):
        for event in made.events:
            if tell:
                kind = {"emptied": EventKind.EMPTIED, "washed": EventKind.REPLACED}.get(event.kind, EventKind.CLEANED)
                said = ShopEvent(event.t, kind)
                estimator.event(said)
                found.append(said)
        for t, values, opened in made.frames():
            state = runs.update(t, values)
            # As the framer says it of a channel that is fitted and brought nothing (it would hold the last value first).
            silent = {name: Quality.SILENT for name in channels if name not in values}
            frame = Frame(t, values, silent, opened if gates else None, state, runs.run_s)
            closed = builder.add(frame, estimator.update(frame))
            if closed is not None:
                found.append(closed)
    last = builder.close()
    return [*found, last] if last is not None else found


@dataclass(frozen=True)
class Told:
    """A claim that was made at ``t``, after ``running_s`` of running since the moment that was asked about."""

    t: float
    running_s: float
    finding: Finding


def play(
    detectors: Sequence[Detector], stream: Iterable[Block | ShopEvent], since: float = 0.0,
    recognisers: Sequence[Recogniser] = (),
) -> tuple[list[Told], list[ShopEvent]]:
    """Claims in the order in which they were made (each once while it stands), and what was recognised."""
    told: list[Told] = []
    events: list[ShopEvent] = []
    standing: set[tuple[str, str]] = set()
    running = 0.0
    for item in stream:
        if isinstance(item, ShopEvent):
            for part in (*recognisers, *detectors):
                part.event(item)
            continue
        for recogniser in recognisers:
            for event in recogniser.update(item):
                events.append(event)
                for part in (*recognisers, *detectors):
                    part.event(event)
        running += item.seconds if item.t > since and item.running else 0.0
        now: set[tuple[str, str]] = set()
        for detector in detectors:
            detector.update(item)
            for finding in detector.findings():
                if finding.claim is Claim.PRESENT:
                    key = (finding.condition.value, finding.where)
                    now.add(key)
                    if key not in standing:
                        told.append(Told(item.t, running, finding))
        standing = now
    return told, events


def idle(t: float, seconds: float = 10.0, state: RunState = RunState.OFF) -> Block:
    """A block in which the fan does nothing and nothing is measured."""
    return Block(t - seconds + 1.0, t, seconds, int(seconds), state, 0.0, False, {}, {}, Estimate(t), None)
