"""How near the estimator comes to the truth of a simulated shop, with and without a baseline tour.

Each shop is built a little differently from its drawing (fan, ducts, leaks, motor and sensors off within the plant's
spread), toured, and then worked in for some days with dust, weather, mains and cleaning. The tables give, per amount of
knowledge: flow error (one standard deviation, per cent) with one gate open and with two, the share of true flows inside
the stated 95 per cent interval, the error of the drag ratio against the first day, how often the true gate set is the most
probable or in the told group, and the cost of a frame. Frames count once the stretch has been judged (10 s after a step).

    python -m tests.bench.estimator [--seeds 1-8] [--days 3] [--random] [--even]

Constants were tuned on seeds 1 to 8; the stated figures are those of seeds 101 and up.

What limits the flow after a tour. Pressures and current alone do not tell the scale of the flow: a shop with all flows
larger by a factor, ducts that resist less by its square, bags by itself and a fan curve stretched by it reads the same.
Only what is stated of fan, ducts, bags and motor fixes that scale, so the flow cannot come out surer than that statement
allows. For the barn, all shut, each gate and three pairs measured (linear error propagation through the table of
``analysis.estimator.sensitivities``; 0.6 % of each pressure and 1.5 % of the current, since gates and mains do not come back
better; clean drag stated within 15 %), one standard deviation with one gate and with two: 2.9 and 2.9 % if fan and ducts are
stated with 5 and 15 % *as one standard deviation*; 2.3 and 2.4 % if they are stated as they are in these shops, where 15 %
is the half width of an even distribution (8.7 % as one standard deviation; JCGM 100:2008, 4.3.7). If besides one more thing
were known exactly: the fan's flow axis 1.5 and 1.4, what the duct model misses everywhere alike 1.6 and 1.7, the motor 1.4
and 1.4, the clean drag 1.2 and 1.2 %. Readings exact to a hundred-thousandth would bring 0.6 to 0.9 %, but only if the form
of the model (linear bags, quadratic ducts) were as exact. One flow measured once, by a traverse, is worth more.

Why the 95 per cent interval holds more than 95 per cent. A configuration that says nothing counts 5 % for the fan and 15 %
for each piece of duct as one standard deviation; in these shops they are the limits of an even distribution, so that the
truth lies nearer to the drawing than was said. ``--even`` states the standard deviations of those distributions (the half
width over the square root of three). Seeds 101 to 108, one day each, air and voltage measured, after a tour with gates
known: flow error 2.3 % with one gate and 1.4 % with two, 99.6 % inside; with ``--even`` 2.8 and 1.9 %, 92 % inside. With so
few shops such errors are themselves only known to a quarter. Without an air temperature they are 3.9 and 3.0 %, 95 %
inside (``--even``: 3.8 and 2.9 %, 81 %): the simulated days are in January, 15 K colder than the configuration says, and an
interval made narrow for the ducts no longer hides that. The wide statement is kept, since owners measure no air.
"""

from __future__ import annotations

import argparse
import itertools
import math
import time
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from analysis.baseline.fit import fit
from analysis.baseline.model import Baseline
from analysis.baseline.recording import gather
from analysis.duct.design import DuctDesign, Uncertainties
from analysis.estimator.estimator import Estimator
from analysis.estimator.sensors import Sensors
from analysis.events import EventKind, ShopEvent
from analysis.plant.asbuilt import as_built
from analysis.plant.blocks import Block
from analysis.plant.day import Habits, tour, work
from analysis.plant.shop import PlantShop
from analysis.plant.simulate import DustState, simulate
from analysis.readings import Frame, RunState
from analysis.run_state import RunDetector, RunThresholds
from tests.bench.shops import drawn_barn, random_shop

START = 1_767_600_000.0
USUAL = ("inlet_pa", "filter_pa", "motor_a")
CONFIG_SD = {"inlet_pa": 10.0, "filter_pa": 5.0, "motor_a": 0.1, "pitot_pa": 5.0}


EVEN = 3.0**-0.5
"""Standard deviation of an even distribution over its half width."""
STATED = Uncertainties(fan_pressure=0.05 * EVEN, duct_k=0.15 * EVEN, motor_current=0.03 * EVEN)


@dataclass
class Score:
    """Errors gathered over running frames."""

    one: list[float] = field(default_factory=list)
    two: list[float] = field(default_factory=list)
    inside: list[bool] = field(default_factory=list)
    drag: list[float] = field(default_factory=list)
    best: list[bool] = field(default_factory=list)
    group: list[bool] = field(default_factory=list)
    size: list[int] = field(default_factory=list)
    seconds: float = 0.0
    frames: int = 0


def frames(block: Block, runs: RunDetector, gates: bool) -> Iterator[Frame]:
    """The frames of a block as the pipeline would make them."""
    for t, values, opened in block.frames():
        state = runs.update(t, values)
        yield Frame(t, values, gates=opened if gates else None, state=state, run_s=runs.run_s)


def toured(shop: PlantShop, design: DuctDesign, seed: int, channels: tuple[str, ...]) -> tuple[Baseline, float]:
    """A baseline from a simulated tour with the bags clean; with the true drag ratio that day."""
    runs = RunDetector(RunThresholds.for_motor(shop.motor.full_load_a))
    rest = replace(tour(shop, START)[0], t1=START + 600.0)
    spans = [rest, *(replace(s, t0=s.t0 + 540.0, t1=s.t1 + 540.0) for s in tour(shop, START)[1:])]
    seen = (
        f for block in simulate(shop, spans, seed, channels=channels, idle_step_s=5.0) for f in frames(block, runs, True))
    data, _ = gather(design, seen, "first", sensors=Sensors(CONFIG_SD), clean=True)
    return fit(design, data), 1.0


