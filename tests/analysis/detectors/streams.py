"""Blocks of an invented shop for the detectors: levels on its fan curve with seeded noise. A stream, not a plant: how the
detectors do on shops that nobody here built is measured by ``tests.ground``."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from random import Random

from analysis.blocks import Block, Shape, Stat
from analysis.detectors.curve import FanCurve
from analysis.duct.design import DuctDesign
from analysis.estimates import Estimate
from analysis.readings import Quality, RunState
from daemon.config.load import load

FITTED = ("inlet_pa", "filter_pa", "motor_a")


@cache
def barn() -> DuctDesign:
    """The demo's drawing."""
    return load(Path(__file__).parents[3] / "daemon/demo/chair-barn.toml").design


@dataclass
class Script:
    """``drag`` (logarithm over clean) and ``channel`` (factor by which a channel reads wrong; None: no value) by running
    second; ``noise`` of a block, relative."""

    drag: Callable[[float], float] = lambda s: 1e-6 * s
    channel: Callable[[str, float], float | None] = lambda name, s: 1.0
    noise: float = 0.006
    gates: bool = False
    flows: tuple[float, ...] = (0.25, 0.33, 0.42, 0.5)
    stretch_s: float = 300.0
    run_s: float = 1800.0
    off_s: float = 600.0
    began: float = 1_000_000.0
    extra: Mapping[str, float] = field(default_factory=dict)


def blocks(script: Script, hours: float, seed: int = 1) -> Iterator[Block]:
    """Runs of half an hour with six settings each, with ten minutes between."""
    rng, design = Random(seed), barn()
    curve = FanCurve(design)
    clean = math.log(design.filter.clean_drag_pasm3)
    t, running, flow, setting = script.began, 0.0, script.flows[0], ""
    while running < hours * 3600.0:
        for first in range(0, int(script.off_s), 60):
            yield _off(t + first, script)
        t += script.off_s
        for second in range(0, int(script.run_s), 10):
            moved = second % int(script.stretch_s) == 0
            if moved:
                flow = rng.choice(script.flows)
                setting = f"port {script.flows.index(flow)}"
            log_drag = clean + script.drag(running)
            yield _on(t, second, moved, flow, log_drag, script, running, rng, curve, setting)
            t, running = t + 10.0, running + 10.0
    return


def _off(t: float, script: Script) -> Block:
    stats = {name: Stat(6, 0.0, 0.0, 0.1) for name in FITTED if script.channel(name, -1.0) is not None}
    return Block(t, t + 59.0, 60.0, 6, RunState.OFF, 0.0, False, stats, {}, Estimate(t, 0.0, 0.0), None)


def _on(
    t: float, second: int, moved: bool, flow: float, log_drag: float, script: Script, running: float, rng: Random,
    curve: FanCurve, setting: str,
) -> Block:
    x = math.log(flow)
    bags = math.exp(log_drag + x)
    suction = math.exp(curve.total(x)) - bags
    values = {"inlet_pa": -suction, "filter_pa": bags, "motor_a": math.exp(curve.amps(x))}
    stats, bad = {}, {}
    for name, value in values.items():
        factor = script.channel(name, running)
        if factor is None:
            bad[name] = {Quality.SILENT: 10}
            continue
        mean = value * factor * (1.0 + rng.gauss(0.0, script.noise))
        stats[name] = Stat(10, mean, mean - 0.02 * abs(mean), mean + 0.02 * abs(mean), 0.01 * abs(mean))
    shape = None
    if "inlet_pa" in stats and "filter_pa" in stats and stats["inlet_pa"].mean < -1.0 and stats["filter_pa"].mean > 1.0:
        p, f = math.log(-stats["inlet_pa"].mean), math.log(stats["filter_pa"].mean)
        amps = stats.get("motor_a")
        shape = Shape(f, p, math.log(math.exp(p) + math.exp(f)), math.log(amps.mean) if amps and amps.mean > 0.5 else None,
                      f - 0.5 * p)
    drag = math.exp(log_drag + rng.gauss(0.0, 0.004))
    clean = barn().filter.clean_drag_pasm3
    estimate = Estimate(
        t, flow, 0.03 * flow, drag, 0.04 * drag, drag / clean, 0.02, gates=(setting,), gate_probability=0.9, along=0.0,
        along_sd=0.03, air_density_kgm3=barn().air.density_kgm3)
    heat = None if "motor_a" not in stats else 10.0 * stats["motor_a"].mean ** 2
    return Block(
        t, t + 9.0, 10.0, 10, RunState.RUNNING, second + 10.0, second == 0, stats, bad, estimate,
        {setting: True} if script.gates else None, gates_moved=moved, heat_a2s=heat, shape=shape)
