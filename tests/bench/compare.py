"""How near the comparison comes to the truth of simulated shops with and without an added run."""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field

import numpy as np

from analysis.blocks import Block, BlockBuilder
from analysis.compare.fit import fit
from analysis.compare.judge import SetJudged, judge
from analysis.compare.stretch import Gathered, gather
from analysis.compare.unknowns import Assumed
from analysis.duct.design import DuctDesign
from analysis.estimates import Estimate
from analysis.plant.asbuilt import as_built
from analysis.plant.day import Cut, Span
from analysis.plant.faults import Fault, FaultKind, changed_shop
from analysis.plant.motor import MotorTable, motor_from_plate
from analysis.plant.network import Network
from analysis.plant.shop import PlantShop
from analysis.plant.simulate import DustState, simulate
from analysis.plant.weather import Weather
from analysis.readings import Frame
from analysis.run_state import RunDetector, RunThresholds
from tests.bench.shops import drawn_barn, random_shop

START = 1_767_600_000.0 + 1800.0
DAY_S = 86400.0
USUAL = ("inlet_pa", "filter_pa", "motor_a")
SENSED = (*USUAL, "air_c", "air_rh", "barometer_pa", "line_v")
NOTHING = Estimate(0.0)


def blocks_of(
    shop: PlantShop, spans: Sequence[Span], seed: int, state: DustState, channels: Sequence[str], weather: Weather,
) -> Iterator[Block]:
    """Simulated blocks with gate marks, made by the code that the daemon uses."""
    runs = RunDetector(RunThresholds.for_motor(shop.motor.full_load_a))
    builder = BlockBuilder()
    for part in simulate(shop, spans, seed, channels=channels, idle_step_s=60.0, state=state, weather=weather):
        for t, values, gates in part.frames():
            run_state = runs.update(t, values)
            block = builder.add(Frame(t, values, gates=gates, state=run_state, run_s=runs.run_s), NOTHING)
            if block is not None:
                yield block
    last = builder.close()
    if last is not None:
        yield last


def side_script(
    shop: PlantShop, ports: Sequence[str], t0: float, minutes: float, runs: int, days: int, rng: np.random.Generator
) -> list[Span]:
    """Work of one period: each port in ``runs`` runs spread over some days, ``minutes`` of running in all for each."""
    length = minutes * 60.0 / runs + 45.0
    moments = []
    for port in ports:
        for r in range(runs):
            moments.append((r % days, port))
    spans: list[Span] = []
    now = t0
    for day in range(days):
        todays = [port for d, port in moments if d == day]
        rng.shuffle(todays)
        starts = np.sort(rng.uniform(0.0, 8.0 * 3600.0 - len(todays) * (length + 400.0), len(todays)))
        for i, port in enumerate(todays):
            at = float(np.round(t0 + day * DAY_S + starts[i] + i * (length + 400.0)))
            on = max(at, now + 300.0)
            spans.append(Span(now, on, False))
            plant = shop.port(port)
            cut = Cut(port, plant.chips_kg_min, plant.fines, float(rng.uniform(10, 50)), float(rng.uniform(8, 40)))
            spans.append(Span(on, on + np.round(length), True, (port,), (cut,)))
            now = on + float(np.round(length))
    spans.append(Span(now, now + 300.0, False))
    return spans


@dataclass
class Case:
    """One trial: what was true and what was said."""

    seed: int
    truth: dict[tuple[tuple[str, ...], str], float] = field(default_factory=dict)
    judged: tuple[SetJudged, ...] = ()
    seconds: float = 0.0
    fit: object = None


def true_changes(
    before: PlantShop, after: PlantShop, ports: Sequence[str], drag: float
) -> dict[tuple[tuple[str, ...], str], float]:
    """Relative changes that the plant itself makes at the same drag, air and speed."""
    found = {}
    one, two = Network(before), Network(after)
    motor = MotorTable(motor_from_plate(before.motor), before.motor.power_w)
    for port in ports:
        a = one.solve(np.array([[float(n == port) for n in before.port_names]]), np.array([drag]))
        b = two.solve(np.array([[float(n == port) for n in after.port_names]]), np.array([drag]))
        i = before.port_names.index(port)
        slips = [float(motor.look_up(s.power_w, np.ones(1))[0][0]) for s in (a, b)]
        speed = (1.0 - slips[1]) / (1.0 - slips[0])
        found[(port,), "flow"] = float(b.port_m3s[0, i] / a.port_m3s[0, i]) * speed - 1.0
        found[(port,), "inlet static pressure"] = float(b.inlet_static_pa[0] / a.inlet_static_pa[0]) * speed**2 - 1.0
        found[(port,), "velocity"] = float(b.flow_m3s[0] / a.flow_m3s[0]) * speed - 1.0
    return found


def size_for(shop: PlantShop, where: str, port: str, drag: float, wanted: float) -> float:
    """Leakage [m2] of an added run that changes the flow at ``port`` by ``wanted``, in the plant's steps."""
    low, high = 0.0, 60.0
    for _ in range(20):
        steps = 0.5 * (low + high)
        change = true_changes(shop, added(shop, where, steps), (port,), drag)[(port,), "flow"]
        low, high = (steps, high) if change > wanted else (low, steps)
    return float(np.round(low))


