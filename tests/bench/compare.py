"""How near the comparison comes to the truth of simulated shops with and without an added run.

A trial is one shop measured before and after, judged against what the plant itself makes of the change. One line of the
tables is many trials: the error and the coverage are those of the flow at every compared port, the claims are counted by
trial (a trial counts once, however many of its measures are claimed).
"""

from __future__ import annotations

import os

# A trial's matrices are small: more threads for each only get in each other's way.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import json
import math
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, field
from functools import lru_cache
from pathlib import Path

import numpy as np

from analysis.blocks import Block, BlockBuilder
from analysis.compare.fit import fit
from analysis.compare.fitted import Fits
from analysis.compare.judge import SetJudged, judge
from analysis.compare.stretch import Gathered, gather
from analysis.compare.unknowns import Assumed
from analysis.duct.design import DuctDesign
from analysis.estimates import Estimate
from analysis.plant.asbuilt import Spread, as_built
from analysis.plant.day import Cut, Span
from analysis.plant.faults import Fault, FaultKind, changed_shop
from analysis.plant.motor import MotorTable, motor_from_plate
from analysis.plant.network import Network
from analysis.plant.shop import Array, Nameplate, PlantShop
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
RUNS = 4
Truth = dict[tuple[tuple[str, ...], str], float]


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
            # A long rest tells nothing: only its last half hour is simulated, for the zeros.
            spans.append(Span(max(now, on - 1800.0), on, False))
            plant = shop.port(port)
            cut = Cut(port, plant.chips_kg_min, plant.fines, float(rng.uniform(10, 50)), float(rng.uniform(8, 40)))
            spans.append(Span(on, on + np.round(length), True, (port,), (cut,)))
            now = on + float(np.round(length))
    spans.append(Span(now, now + 300.0, False))
    return spans


class Supply(Weather):
    """Weather and mains of a place, with the mains of a period higher or lower by a share (another tap, another load in the
    neighbourhood)."""

    def __init__(self, shop: PlantShop, seed: int, level: float) -> None:
        super().__init__(seed, shop.mean_air_c, shop.site_pressure_pa)
        self._level = level

    def _exact(self, t: Array) -> tuple[Array, ...]:
        air_c, air_rh, barometer, line, density, viscosity = super()._exact(t)
        return air_c, air_rh, barometer, line * (1.0 + self._level), density, viscosity


@lru_cache(maxsize=64)
def _motor(plate: Nameplate) -> MotorTable:
    return MotorTable(motor_from_plate(plate), plate.power_w)


def true_changes(before: PlantShop, after: PlantShop, ports: Sequence[str], drag: float) -> Truth:
    """Relative changes that the plant itself makes at the same drag, air and speed."""
    found: Truth = {}
    one, two = Network(before), Network(after)
    motor = _motor(before.motor)
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


def size_for(shop: PlantShop, where: str, port: str, drag: float, wanted: float, saddle: float) -> float:
    """Leakage of an added run that changes the flow at ``port`` by ``wanted``, in the plant's steps."""

    def change(steps: float) -> float:
        return true_changes(shop, added(shop, where, steps, saddle), (port,), drag)[(port,), "flow"] - wanted

    low, high = (0.0, change(0.0)), (60.0, change(60.0))
    if low[1] < 0.0:
        return 0.0
    if high[1] > 0.0:
        return 60.0
    for _ in range(12):
        # False position, kept from creeping by halving now and then.
        share = low[1] / (low[1] - high[1])
        steps = low[0] + min(max(share, 0.1), 0.9) * (high[0] - low[0])
        miss = change(steps)
        if abs(miss) < 2e-4 or high[0] - low[0] < 0.4:
            return float(np.round(steps))
        low, high = ((steps, miss), high) if miss > 0.0 else (low, (steps, miss))
    return float(np.round(low[0]))


def added(shop: PlantShop, where: str, steps: float, saddle: float = 0.0) -> PlantShop:
    """The shop with a run added, its gate shut, where the cut has raised the losses of the run by the share ``saddle``."""
    run = next(one for one in shop.runs if one.name == where)
    shop = shop.with_pipe(where, loss_factor=run.loss_factor * (1.0 + saddle))
    return changed_shop(shop, [Fault(FaultKind.ADDED_RUN, 0.0, where=where, size=steps * 5e-5)], [steps])[1]


@dataclass
class Case:
    """One trial: what was true and what was said; ``aim`` is the port that the change was sized for."""

    seed: int
    aim: str = ""
    truth: Truth = field(default_factory=dict)
    judged: tuple[SetJudged, ...] = ()
    seconds: float = 0.0
    fit: Fits | None = None


