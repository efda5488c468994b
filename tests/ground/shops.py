"""Shops by family and seed. The families differ in kind, not only in their numbers:

``bench``
    to develop on. Steel ducts, radial wheels on the motor's shaft, felt bags, five to nine ports on one long main, fan
    points 5 % off, pressures with a short memory.
``choose``
    to choose between designs on. Plastic pipe, backward-inclined wheels on belts that slip when cold, cartridges that
    shed at every stop, three to eight ports, mains as narrow as the branches, motors that idle at 40-60 % of the plate,
    coarse converters, fans guessed from the wheel, a fan started for each cut.
``sealed``
    was opened once for the figures of an earlier state, and is one to develop on since. Eight to fourteen ports on two
    trunks, both kinds of wheel, bags and cartridges with a quadratic loss of their own, turbulence with a second, slower
    memory, half open gates, helpers, pairs, losses before the tap, faults that grow by other laws.
``cellar``
    was opened once for the figures of an earlier state, and is one to develop on since. Three to seven ports on three
    short trunks that meet at the unit, long hoses, open paddle wheels with a flat curve, both kinds of filter, weak mains,
    slow pulsation, long dwells at one machine, fans that run through the day, faults that grow slowly and then at once.
``loft``
    opened once, for the closing note of a release; nothing of the product is run on it before, and nothing is chosen by
    what it says. Four to ten ports on two trunks without heating, radial-tip wheels whose curve has a hump, filters that take
    a large part of the fan's pressure, gates that leak, air that surges with a long memory, faults that grow in jumps.

Every number is drawn from the one table of its family. Sizes and losses are what small shops have (common practice).
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.ground.noise import Board
from tests.ground.plant import DENSITY, Duct, Fan, Motor, Plant

MACHINES = (
    "planer",
    "jointer",
    "table saw",
    "band saw",
    "disc sander",
    "drum sander",
    "router table",
    "mitre saw",
    "lathe",
    "drill press",
    "shaper",
    "carving bench",
    "floor sweep",
    "edge sander",
)
CHIPS_KG_H = (22.0, 14.0, 7.0, 3.0, 1.5, 4.0, 6.0, 2.5, 3.0, 0.5, 12.0, 0.5, 0.5, 2.0)
"""Chips an hour of cutting, by machine (common practice, no source)."""
DUST = (0.6, 0.5, 1.0, 0.9, 4.0, 8.0, 1.5, 1.0, 0.2, 0.15, 0.9, 0.3, 0.4, 5.0)
"""How fast each machine loads the filter, relative: fifty-fold from drill press to drum sander."""

Range = tuple[float, float]


@dataclass(frozen=True)
class Family:
    """The table of one family; a pair is a range to draw from (of logarithms where both are positive and far apart)."""

    ports: tuple[int, int]
    trunks: int
    main_mm: tuple[int, ...]
    drop_mm: tuple[int, ...]
    narrow: float
    """Share of shops whose main is no wider than a drop."""
    rough_mm: Range
    leak: Range
    wheels: tuple[str, ...]
    p0: Range
    slip: Range
    idle: Range
    phases: tuple[int, ...]
    filters: tuple[str, ...]
    clean_share: Range
    """Drop over clean bags at the working flow, over the fan's pressure."""
    quadratic: Range
    mixing: Range
    before_tap: Range
    turbulence: Range
    memory: Range
    slow: Range
    steps: tuple[tuple[float, float, float], ...]
    lag: int
    spikes: Range
    missing: Range
    jitter: Range
    zero: Range
    work: tuple[float, ...]
    loading: Range
    """Drag gained over clean drag per 100 hours of running with the usual work."""
    drawn: Range
    """One standard deviation of the drawing's losses."""
    fan_known: tuple[str, ...]
    hours: Range
    """Running hours in 30 days."""
    habits: dict[str, Range]
    fault_law: str
    hose: Range = (0.0, 2.5)
    """Length of the hose at each port [m]."""
    mains: Range = (0.005, 0.03)
    density: Range = (0.02, 0.05)
    """Relative swing of the air's density over the seasons; an unheated room has the larger one."""


