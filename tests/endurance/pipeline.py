"""Readings that no honest device sends, through the whole pipeline: nothing may raise, nothing may be a number that is none.

    python -m tests.endurance.pipeline --seeds 200

Each seed takes a stretch of the simulated shop and treats it: channels fall silent, stick, jump, change their sign, lose
their zero, send what is no number, for a second or for minutes; the clock jumps; gates are reported or not; the fan cycles;
the owner writes into the journal; the daemon is started anew from what it remembers.
"""

from __future__ import annotations

import argparse
import json
import math
import random
import sys
import time
import traceback
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cache

from analysis.estimates import Estimate
from analysis.events import EventKind, ShopEvent
from analysis.findings import Finding
from analysis.readings import Frame
from daemon.alarms.types import Transition
from daemon.config.config import Config
from daemon.config.load import parse
from daemon.documents import finding_document, now_document
from daemon.pipeline import Pipeline
from daemon.sources.contract import Sample
from daemon.wiring import build_pipeline
from tests.support.daemon_process import BARN, shop_day

BEGAN = 1_790_000_000.0
CHANNELS = ("inlet_pa", "filter_pa", "motor_a")
SUBSETS = (CHANNELS, CHANNELS, CHANNELS, ("inlet_pa",), ("filter_pa",), ("motor_a",), ("inlet_pa", "filter_pa"))


@dataclass
class Trouble:
    """What is done to one channel from one second to another."""

    channel: str
    begins: int
    ends: int
    change: Callable[[float, random.Random], float | None]


def _numb(value: float) -> Callable[[float, random.Random], float | None]:
    return lambda v, rng: value


CHANGES: tuple[Callable[[float, random.Random], float | None], ...] = (
    lambda v, rng: None, lambda v, rng: None, lambda v, rng: -v, lambda v, rng: 0.0, lambda v, rng: v * 0.3,
    lambda v, rng: v * 3.0, lambda v, rng: v + rng.gauss(0.0, 400.0), lambda v, rng: math.nan, lambda v, rng: math.inf,
    lambda v, rng: 1e300 * rng.choice((-1.0, 1.0)), lambda v, rng: v + 200.0, lambda v, rng: rng.choice((v, None)),
    lambda v, rng: rng.uniform(-6000.0, 6000.0), lambda v, rng: 5e-324, lambda v, rng: -0.0,
)


@cache
def days() -> tuple[tuple[dict[str, float], ...], ...]:
    """A few stretches of the shop, made once."""
    return tuple(
        tuple(shop_day(BARN, drag_ratio=ratio, bag_fill=fill, minutes=20.0, seed=seed, cutting=cutting))
        for ratio, fill, seed, cutting in ((1.1, 0.05, 11, False), (2.2, 0.1, 12, True), (1.3, 0.97, 13, True))
    )


def treated(rng: random.Random) -> Iterator[Sample]:
    """A stretch of the shop with its troubles."""
    day = rng.choice(days())
    fitted = rng.choice(SUBSETS)
    troubles = []
    for _ in range(rng.randrange(1, 12)):
        begins = rng.randrange(len(day))
        value = rng.uniform(-3000.0, 3000.0)
        change = rng.choice((*CHANGES, _numb(value)))
        troubles.append(Trouble(rng.choice(fitted), begins, begins + rng.choice((1, 3, 10, 25, 90, 400)), change))
    jumps = {rng.randrange(len(day)): rng.choice((-86400.0, -7200.0, -3.0, 40.0, 7200.0, 3e6)) for _ in range(rng.randrange(3))}
    off = [rng.randrange(len(day)) for _ in range(rng.randrange(0, 15))]
    gates = rng.random() < 0.3
    t = BEGAN + rng.uniform(0.0, 86400.0)
    for second, values in enumerate(day):
        t += 1.0 + jumps.get(second, 0.0)
        if any(at <= second < at + 12 for at in off):
            values = dict.fromkeys(values, 0.0)
        now = {name: values[name] for name in fitted}
        for trouble in troubles:
            if trouble.begins <= second < trouble.ends and trouble.channel in now:
                changed = trouble.change(values[trouble.channel], rng)
                if changed is None:
                    del now[trouble.channel]
                else:
                    now[trouble.channel] = changed
        opened = {"planer": rng.random() < 0.9, "lathe": False} if gates and rng.random() < 0.05 else None
        yield Sample("unit", t, now, opened)


