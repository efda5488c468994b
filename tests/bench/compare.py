"""How right is the comparison of an added run? ``python -m tests.bench.compare [--trials N] [--way WAY ...] [--seed N]``

Shops and plants are those of :mod:`tests.ground`, which shares nothing with the engine. Printed for each way of knowing the
gates and each set of sensors: error of the air at a port, how many 95 % intervals hold the truth, how often a change is
claimed that is none (pairs without an added run) or with the wrong sign, and the change that is found in 9 of 10 pairs.
Ways: ``check`` (gates known in two guided checks only), ``gates`` (switches on all gates, ``--days`` days a side),
``ordinary`` (gates unknown). Truth and products meet here only.
"""

from __future__ import annotations

import argparse
import time
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from analysis.compare.answer import Answer, answer
from analysis.compare.steady import reduce
from daemon.comparing.periods import frames_of
from daemon.config.load import parse
from daemon.sources.contract import Sample
from tests.ground import added
from tests.ground.shops import FAMILIES

SENSORS = {
    "three": {"inlet_pa", "filter_pa", "motor_a"},
    "three, air and line": {"inlet_pa", "filter_pa", "motor_a", "air_c", "barometer_pa", "line_v"},
    "two pressures": {"inlet_pa", "filter_pa"},
}
OF = {"flow": "port_flow_m3s", "inlet": "inlet_static_pa", "velocity": "main_velocity_ms"}


@dataclass(frozen=True)
class Trial:
    """One port of one pair: what was true and what was said, in per cent."""

    pair: int
    added: bool
    measure: str
    true: float
    value: float
    low: float
    high: float
    filter_true: float
    filter_low: float
    filter_high: float
    claimed: bool
    hours: float


def play(family: str, seed: int, way: str, days: int, sensors: set[str], is_added: bool, loads: bool) -> tuple[Answer, dict]:
    """One pair of periods through the product."""
    pair = added.pair(
        family, seed, days=1 if way == "check" else days, tour_before=way == "check", tour_after=way == "check", loads=loads,
        added=is_added, air="air_c" in sensors)
    config = parse(pair.toml, Path("shop.toml"))
    sides = []
    for recording in (pair.before, pair.after):
        high = recording.tour_until if way == "check" else float("inf")
        samples = (
            Sample("board", t, {n: v for n, v in values.items() if n in sensors}, gates)
            for t, values, gates in recording.samples(way != "ordinary", high=high))
        sides.append(reduce(config.design, frames_of(config, samples)))
    return answer(config.design, sides[0], sides[1]), pair.truth


def main() -> None:
    """Play and print."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--trials", type=int, default=40, help="pairs for each way and set of sensors")
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--days", type=int, default=3)
    options.add_argument("--way", nargs="*", default=["check", "gates", "ordinary"])
    options.add_argument("--sensors", nargs="*", default=list(SENSORS))
    options.add_argument("--family", nargs="*", default=["bench", "choose"], choices=FAMILIES)
    given = options.parse_args()
    for way in given.way:
        for name in given.sensors:
            rows: list[Trial] = []
            silent = failed = 0
            began = time.process_time()
            for k in range(given.trials):
                is_added, loads = k % 4 != 3, k % 2 == 1
                family = given.family[k % len(given.family)]
                try:
                    told, truth = play(family, given.seed + k, way, given.days, SENSORS[name], is_added, loads)
                except Exception as error:  # a traceback is a result, and the worst one
                    failed += 1
                    print(f"FAILED {family} {given.seed + k}: {type(error).__name__} {error}")
                    continue
                if not told.known:
                    silent += 1
                    continue
                for change in told.changes:
                    if len(change.open_ports) != 1:
                        continue
                    true = truth[change.open_ports[0]][OF[change.measure]]
                    duct, bags = change.duct, change.filter
                    rows.append(Trial(
                        k, is_added, change.measure, true["run_pct"], *(100 * v for v in (duct.value, duct.low, duct.high)),
                        true["filter_pct"], 100 * bags.low, 100 * bags.high,
                        change.measure == "flow" and told.verdict != "unclear" and change.where in told.claimed,
                        sum(told.hours)))
            seconds = (time.process_time() - began) / max(given.trials, 1)
            hours = np.mean([r.hours for r in rows]) if rows else 0.0
            print(f"{way}, {name}: {given.trials} pairs, {silent} cannot tell, {failed} failed, {hours:.1f} h used,"
                  f" {seconds:.1f} s a pair")
            report(rows)


def report(rows: list[Trial]) -> None:
    """The table of one way."""
    if not rows:
        return
    for measure in OF:
        mine = [r for r in rows if r.measure == measure]
        error = np.array([r.value - r.true for r in mine])
        held = np.mean([r.low <= r.true <= r.high for r in mine])
        bags = np.mean([r.filter_low <= r.filter_true <= r.filter_high for r in mine])
        half = np.mean([0.5 * (r.high - r.low) for r in mine])
        print(f"  {measure:9s} rms {np.sqrt((error**2).mean()):5.2f} points, interval +-{half:4.1f} holds {100 * held:3.0f} %"
              f" of {len(mine)}; the filter's {100 * bags:3.0f} %")
    flows = [r for r in rows if r.measure == "flow"]
    by_pair: dict[int, list[Trial]] = defaultdict(list)
    for r in flows:
        by_pair[r.pair].append(r)
    wrong = sum(any(r.claimed and (not r.added or r.true * r.value < 0) for r in own) for own in by_pair.values())
    none = sum(not own[0].added for own in by_pair.values())
    print(f"  false claims: {wrong} of {len(by_pair)} pairs ({none} of them without a change)")
    found = [r for r in flows if r.added]
    for edge in (0.25, 0.5, 1.0, 1.5, 2.0, 3.0, 5.0, 8.0):
        big = [r for r in found if abs(r.true) >= edge]
        if big and np.mean([r.claimed for r in big]) >= 0.9:
            print(f"  found in 9 of 10: changes from {edge} % on ({len(big)} ports)")
            break
    else:
        print("  found in 9 of 10: none")


if __name__ == "__main__":
    main()