def added(shop: PlantShop, where: str, steps: float) -> PlantShop:
    """The shop with a run added, its gate shut."""
    return changed_shop(shop, [Fault(FaultKind.ADDED_RUN, 0.0, where=where, size=steps * 5e-5)], [steps])[1]


@dataclass
class Made:
    """What a trial is made of: the drawing, the two periods, the run that was cut, the truth."""

    seed: int
    design: DuctDesign
    sides: tuple[Gathered, Gathered]
    where: str
    truth: dict[tuple[tuple[str, ...], str], float]


def make(
    seed: int, *, wanted: float, minutes: float, runs: int, days: int = 2, channels: Sequence[str] = USUAL,
    drag: tuple[float, float] | None = None, gap_days: int = 4, random: bool = False,
) -> Made:
    """One shop with one change (``wanted`` of the flow at its first port; 0: none), measured before and after."""
    drawn, design = random_shop(seed) if random else drawn_barn()
    rng = np.random.default_rng([seed, 9001])
    shop = as_built(drawn, seed)
    runs_there = [run.name for run in drawn.runs]
    where = str(rng.choice(runs_there)) if random else ("main", "main", "east main", "bench run")[int(rng.integers(4))]
    ports = [str(name) for name in rng.permutation(drawn.port_names)[:2]]
    clean = shop.bags.clean_drag
    ratios = drag or (float(rng.uniform(1.0, 1.6)), 0.0)
    later = ratios[1] or ratios[0] * float(rng.uniform(0.9, 1.6))
    steps = size_for(shop, where, ports[0], ratios[0] * clean, wanted) if wanted else 0.0
    after_shop = added(shop, where, steps) if steps else shop
    weather = Weather(seed, shop.mean_air_c, shop.site_pressure_pa)
    t0 = START + float(rng.integers(0, 360)) * DAY_S
    sides: list[Gathered] = []
    for k, (one, ratio) in enumerate(((shop, ratios[0]), (after_shop, max(later, 1.0)))):
        begin = t0 + k * (days + gap_days) * DAY_S
        spans = side_script(shop, ports, begin, minutes, runs, days, rng)
        state = DustState.at(shop.bags, ratio, 0.2)
        found = blocks_of(one, spans, seed * 10 + k, state, channels, weather)
        sides.append(gather(design, found))
    return Made(seed, design, (sides[0], sides[1]), where, true_changes(shop, after_shop, ports, ratios[0] * clean))


def compared(made: Made, told: bool = True) -> Case:
    """The comparison of a trial."""
    case = Case(made.seed, made.truth)
    began = time.process_time()
    before, after = made.sides
    result = fit(made.design, before.stretches, after.stretches, assumed=Assumed((made.where,)) if told else None)
    case.judged = judge(result)
    case.fit = result
    case.seconds = time.process_time() - began
    return case


def _rows(case: Case) -> Iterator[tuple[float, float, float, float, bool]]:
    """Truth, told, low, high of the duct's part of each port's flow, and whether a change was claimed."""
    for one in case.judged:
        for change in one.changes:
            truth = case.truth.get((tuple(change.open_ports), change.measure))
            if change.measure == "flow" and truth is not None:
                yield truth, change.duct.value, change.duct.low, change.duct.high, change.claimed


def _trial(job: tuple[int, float, float, bool, bool]) -> Case:
    seed, wanted, minutes, random, air = job
    made = make(seed, wanted=wanted, minutes=minutes, runs=4, channels=SENSED if air else USUAL, random=random)
    return compared(made)


def table(seeds: Sequence[int], *, random: bool, air: bool) -> None:
    """Error, coverage, false claims and found changes over many shops."""
    kind = f"{'random shops' if random else 'the barn'}, {'air and voltage measured' if air else 'three channels'}"
    print(f"\n{kind}, {len(seeds)} shops each, flow at a port, the duct's part")
    print(f"{'change':>8s} {'minutes':>8s} {'error 1 sd':>11s} {'in 95 %':>8s} {'claimed':>8s}")
    with ProcessPoolExecutor(max_workers=2) as pool:
        for wanted, minutes in ((0.0, 20.0), (-0.03, 20.0), (-0.03, 60.0), (-0.08, 20.0)):
            cases = pool.map(_trial, [(seed, wanted, minutes, random, air) for seed in seeds], chunksize=4)
            rows = [row for case in cases for row in _rows(case)]
            if not rows:
                continue
            error = np.array([told - truth for truth, told, *_ in rows])
            inside = np.mean([low <= truth <= high for truth, _, low, high, _ in rows])
            claimed = np.mean([claim for *_, claim in rows])
            print(f"{100 * wanted:7.0f} % {minutes:8.0f} {100 * error.std():9.2f} % {100 * inside:6.1f} % {100 * claimed:6.1f} %",
                  flush=True)


def main() -> None:
    """Print the tables. The constants were set on seeds below 1000; these are others."""
    options = argparse.ArgumentParser()
    options.add_argument("--trials", type=int, default=16, help="shops for each line")
    options.add_argument("--first", type=int, default=5001, help="first seed")
    given = options.parse_args()
    seeds = range(given.first, given.first + given.trials)
    for random in (False, True):
        for air in (True, False):
            table(list(seeds), random=random, air=air)


if __name__ == "__main__":
    main()