FAMILIES: dict[str, Family] = {
    "bench": Family(
        ports=(5, 9), trunks=1, main_mm=(150, 175, 200), drop_mm=(100, 125), narrow=0.1, rough_mm=(0.05, 0.15),
        leak=(0.004, 0.02), wheels=("radial",), p0=(2300.0, 3700.0), slip=(0.0, 0.0), idle=(0.3, 0.45), phases=(1, 1, 3),
        filters=("bags",), clean_share=(0.04, 0.1), quadratic=(0.0, 0.0), mixing=(0.5, 0.8), before_tap=(0.0, 0.0),
        turbulence=(0.004, 0.02), memory=(0.3, 1.5), slow=(0.0, 0.0),
        steps=((1.0, 1.0, 0.01), (5.0, 2.0, 0.05), (2.0, 1.0, 0.02)), lag=1, spikes=(0.0, 0.0002), missing=(0.0, 0.01),
        jitter=(0.0, 0.05), zero=(0.5, 4.0), work=(1.0, 1.4, 2.0), loading=(0.5, 3.0), drawn=(0.12, 0.22),
        fan_known=("points",), hours=(18.0, 50.0), fault_law="even",
        habits={
            "shut_before_off": (0.2, 0.9), "shut_between": (0.1, 0.6), "overlap": (0.1, 0.5), "pair": (0.02, 0.15),
            "half": (0.0, 0.05), "shuffle": (0.0, 0.04), "per_cut": (0.1, 0.4), "coffee": (0.02, 0.15), "helper": (0.0, 0.1),
            "late_open": (0.0, 0.2), "dwell_min": (3.0, 9.0),
        },
    ),
    "choose": Family(
        ports=(3, 8), trunks=1, main_mm=(125, 150), drop_mm=(100, 110), narrow=0.5, rough_mm=(0.002, 0.02),
        leak=(0.006, 0.03), wheels=("backward",), p0=(1500.0, 2700.0), slip=(0.01, 0.04), idle=(0.4, 0.6), phases=(1, 3),
        filters=("cartridge",), clean_share=(0.05, 0.15), quadratic=(0.0, 0.2), mixing=(0.6, 1.0), before_tap=(0.0, 0.3),
        turbulence=(0.005, 0.04), memory=(0.2, 3.0), slow=(0.0, 0.1),
        steps=((12.0, 6.0, 0.1), (10.0, 10.0, 0.05), (4.0, 2.0, 0.2)), lag=2, spikes=(0.0, 0.001), missing=(0.0, 0.02),
        jitter=(0.0, 0.3), zero=(1.0, 8.0), work=(1.0, 1.0, 1.3), loading=(0.7, 5.0), drawn=(0.15, 0.3),
        fan_known=("points", "wheel", "wheel"), hours=(12.0, 40.0), fault_law="speeding",
        habits={
            "shut_before_off": (0.3, 1.0), "shut_between": (0.2, 0.9), "overlap": (0.0, 0.4), "pair": (0.0, 0.1),
            "half": (0.0, 0.15), "shuffle": (0.0, 0.08), "per_cut": (0.3, 0.9), "coffee": (0.0, 0.2), "helper": (0.0, 0.1),
            "late_open": (0.1, 0.6), "dwell_min": (1.5, 6.0),
        },
    ),
    "sealed": Family(
        ports=(8, 14), trunks=2, main_mm=(160, 180, 200, 225), drop_mm=(100, 110, 125, 150), narrow=0.2,
        rough_mm=(0.005, 0.2), leak=(0.003, 0.03), wheels=("radial", "backward"), p0=(1800.0, 3900.0), slip=(0.0, 0.03),
        idle=(0.3, 0.6), phases=(1, 3), filters=("bags", "cartridge"), clean_share=(0.03, 0.15), quadratic=(0.05, 0.4),
        mixing=(0.4, 1.1), before_tap=(0.0, 0.6), turbulence=(0.003, 0.05), memory=(0.2, 5.0), slow=(0.0, 0.25),
        steps=((0.5, 0.5, 0.01), (6.0, 3.0, 0.05), (12.0, 12.0, 0.1)), lag=2, spikes=(0.0, 0.001), missing=(0.0, 0.02),
        jitter=(0.0, 0.2), zero=(0.5, 8.0), work=(1.0, 1.2, 2.5), loading=(0.4, 5.0), drawn=(0.15, 0.3),
        fan_known=("points", "wheel"), hours=(15.0, 60.0), fault_law="slowing",
        habits={
            "shut_before_off": (0.0, 1.0), "shut_between": (0.0, 0.9), "overlap": (0.0, 0.6), "pair": (0.05, 0.3),
            "half": (0.0, 0.3), "shuffle": (0.0, 0.1), "per_cut": (0.0, 0.8), "coffee": (0.0, 0.3), "helper": (0.0, 0.4),
            "late_open": (0.0, 0.5), "dwell_min": (1.5, 12.0),
        },
    ),
    "cellar": Family(
        ports=(3, 7), trunks=3, main_mm=(140, 150, 180), drop_mm=(100, 120), narrow=0.3, rough_mm=(0.01, 0.3),
        leak=(0.005, 0.04), wheels=("paddle",), p0=(1300.0, 2900.0), slip=(0.0, 0.01), idle=(0.25, 0.55), phases=(1, 1, 3),
        filters=("bags", "bags", "cartridge"), clean_share=(0.05, 0.14), quadratic=(0.0, 0.3), mixing=(0.5, 1.0),
        before_tap=(0.0, 0.4), turbulence=(0.004, 0.035), memory=(0.3, 8.0), slow=(0.0, 0.2),
        steps=((1.0, 1.0, 0.03), (16.0, 8.0, 0.15), (8.0, 3.0, 0.05)), lag=1, spikes=(0.0, 0.0008), missing=(0.0, 0.03),
        jitter=(0.0, 0.4), zero=(0.5, 10.0), work=(1.0, 1.1, 1.8), loading=(0.5, 4.0), drawn=(0.15, 0.3),
        fan_known=("points", "points", "wheel"), hours=(15.0, 55.0), fault_law="late", hose=(1.0, 4.5), mains=(0.01, 0.035),
        habits={
            "shut_before_off": (0.0, 0.6), "shut_between": (0.0, 0.5), "overlap": (0.0, 0.3), "pair": (0.0, 0.2),
            "half": (0.0, 0.2), "shuffle": (0.0, 0.05), "per_cut": (0.0, 0.3), "coffee": (0.05, 0.4), "helper": (0.0, 0.15),
            "late_open": (0.0, 0.4), "dwell_min": (4.0, 15.0),
        },
    ),
    "loft": Family(
        ports=(4, 10), trunks=2, main_mm=(140, 160, 200), drop_mm=(80, 100, 125), narrow=0.25, rough_mm=(0.003, 0.15),
        leak=(0.01, 0.05), wheels=("tip",), p0=(1700.0, 3300.0), slip=(0.0, 0.025), idle=(0.3, 0.55), phases=(1, 3),
        filters=("cartridge", "bags"), clean_share=(0.06, 0.18), quadratic=(0.0, 0.25), mixing=(0.5, 0.9), before_tap=(0.0, 0.3),
        turbulence=(0.004, 0.03), memory=(0.5, 6.0), slow=(0.05, 0.35),
        steps=((2.0, 2.0, 0.02), (5.0, 1.0, 0.1), (10.0, 5.0, 0.04)), lag=2, spikes=(0.0, 0.0006), missing=(0.0, 0.025),
        jitter=(0.0, 0.25), zero=(0.5, 9.0), work=(1.0, 1.2, 1.6), loading=(0.5, 4.5), drawn=(0.15, 0.3),
        fan_known=("points", "wheel"), hours=(14.0, 50.0), fault_law="jumps", hose=(0.3, 3.5), mains=(0.01, 0.03),
        density=(0.04, 0.07),
        habits={
            "shut_before_off": (0.1, 0.9), "shut_between": (0.0, 0.7), "overlap": (0.0, 0.5), "pair": (0.0, 0.25),
            "half": (0.0, 0.1), "shuffle": (0.0, 0.06), "per_cut": (0.1, 0.7), "coffee": (0.0, 0.25), "helper": (0.0, 0.2),
            "late_open": (0.0, 0.5), "dwell_min": (2.0, 9.0),
        },
    ),
}

