"""Invented shops to solve: a small one, one with thirteen ports, and random ones."""

from __future__ import annotations

import math
import random
from dataclasses import replace

from analysis.air import Air, standard_air
from analysis.duct.design import DuctDesign, Hose, Join, Material, Port, Run
from analysis.duct.fan import FanCurve, FanPoint
from analysis.duct.filter import FilterStage
from analysis.duct.motor import Motor
from analysis.units import CFM_M3S, FOOT_M, HORSEPOWER_W, INCH_M, INWG_PA

MATERIAL = Material("shavings", 3500 * 0.00508, 4000 * 0.00508)
PVC_M = 3e-5
FLEX_M = 9e-4
D4, D5, D6 = 4.065 * INCH_M, 5.0 * INCH_M, 6.075 * INCH_M

_POINTS = (
    (0, 11.8, 0.85), (200, 11.9, 1.02), (400, 11.6, 1.25), (600, 10.7, 1.52), (800, 9.1, 1.80), (1000, 6.7, 2.06),
    (1200, 3.4, 2.30),
)


def fan(size: float = 1.0, *, falling: bool = False) -> FanCurve:
    """The chair maker's fan, or one with ``size`` times its flow; ``falling`` leaves out the hump at low flow."""
    points = tuple(
        FanPoint(q * CFM_M3S * size, (12.0 if falling and q == 0 else p) * INWG_PA, w * HORSEPOWER_W * size)
        for q, p, w in _POINTS
    )
    return FanCurve(points, 3450.0)


def chair_barn(air: Air | None = None) -> DuctDesign:
    """Four ports on two runs and a main: the ducting of the demo shop."""
    elbow = 0.22
    runs = (
        Run("main", "fan", D6, PVC_M, 14 * FOOT_M, 2 * elbow),
        Run("east main", "main", D6, PVC_M, 11 * FOOT_M),
        Run("bench run", "main", D4, PVC_M, 9 * FOOT_M, 0.12, Join.wye(45.0)),
    )
    ports = (
        Port("planer", "east main", D4, PVC_M, 6 * FOOT_M, elbow, Join.straight(), Hose(0.1016, FLEX_M, 5 * FOOT_M),
             entry_k=1.5, needs_m3s=400 * CFM_M3S),
        Port("bandsaw", "east main", D4, PVC_M, 4 * FOOT_M, 0.12, Join.wye(45.0), Hose(0.1016, FLEX_M, 6 * FOOT_M),
             entry_k=2.0, needs_m3s=350 * CFM_M3S),
        Port("lathe", "bench run", D4, PVC_M, 7 * FOOT_M, 0.0, Join.straight(), Hose(0.1016, FLEX_M, 4 * FOOT_M),
             entry_k=0.49, needs_m3s=350 * CFM_M3S),
        Port("shaving horse", "bench run", D4, PVC_M, 5 * FOOT_M, 0.12, Join.wye(45.0), entry_k=0.93,
             needs_m3s=350 * CFM_M3S),
    )
    motor = Motor(2 * HORSEPOWER_W, 1, 230.0, 11.2, 1.15)
    return DuctDesign(runs, ports, fan(), FilterStage(4.46, 880.0), MATERIAL, air or standard_air(), motor=motor)


def thirteen_ports(joins: str = "flow") -> DuctDesign:
    """A trunk with sub-branches and thirteen ports; ``joins`` "stated" gives every junction a fixed loss instead."""
    rng = random.Random(13)
    runs = [Run("main", "fan", D6, PVC_M, 5.0, 0.6)]
    ports: list[Port] = []
    trunk = "main"
    for stage in range(6):
        name = f"trunk {stage}"
        runs.append(Run(name, trunk, D6 if stage < 3 else D5, PVC_M, 2.5, 0.15))
        if stage % 2 == 0:
            sub = f"sub {stage}"
            runs.append(Run(sub, trunk, D5, PVC_M, 2.0, 0.3, Join.wye(45.0)))
            ports += [_port(rng, len(ports), sub, Join.straight()), _port(rng, len(ports) + 1, sub, Join.wye(45.0))]
        else:
            ports += [_port(rng, len(ports), trunk, Join.wye(30.0))]
        trunk = name
    runs.append(Run("end", trunk, D5, PVC_M, 1.5, 0.0))
    ports += [_port(rng, 9, trunk, Join.tee())]
    ports += [_port(rng, 10, "end", Join.straight()), _port(rng, 11, "end", Join.wye(45.0)),
              _port(rng, 12, "end", Join.wye(60.0))]
    design = DuctDesign(
        tuple(runs), tuple(ports), fan(1.6), FilterStage(6.0, 700.0), MATERIAL, standard_air(),
        motor=Motor(3 * HORSEPOWER_W, 1, 230.0),
    )
    return design if joins == "flow" else with_stated_joins(design, 0.25)


def _port(rng: random.Random, number: int, into: str, join: Join) -> Port:
    hose = Hose(0.1016, FLEX_M, 1.0 + rng.random()) if number % 3 else None
    return Port(f"port {number}", into, D4, PVC_M, 1.0 + 2.0 * rng.random(), 0.3 + 0.4 * rng.random(), join, hose,
                entry_k=0.5 + 1.5 * rng.random(), leak_m2=4e-5 + 4e-5 * rng.random(), needs_m3s=350 * CFM_M3S)