@dataclass
class Judge:
    """A sink that looks at everything that comes out."""

    frames: int = 0
    transitions: list[Transition] = field(default_factory=list)

    def frame(self, frame: Frame, estimate: Estimate) -> None:
        self.frames += 1
        for value in frame.values.values():
            assert math.isfinite(value), frame
        if self.frames % 10 == 0:
            json.dumps(now_document(frame, estimate), allow_nan=False)
            if estimate.flow_m3s is not None:
                assert estimate.flow_sd is not None
                assert estimate.flow_sd >= 0.0
                assert estimate.flow_m3s >= 0.0, estimate

    def finding(self, finding: Finding, raised: bool) -> None:
        json.dumps(finding_document(finding), allow_nan=False)

    def transition(self, transition: Transition) -> None:
        self.transitions.append(transition)

    def run(self, began_t: float, ended_t: float | None) -> None:
        assert ended_t is None or ended_t >= began_t

    def event(self, event: ShopEvent) -> None: ...


def config_for(fitted: tuple[str, ...]) -> Config:
    """The barn with these sensors."""
    head, _, rest = BARN.read_text().partition("[sensor.inlet_pa]")
    tail = "[[outlet]]" + rest.partition("[[outlet]]")[2]
    return parse(head + "".join(f"[sensor.{name}]\n" for name in fitted) + tail, BARN)


def one(seed: int) -> int:
    """One seed; returns the number of frames. Raises what must not be raised."""
    rng = random.Random(seed)
    state = rng.getstate()
    first = next(treated(rng))
    fitted = tuple(name for name in CHANNELS if name in first.values) or CHANNELS
    rng.setstate(state)
    config = config_for(fitted if rng.random() < 0.8 else CHANNELS)
    judge = Judge()
    pipeline = build_pipeline(config)
    pipeline.sinks = [judge]
    for number, sample in enumerate(treated(rng)):
        pipeline.feed([sample])
        if rng.random() < 0.002:
            pipeline.happened(ShopEvent(sample.t, rng.choice(list(EventKind)), rng.choice(("owner", "ductwarden"))))
        if rng.random() < 0.001:
            pipeline = anew(pipeline, config, judge)
        if number % 500 == 0:
            json.dumps([finding_document(finding) for finding in pipeline.last_findings], allow_nan=False)
    pipeline.finish()
    for step in judge.transitions:
        assert step.alarm.since_t <= step.alarm.raised_t or step.alarm.raised_t > 0.0
    return judge.frames


def anew(pipeline: Pipeline, config: Config, judge: Judge) -> Pipeline:
    """The daemon started anew from what it remembers, by way of JSON."""
    other = build_pipeline(config)
    other.sinks = [judge]
    for old, new in (
        (pipeline.estimator, other.estimator), *zip(pipeline.detectors, other.detectors, strict=True),
        *zip(pipeline.recognisers, other.recognisers, strict=True),
    ):
        new.restore(json.loads(json.dumps(old.snapshot(), allow_nan=False)))
    open_alarms = pipeline.desk.open()
    other.desk.restore(open_alarms, json.loads(json.dumps(pipeline.desk.snapshot())), max((a.id for a in open_alarms), default=0))
    return other


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=200)
    parser.add_argument("--first", type=int, default=1)
    given = parser.parse_args()
    began, frames, failed = time.monotonic(), 0, []
    for seed in range(given.first, given.first + given.seeds):
        try:
            frames += one(seed)
        except Exception as error:
            failed.append(seed)
            where = traceback.extract_tb(error.__traceback__)[-1]
            print(f"seed {seed}: {type(error).__name__}: {str(error)[:200]} at {where.filename}:{where.lineno}", flush=True)
    print(f"{given.seeds} seeds, {frames:,} frames in {time.monotonic() - began:.0f} s: {len(failed)} failed {failed[:20]}")
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