WHEELS: dict[str, tuple[tuple[tuple[float, float], ...], tuple[tuple[float, float], ...], float, float]] = {
    "radial": (((0.22, 1.0), (-0.47, 2.0), (-0.75, 3.4)), ((0.30, 0.0), (0.74, 1.0), (-0.04, 2.0)), 0.60, 1.35),
    "backward": (((0.18, 1.0), (-1.18, 2.3)), ((0.36, 0.0), (1.32, 1.1), (-0.86, 2.2)), 0.50, 0.86),
    "paddle": (((-0.20, 1.0), (0.45, 2.0), (-1.25, 3.0)), ((0.20, 0.0), (0.55, 1.0), (0.25, 2.0)), 0.62, 1.70),
    "tip": (((0.35, 1.0), (-0.10, 2.0), (-1.25, 3.2)), ((0.25, 0.0), (0.90, 1.0), (-0.05, 2.5)), 0.58, 1.24),
}
"""Terms of pressure and of power by kind of wheel, the pressure coefficient ``p0 / (density u^2)``, and ``w0 / (p0 q_free)``,
which makes the best efficiency about 50 %, 64 %, 47 % and 58 %. A radial wheel's power rises throughout, so does an open
paddle wheel's, whose pressure is flat over much of its range, and a radial-tip wheel's, whose pressure has a hump at a third
of its air; a backward-inclined wheel's power has its peak before free delivery (fan handbooks)."""