def with_stated_joins(design: DuctDesign, k: float) -> DuctDesign:
    """The same shop with a fixed loss at every junction: ``k`` velocity pressures from the side, a fifth straight on."""

    def stated(join: Join) -> Join:
        return Join.stated(k / 5 if join.kind == "straight" else k, join.angle_deg)

    return replace(
        design, runs=tuple(replace(run, join=stated(run.join)) for run in design.runs),
        ports=tuple(replace(port, join=stated(port.join)) for port in design.ports),
    )


def random_shop(seed: int, *, falling: bool = True) -> DuctDesign:
    """A tree of 1 to 7 runs and 1 to 10 ports, with sizes and losses that a shop may have."""
    rng = random.Random(seed)
    runs = [Run("main", "fan", rng.uniform(0.1, 0.22), _rough(rng), rng.uniform(0.3, 15.0), rng.uniform(0.0, 2.0))]
    straight: set[str] = set()
    for number in range(rng.randint(0, 6)):
        into = rng.choice(runs)
        join = _join(rng, into.name, straight)
        runs.append(Run(f"run {number}", into.name, into.diameter_m * rng.uniform(0.6, 1.0), _rough(rng),
                        rng.uniform(0.1, 12.0), rng.uniform(0.0, 1.5), join, leak_m2=rng.choice([0.0, 0.0, 2e-4])))
    fed = {run.into for run in runs}
    into_runs = [run for run in runs if run.name not in fed] + [rng.choice(runs) for _ in range(rng.randint(0, 4))]
    ports = []
    for number, run in enumerate(into_runs):
        diameter = min(run.diameter_m, rng.uniform(0.05, 0.16))
        hose = Hose(diameter * rng.uniform(0.8, 1.0), 1e-3, rng.uniform(0.3, 4.0)) if rng.random() < 0.5 else None
        ports.append(Port(f"port {number}", run.name, diameter, _rough(rng), rng.uniform(0.2, 6.0),
                          rng.uniform(0.0, 1.5), _join(rng, run.name, straight), hose, entry_k=rng.uniform(0.04, 4.0),
                          gate_k=rng.uniform(0.0, 0.5), leak_m2=10 ** rng.uniform(-6, -3.5),
                          needs_m3s=rng.uniform(0.05, 0.3)))
    curve = fan(rng.uniform(0.5, 2.5), falling=falling)
    return DuctDesign(tuple(runs), tuple(ports), curve, FilterStage(5.0, rng.uniform(100.0, 3000.0)), MATERIAL,
                      standard_air(), motor=Motor(3 * HORSEPOWER_W, 1, 230.0))


def _rough(rng: random.Random) -> float:
    return rng.choice([0.0, 3e-5, 9e-5, 1.5e-4, 1e-3])


def _join(rng: random.Random, into: str, straight: set[str]) -> Join:
    if into not in straight and rng.random() < 0.6:
        straight.add(into)
        return Join.straight()
    return rng.choice([Join.wye(30.0), Join.wye(45.0), Join.wye(math.pi * 20), Join.tee()])


def crowded_shop(seed: int) -> DuctDesign:
    """A lazy drawing: 3 to 24 ports on one to five runs, many of them at one place, on a main that is often too small,
    with gates from tight to a tenth open, leaking joints, stated junctions and at times a duct after the fan."""
    rng = random.Random(seed)
    main = rng.choice([4, 5, 6, 7, 8, 10]) * INCH_M
    runs = [Run("main", "fan", main, PVC_M, rng.uniform(1.0, 10.0), rng.uniform(0.0, 1.0))]
    straight: set[str] = set()

    def join(into: str) -> Join:
        if into not in straight and rng.random() < 0.6:
            straight.add(into)
            return Join.straight()
        return rng.choice([Join.wye(30.0), Join.wye(45.0), Join.wye(60.0), Join.tee()])

    for number in range(rng.randint(0, 4)):
        into = rng.choice(runs)
        runs.append(Run(f"run {number}", into.name, into.diameter_m * rng.choice([1.0, 1.0, 0.8]), PVC_M,
                        rng.uniform(0.3, 8.0), rng.uniform(0.0, 1.0), rng.choice([join(into.name), Join.stated(0.3, 45.0)]),
                        rng.choice([0.0, 0.0, 1e-4])))
    fed = {run.into for run in runs}
    ends = [run for run in runs if run.name not in fed]
    ports = []
    for number in range(max(rng.randint(3, 24), len(ends))):
        run = ends[number] if number < len(ends) else rng.choice(runs)
        across = min(run.diameter_m, rng.choice([2.5, 4, 4, 4, 5, 6]) * INCH_M)
        hose = Hose(across, FLEX_M, rng.uniform(0.3, 3.0)) if rng.random() < 0.5 else None
        ports.append(Port(f"port {number}", run.name, across, PVC_M, rng.uniform(0.1, 4.0), rng.uniform(0.0, 1.0),
                          join(run.name), hose, entry_k=rng.choice([0.04, 0.49, 0.93, 1.5]),
                          leak_m2=rng.choice([0.0, 1e-8, 6e-5, 1e-4, 0.1 * math.pi / 4 * across**2])))
    behind = (Run("outlet", "-", main, PVC_M, rng.uniform(0.3, 6.0), rng.uniform(0.0, 1.0)),) if rng.random() < 0.3 else ()
    return DuctDesign(tuple(runs), tuple(ports), fan(rng.uniform(0.6, 2.5), falling=rng.random() < 0.5),
                      FilterStage(5.0, rng.uniform(100.0, 2000.0)), MATERIAL, standard_air(), discharge=behind)