@dataclass
class Made:
    """What a trial is made of: the drawing, the two periods, the run that was cut, the truth."""

    seed: int
    design: DuctDesign
    sides: tuple[Gathered, Gathered]
    where: str
    aim: str
    truth: Truth


def make(
    seed: int, wanteds: Sequence[float], *, minutes: float, runs: int = RUNS, days: int = 2, channels: Sequence[str] = USUAL,
    drag: tuple[float, float] | None = None, gap_days: int = 4, random: bool = False,
) -> Iterator[Made]:
    """One shop before, and after each of some changes (shares of the flow at its first port; 0: none)."""
    drawn, design = random_shop(seed) if random else drawn_barn()
    rng = np.random.default_rng([seed, 9001])
    # Motors differ by more than the estimator's figures are stated for: there a tour measures them, here nobody has.
    shop = as_built(drawn, seed, Spread(idle_share=0.08))
    runs_there = [run.name for run in drawn.runs]
    where = str(rng.choice(runs_there)) if random else ("main", "main", "east main", "bench run")[int(rng.integers(4))]
    ports = [str(name) for name in rng.permutation(drawn.port_names)[:2]]
    clean = shop.bags.clean_drag
    ratios = drag or (float(rng.uniform(1.0, 1.6)), 0.0)
    later = ratios[1] or ratios[0] * float(rng.uniform(0.9, 1.6))
    t0 = START + float(rng.integers(0, 360)) * DAY_S
    scripts = [
        side_script(shop, ports, t0 + k * (days + gap_days) * DAY_S, minutes, runs, days, rng) for k in (0, 1)]

    def side(one: PlantShop, k: int, ratio: float) -> Gathered:
        state = DustState.at(shop.bags, ratio, 0.2)
        return gather(design, blocks_of(one, scripts[k], seed * 10 + k, state, channels, weathers[k]))

    # A saddle or tee takes up to a tenth of a velocity pressure from the run that it is cut into, gate shut or not (common
    # practice, no source): a few per cent of the losses of such a run.
    saddle = float(rng.uniform(0.0, 0.08))
    weathers = [Supply(shop, seed, float(rng.normal(0.0, 0.003))) for _ in (0, 1)]
    before = side(shop, 0, ratios[0])
    for wanted in wanteds:
        steps = size_for(shop, where, ports[0], ratios[0] * clean, wanted, saddle) if wanted else 0.0
        changed = added(shop, where, steps, saddle) if wanted else shop
        after = side(changed, 1, max(later, 1.0))
        yield Made(seed, design, (before, after), where, ports[0], true_changes(shop, changed, ports, ratios[0] * clean))


def compared(made: Made, told: bool = True) -> Case:
    """The comparison of a trial."""
    case = Case(made.seed, made.aim, made.truth)
    began = time.process_time()
    before, after = made.sides
    result = fit(made.design, before.stretches, after.stretches, assumed=Assumed((made.where,)) if told else None)
    case.judged = judge(result)
    case.fit = result
    case.seconds = time.process_time() - began
    return case


@dataclass(frozen=True, slots=True)
class Row:
    """One measure of one trial: the duct's part as told and as it is; ``aim`` where it is the flow that was to change."""

    seed: int
    wanted: float
    measure: str
    where: str
    aim: bool
    truth: float
    told: float
    low: float
    high: float
    sd: float
    claimed: bool


@dataclass(frozen=True, slots=True)
class Job:
    """Trials of one shop: the same two weeks with each of some changes."""

    seed: int
    wanteds: tuple[float, ...]
    minutes: float
    random: bool = False
    air: bool = False
    told: bool = True
    loading: bool = False

    def rows(self) -> list[Row]:
        """Everything that was judged."""
        made = make(
            self.seed, self.wanteds, minutes=self.minutes, channels=SENSED if self.air else USUAL, random=self.random,
            drag=(1.1, 2.0) if self.loading else None)
        return [
            Row(
                self.seed, wanted, change.measure, change.where, change.measure == "flow" and change.where == one.aim,
                truth, change.duct.value, change.duct.low, change.duct.high, change.duct.sd, change.claimed)
            for wanted, one in zip(self.wanteds, made, strict=True)
            for judged in compared(one, self.told).judged for change in judged.changes
            if (truth := one.truth.get((tuple(change.open_ports), change.measure))) is not None]


def _rows(job: Job) -> list[Row]:
    return job.rows()