@dataclass(frozen=True)
class Bags:
    """``clean`` drag [Pa s/m3]; ``shed`` is the share of the loose part of the cake that falls at a stop, ``held`` the
    part (over clean) that no stop sheds; ``gain`` drag over clean per unit of dust; ``bag_kg`` what the chip bag holds."""

    clean: float
    shed: float
    gain: float
    bag_kg: float
    area: float


@dataclass(frozen=True)
class Shop:
    """A shop as it truly is, and how it is drawn and worked. ``drawn_seed`` fixes the errors of its drawing."""

    family: str
    seed: int
    plant: Plant
    motor: Motor
    bags: Bags
    board: Board
    density: tuple[float, float]
    """Relative swing of the seasons and of the days."""
    mains: float
    drawn: float
    fan_known: str
    hours: float
    habits: dict[str, float]
    work_heard: float
    fault_law: str

    @property
    def name(self) -> str:
        """For lists and files."""
        return f"{self.family}-{self.seed}"

    @property
    def ports(self) -> list[str]:
        """Names in the order of the plant's ports."""
        return [self.plant.ducts[i].name for i in self.plant.ports]

    def rng(self, what: str) -> np.random.Generator:
        """A stream of its own for each purpose, so that one choice does not shift the others."""
        return np.random.default_rng([self.seed, zlib.crc32(f"{self.family} {what}".encode())])


def make(family: str, seed: int) -> Shop:
    """The shop ``seed`` of ``family``; the same arguments give the same shop."""
    table = FAMILIES[family]
    rng = np.random.default_rng([seed, zlib.crc32(f"{family} shop".encode())])

    def draw(pair: Range) -> float:
        low, high = pair
        if low > 0 and high > 3 * low:
            return float(np.exp(rng.uniform(np.log(low), np.log(high))))
        return float(rng.uniform(low, high))

    def pick(options: tuple[Any, ...]) -> Any:
        return options[int(rng.integers(len(options)))]

    ducts = _ducts(table, rng, draw, pick)
    kind = pick(table.wheels)
    pressure, power, coefficient, watts = WHEELS[kind]
    p0, slip = draw(table.p0), draw(table.slip)
    largest = max(d.area for d in ducts if d.port)
    main = next(d for d in ducts if d.into < 0)
    q_free = float(np.clip(rng.uniform(36, 50) * largest * 1.6, 0.3, 40 * main.area * 1.6))
    rpm = float(rng.choice([2880, 3450])) if kind == "radial" else float(rng.uniform(3000, 4400))
    wheel = float(np.sqrt(p0 / (coefficient * DENSITY)) / (np.pi * rpm / 60))
    w0 = watts * p0 * q_free * rng.uniform(0.93, 1.07)
    volts, phases = 230.0, pick(table.phases)
    fan = Fan(p0, q_free, w0, pressure, power, rpm, wheel, slip_cold=slip, droop=rng.uniform(0.01, 0.04))
    rated = float(fan.shaft(np.array(0.75 * q_free))) * rng.uniform(0.95, 1.5)
    full = rated / 0.78 / 0.85 / volts / (1.0 if phases == 1 else 1.732)
    motor = Motor(rated, volts, phases, float(np.round(full, 1)), float(full * draw(table.idle)))
    filters, work_q = pick(table.filters), 0.6 * q_free
    clean = draw(table.clean_share) * p0 / work_q
    cartridge = filters == "cartridge"
    bags = Bags(
        clean, rng.uniform(0.02, 0.10) if cartridge else rng.uniform(0.0, 0.03), draw(table.loading), rng.uniform(15, 60),
        rng.uniform(8, 18) if cartridge else rng.uniform(2.5, 7),
    )
    plant = Plant(tuple(ducts), fan, clean, draw(table.quadratic) * clean / work_q, draw(table.mixing), draw(table.before_tap))
    level, motor_level, step = draw(table.turbulence), rng.uniform(0.3, 0.8), pick(table.steps)
    step = (step[0], step[1], min(step[2], 0.02 * full))
    board = Board(
        rough={"inlet_pa": level, "filter_pa": level * rng.uniform(0.8, 1.6), "motor_a": max(0.002, level * motor_level)},
        memory=draw(table.memory),
        shared=rng.uniform(0.1, 0.6),
        slow=draw(table.slow),
        step=dict(zip(("inlet_pa", "filter_pa", "motor_a"), step, strict=True)),
        hiss={"inlet_pa": 0.5 * step[0], "filter_pa": 0.5 * step[1], "motor_a": step[2]},
        scale={"inlet_pa": rng.normal(1, 0.01), "filter_pa": rng.normal(1, 0.015), "motor_a": rng.normal(1, 0.02)},
        zero={"inlet_pa": draw(table.zero), "filter_pa": 0.6 * draw(table.zero), "motor_a": 0.02},
        lag=dict(
            zip(
                ("inlet_pa", "filter_pa", "motor_a"), rng.permutation([0, 0, int(rng.integers(table.lag + 1))]).tolist(),
                strict=True,
            )
        ),
        spikes=draw(table.spikes),
        missing=draw(table.missing),
        jitter=draw(table.jitter),
        work=pick(table.work),
        full_scale={"inlet_pa": (-6000.0, 500.0), "filter_pa": (-250.0, 2900.0), "motor_a": (0.0, 190.0)},
    )
    return Shop(
        family, seed, plant, motor, bags, board, (rng.uniform(*table.density), rng.uniform(0.005, 0.015)),
        rng.uniform(*table.mains), draw(table.drawn), pick(table.fan_known), draw(table.hours),
        {k: float(rng.uniform(*v)) for k, v in table.habits.items()}, board.work, table.fault_law,
    )


