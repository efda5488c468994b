"""One shop to watch: as built, its drawing, its configuration, and what ductwarden knows of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

from analysis.baseline.fit import fit
from analysis.baseline.model import Baseline
from analysis.baseline.recording import gather
from analysis.duct.design import DuctDesign
from analysis.events import EventKind, ShopEvent
from analysis.plant.asbuilt import as_built
from analysis.plant.blocks import Block
from analysis.plant.day import tour
from analysis.plant.shop import PlantShop
from analysis.plant.simulate import simulate
from analysis.readings import Frame
from analysis.run_state import RunDetector, RunThresholds
from daemon.config.config import Config
from daemon.config.load import load
from daemon.pipeline import Pipeline
from daemon.sources.contract import Sample
from daemon.wiring import build_pipeline, build_sensor_sds
from tests.bench.shops import drawn_barn, random_shop

START = 1_767_600_000.0
DAY_S = 86400.0
BARN = Path(__file__).parents[3] / "daemon" / "demo" / "chair-barn.toml"
FINES = 0.4
"""The invented shops of the estimator's benchmark load their bags within an hour of cutting; this share of their fines
makes it some tens of hours, as bags do (common practice, no source). Where fines load the bags as fast as carried-over
chips do, growth cannot tell the two apart."""
KNOWLEDGE = ("drawing", "tour", "tour+gates", "gates")


@dataclass(frozen=True)
class Setting:
    """A shop and what is known of it: ``baseline`` None without a tour, ``gates`` whether sensors report them."""

    seed: int
    shop: PlantShop
    design: DuctDesign
    config: Config
    baseline: Baseline | None
    gates: bool

    def pipeline(self) -> Pipeline:
        """The whole pipeline of this shop, fresh. As when live, a part that fails spares the others; it is printed."""
        made = build_pipeline(self.config, baseline=self.baseline)
        made.trouble = failed
        return made


def failed(part: str, error: Exception) -> None:
    """A part of the pipeline failed by an error of its own."""
    print(f"!! {part}: {error!r}", flush=True)


@cache
def barn_config() -> Config:
    """The demonstration's configuration, without shop hours (the benchmark keeps no time zone)."""
    config = load(BARN)
    shop = config.file.shop.model_copy(update={"hours": None})
    return replace(config, file=config.file.model_copy(update={"shop": shop}))


def setting(seed: int, knowledge: str, tired: bool = False, first_day: int = 0) -> Setting:
    """The shop of a seed: every third is the barn, the others are invented. Built within the plant's usual spread (fan
    up to 5 % off, ducts 15 %, current 3 %). ``tired``: sensors with twice the noise and drift. ``first_day``: when
    the tour is made, after the usual start."""
    drawn, design = drawn_barn() if seed % 3 == 0 else random_shop(seed)
    if seed % 3:
        drawn = replace(drawn, ports=tuple(replace(port, fines=FINES * port.fines) for port in drawn.ports))
    shop = as_built(drawn, seed)
    if tired:
        sensors = {n: replace(s, noise=2.0 * s.noise, drift_per_k=2.0 * s.drift_per_k) for n, s in shop.sensors.items()}
        shop = replace(shop, sensors=sensors)
    assert design.motor is not None
    running = RunThresholds.for_motor(design.motor.full_a)
    config = replace(barn_config(), design=design, air=design.air, running=running)
    baseline = toured(shop, design, config, seed, START + first_day * DAY_S) if "tour" in knowledge else None
    return Setting(seed, shop, design, config, baseline, "gates" in knowledge)


def toured(shop: PlantShop, design: DuctDesign, config: Config, seed: int, start: float) -> Baseline:
    """A baseline from a simulated tour with clean bags."""
    runs = RunDetector(config.running)
    plan = tour(shop, start)
    later = [replace(span, t0=span.t0 + 540.0, t1=span.t1 + 540.0) for span in plan[1:]]
    spans = [replace(plan[0], t1=start + 600.0), *later]

    def frames() -> Iterator[Frame]:
        for block in simulate(shop, spans, seed, idle_step_s=5.0):
            for t, values, opened in block.frames():
                state = runs.update(t, values)
                yield Frame(t, values, gates=opened, state=state, run_s=runs.run_s)

    data, _ = gather(design, frames(), "first", sensors=build_sensor_sds(config), clean=True)
    return fit(design, data)


def feed(pipeline: Pipeline, block: Block, gates: bool, tell: bool) -> None:
    """One plant block through the pipeline; what the maker did is told to the journal or not."""
    for event in block.events if tell else ():
        kind = {"emptied": EventKind.EMPTIED, "washed": EventKind.REPLACED}.get(event.kind, EventKind.CLEANED)
        pipeline.happened(ShopEvent(event.t, kind))
    pipeline.feed(Sample("demo shop", t, values, opened if gates else None) for t, values, opened in block.frames())