def line(rows: Sequence[Row], wanted: float, minutes: float) -> str:
    """One line of a table."""
    mine = [row for row in rows if row.wanted == wanted]
    flows = [row for row in mine if row.measure == "flow"]
    trials = {row.seed for row in mine}
    error = np.array([row.told - row.truth for row in flows])
    inside = float(np.mean([row.low <= row.truth <= row.high for row in flows]))
    sure = 1.96 * math.sqrt(max(inside * (1.0 - inside), 1e-4) / len(trials))
    if wanted == 0.0:
        claims = len({row.seed for row in mine if row.claimed}) / len(trials)
    else:
        claims = len({row.seed for row in mine if row.claimed and row.aim}) / len(trials)
    size = float(np.sqrt(np.mean([row.sd**2 for row in flows])))
    return (
        f"{100 * wanted:7.0f} % {minutes:8.0f} {len(trials):7d} {100 * error.mean():+7.2f} % {100 * error.std():7.2f} % "
        f"{100 * size:7.2f} % {100 * inside:7.1f} ± {100 * sure:3.1f} % {100 * claims:7.1f} %")


HEAD = (
    f"{'change':>9s} {'minutes':>8s} {'trials':>7s} {'bias':>9s} {'error':>9s} {'told sd':>9s} "
    f"{'in 95 %':>15s} {'claimed':>9s}")


def table(
    words: str, jobs: Iterable[Job], gather_rows: Callable[[Iterable[Job]], Iterable[list[Row]]], out: Path | None
) -> None:
    """Error, coverage and claims over the trials of some jobs."""
    told = list(jobs)
    first = told[0]
    began = time.monotonic()
    rows = []
    for part in gather_rows(told):
        rows += part
        if out is not None:
            with out.open("a", encoding="utf-8") as file:
                for row in part:
                    file.write(json.dumps({"table": words, "minutes": first.minutes, **asdict(row)}) + "\n")
    print(f"\n{words}: {len(told)} shops, seeds {told[0].seed} to {told[-1].seed} ({time.monotonic() - began:.0f} s)")
    print(HEAD)
    for wanted in first.wanteds:
        print(line(rows, wanted, first.minutes), flush=True)


TABLES = {
    "barn": ("the barn, three channels", {}),
    "random": ("random shops, three channels", {"random": True}),
    "barn-air": ("the barn, air and voltage measured", {"air": True}),
    "random-air": ("random shops, air and voltage measured", {"random": True, "air": True}),
    "loading": ("the barn, three channels, the bags load from 1.1 to 2 times clean between", {"loading": True}),
    "untold": ("the barn, three channels, nobody said which run was cut", {"told": False}),
}


def from_files(paths: Sequence[Path]) -> None:
    """The tables again from what ``--out`` kept, also of several or unfinished runs."""
    found: dict[tuple[str, float], list[Row]] = {}
    for path in paths:
        for text in path.read_text(encoding="utf-8").splitlines():
            kept = json.loads(text)
            found.setdefault((kept.pop("table"), kept.pop("minutes")), []).append(Row(**kept))
    for (words, minutes), rows in found.items():
        seeds = {row.seed for row in rows}
        print(f"\n{words}: {len(seeds)} shops, seeds {min(seeds)} to {max(seeds)}")
        print(HEAD)
        for wanted in sorted({row.wanted for row in rows}, reverse=True):
            print(line(rows, wanted, minutes))


def main() -> None:
    """Print the tables. The constants of the comparison were set on seeds below 101; ``--first`` should be above."""
    options = argparse.ArgumentParser()
    options.add_argument("--trials", type=int, default=16, help="shops for each table")
    options.add_argument("--first", type=int, default=101, help="first seed")
    options.add_argument("--jobs", type=int, default=1, help="processes")
    options.add_argument("--tables", nargs="*", choices=sorted(TABLES), default=list(TABLES))
    options.add_argument("--minutes", type=float, nargs="*", default=[20.0, 60.0], help="running minutes at each port a side")
    options.add_argument("--changes", type=float, nargs="*", default=[0.0, -0.03, -0.08], help="shares of a port's flow")
    options.add_argument("--out", type=Path, help="append every judged measure to this file of JSON lines")
    options.add_argument("--again", type=Path, nargs="+", help="only print the tables from such files")
    given = options.parse_args()
    if given.again:
        from_files(given.again)
        return
    seeds = range(given.first, given.first + given.trials)
    wanteds = tuple(given.changes)
    print("claimed: share of trials in which any change is claimed (change 0), or that of the port it was sized for")
    with ProcessPoolExecutor(max_workers=given.jobs) as pool:

        def spread(jobs: Iterable[Job]) -> Iterable[list[Row]]:
            return map(_rows, jobs) if given.jobs == 1 else pool.map(_rows, jobs, chunksize=4)

        for name in given.tables:
            words, settings = TABLES[name]
            for minutes in given.minutes:
                table(words, [Job(seed, wanteds, minutes, **settings) for seed in seeds], spread, given.out)


if __name__ == "__main__":
    main()