def _ducts(
    table: Family, rng: np.random.Generator, draw: Callable[[Range], float], pick: Callable[[tuple[int, ...]], int]
) -> list[Duct]:
    count = int(rng.integers(table.ports[0], table.ports[1] + 1))
    narrow = rng.random() < table.narrow
    drop = pick(table.drop_mm)
    main = drop * 1e-3 * 1.1 if narrow else pick(table.main_mm) * 1e-3
    rough = draw(table.rough_mm) * 1e-3
    names = list(rng.permutation(len(MACHINES))[:count])
    ducts: list[Duct] = []

    def run(into: int, diameter: float, angle: float) -> int:
        length = float(rng.uniform(1.5, 4.5))
        ducts.append(
            Duct(
                f"main {len(ducts) + 1}",
                into,
                diameter,
                length,
                rough,
                float(rng.choice([0.0, 0.15, 0.3])),
                angle,
                leak_m2=length * diameter * rng.uniform(3e-6, 4e-5),
            )
        )
        return len(ducts) - 1

    heads = [run(-1, main, 0.0)]
    trunk = [heads[0]]
    for i in range(1, table.trunks):
        trunk.append(run(heads[0], max(main * 0.85, drop * 1e-3), 45.0 * (i > 0)))
    for i, machine in enumerate(names):
        side = i % len(trunk)
        if i >= len(trunk):
            trunk[side] = run(
                trunk[side], ducts[trunk[side]].diameter * (0.9 if rng.random() < 0.15 and not narrow else 1.0), 0.0
            )
        wide = min(drop * 1e-3 if rng.random() < 0.6 else pick(table.drop_mm) * 1e-3, ducts[trunk[side]].diameter)
        last = i >= count - len(trunk)
        ducts.append(
            Duct(
                MACHINES[machine], trunk[side], wide, float(rng.uniform(1.0, 4.0)), rough, float(rng.uniform(0.2, 0.9)),
                0.0 if last else float(rng.choice([30.0, 45.0, 45.0, 60.0, 90.0])), port=True,
                entry_k=float(np.exp(rng.uniform(np.log(0.5), np.log(3.5)))), leak=draw(table.leak),
                hose=float(rng.uniform(*table.hose)), hose_rough=float(rng.uniform(4e-4, 1.5e-3)),
            )
        )
    return ducts