def score(
    shop: PlantShop, design: DuctDesign, seed: int, days: int, baseline: Baseline | None, known: bool,
    channels: tuple[str, ...], into: Score, tell: bool = True,
) -> None:
    """Work some days and compare."""
    estimator = Estimator(design, baseline=baseline, sensors=Sensors({c: CONFIG_SD[c] for c in channels if c in CONFIG_SD}))
    runs = RunDetector(RunThresholds.for_motor(shop.motor.full_load_a))
    habits = Habits(run_min=60.0)
    blocks = simulate(
        shop, work(shop, seed, START + 86400.0, days, habits), seed, channels=channels,
        state=DustState.at(shop.bags, 1.0 + 0.5 * (seed % 3), 0.2), idle_step_s=30.0)
    names = shop.port_names
    for block in blocks:
        for event in block.events:
            if tell:
                kind = EventKind.EMPTIED if event.kind == "emptied" else EventKind.CLEANED
                estimator.event(ShopEvent(event.t, kind))
        truth = block.truth
        flow, ratio, opened = truth.flow_m3s.tolist(), truth.drag_ratio.tolist(), truth.gates.tolist()
        changed = np.flatnonzero(np.any(np.diff(truth.gates.astype(int), axis=0) != 0, axis=1)) if len(block) > 1 else []
        quiet = np.ones(len(block), dtype=bool)
        for at in changed:
            quiet[at: at + 12] = False
        quiet[:-3] &= truth.fan[3:]
        batch = list(frames(block, runs, known))
        began = time.process_time()
        estimates = [estimator.update(frame) for frame in batch]
        into.seconds += time.process_time() - began
        into.frames += len(batch)
        for i, (frame, e) in enumerate(zip(batch, estimates, strict=True)):
            if frame.state is not RunState.RUNNING or frame.run_s < 25.0 or not quiet[i] or i % 5:
                continue
            if e.flow_m3s is None or e.flow_sd is None:
                continue
            error = e.flow_m3s / flow[i] - 1.0
            n = sum(opened[i])
            if n == 1:
                into.one.append(error)
            elif n == 2:
                into.two.append(error)
            into.inside.append(abs(e.flow_m3s - flow[i]) < 1.96 * e.flow_sd)
            if e.drag_ratio is not None:
                into.drag.append(e.drag_ratio / ratio[i] - 1.0)
            true = tuple(name for name, o in zip(names, opened[i], strict=True) if o)
            told = [e.gates, *(g.open_ports for g in e.alternatives)]
            into.best.append(e.gates == true)
            into.group.append(true in told)
            into.size.append(len(told))


def rms(values: list[float]) -> float:
    """Root mean square, per cent; nan where there is nothing."""
    return 100.0 * math.sqrt(sum(v * v for v in values) / len(values)) if values else math.nan


def main() -> None:
    """Run and print the tables."""
    options = argparse.ArgumentParser()
    options.add_argument("--seeds", default="101-106")
    options.add_argument("--days", type=int, default=2)
    options.add_argument("--random", action="store_true", help="invented shops of three to seven ports, not the barn")
    options.add_argument("--even", action="store_true", help="state fan and ducts as they are in these shops, not as by default")
    options.add_argument("--each", action="store_true", help="one line for each shop as well")
    options.add_argument("--channels", default=",".join(USUAL))
    options.add_argument("--air", action="store_true", help="air temperature, barometer and line voltage are measured too")
    given = options.parse_args()
    low, high = map(int, given.seeds.split("-"))
    channels = tuple(given.channels.split(","))
    if given.air:
        channels += ("air_c", "barometer_pa", "air_rh", "line_v")
    kinds = list(itertools.product((False, True), (False, True)))
    totals = {kind: Score() for kind in kinds}
    print(f"{'knowledge':34s} {'one gate':>9s} {'two gates':>9s} {'in 95 %':>8s} {'drag':>6s} {'best':>6s}"
          f" {'group':>6s} {'size':>5s} {'us/frame':>9s}")
    for seed in range(low, high + 1):
        drawn, design = random_shop(seed) if given.random else drawn_barn()
        if given.even:
            design = replace(design, uncertainties=STATED)
        shop = as_built(drawn, seed)
        baseline, _ = toured(shop, design, seed, channels)
        for with_tour, known in kinds:
            one = Score()
            score(shop, design, seed, given.days, baseline if with_tour else None, known, channels, one)
            if given.each:
                show(f"{seed} {'tour' if with_tour else 'design'}, gates {'known' if known else 'unknown'}", one)
            total = totals[with_tour, known]
            for name in ("one", "two", "inside", "drag", "best", "group", "size"):
                getattr(total, name).extend(getattr(one, name))
            total.seconds += one.seconds
            total.frames += one.frames
    for with_tour, known in kinds:
        show(f"{'after a tour' if with_tour else 'design alone'}, gates {'known' if known else 'unknown'}",
             totals[with_tour, known])


def show(words: str, s: Score) -> None:
    """One line of the table."""
    print(f"{words:34s} {rms(s.one):8.2f}% {rms(s.two):8.2f}% {100.0 * np.mean(s.inside):7.1f}% {rms(s.drag):5.1f}%"
          f" {100.0 * np.mean(s.best):5.1f}% {100.0 * np.mean(s.group):5.1f}% {np.mean(s.size):5.2f}"
          f" {1e6 * s.seconds / max(s.frames, 1):9.1f}", flush=True)


if __name__ == "__main__":
    main()
