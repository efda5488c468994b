"""The demonstration's baseline: the invented shop walked through a tour on its first day, and fitted.

``python -m daemon.demo.first_tour`` writes ``baseline.json`` anew (after a change of the plant, the tour or the fit);
a test tells when it is due.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

from analysis.baseline.fit import fit
from analysis.baseline.model import Baseline
from analysis.baseline.recording import MarkedFrames
from analysis.estimates import Estimate
from analysis.events import ShopEvent
from analysis.findings import Finding
from analysis.plant.asbuilt import as_built
from analysis.plant.convert import from_design
from analysis.plant.day import tour
from analysis.plant.simulate import simulate
from analysis.readings import Frame
from daemon.alarms.types import Transition
from daemon.config.config import Config
from daemon.config.load import load
from daemon.sources.contract import Sample
from daemon.wiring import build_pipeline, build_sensor_sds

HERE = Path(__file__).resolve().parent
SHOP = HERE / "chair-barn.toml"
STORED = HERE / "baseline.json"
SEED = 1
FIRST_DAY = datetime(2026, 1, 5, 9, 0, tzinfo=UTC).timestamp()


class _Marks(MarkedFrames):
    """Marked frames as a sink of the pipeline."""

    def frame(self, frame: Frame, estimate: Estimate) -> None:
        self.update(frame)

    def run(self, began_t: float, ended_t: float | None) -> None: ...

    def finding(self, finding: Finding, raised: bool) -> None: ...

    def transition(self, transition: Transition) -> None: ...

    def event(self, event: ShopEvent) -> None: ...


def measured_baseline(config: Config, seed: int = SEED) -> Baseline:
    """Walk the tour in the simulated shop and fit it, through the daemon's own pipeline."""
    shop = as_built(from_design(config.design), seed)
    marks = _Marks(config.design, build_sensor_sds(config))
    pipeline = build_pipeline(config)
    pipeline.sinks = [marks]
    channels = tuple(spec.channel for spec in config.sensors)
    for block in simulate(shop, tour(shop, FIRST_DAY), seed, channels=channels):
        pipeline.feed([Sample("demo shop", t, values, gates) for t, values, gates in block.frames()])
    pipeline.finish()
    return fit(config.design, marks.data("first day", clean=True))


def stored_baseline() -> Baseline:
    """The baseline as it is shipped."""
    return Baseline.from_dict(json.loads(STORED.read_text()))


if __name__ == "__main__":
    STORED.write_text(json.dumps(measured_baseline(load(SHOP)).to_dict(), indent=1) + "\n")
