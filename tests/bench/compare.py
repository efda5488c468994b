"""How right is the comparison of an added run? ``python -m tests.bench.compare LOG [--trials N] [--way WAY] [--seed N] ...``

Shops and plants are those of :mod:`tests.ground`, which shares nothing with the engine. Each pair adds a line to the file
LOG, those already in it are not played again, and ``--trials 0`` only reports what it holds. Reported by way of knowing
the gates, set of sensors, days and family: error of the change at a port, how many 95 % intervals hold the truth, claims of
a change where none was made or with the wrong sign, and the change that is found in 9 of 10 pairs. Ways: ``check`` (gates
known in two guided checks only), ``gates`` (switches on all gates), ``ordinary`` (gates unknown). Truth and product meet
here only.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable, Iterator
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np

from analysis.compare.answer import answer
from analysis.compare.steady import reduce
from daemon.comparing.periods import frames_of
from daemon.config.load import parse
from daemon.sources.contract import Sample
from tests.ground import added
from tests.ground.shops import FAMILIES

THREE = {"inlet_pa", "filter_pa", "motor_a"}
SENSORS = {"three": THREE, "air": THREE | {"air_c", "barometer_pa", "line_v"}, "two": {"inlet_pa", "filter_pa"}}
"""Sets of sensors: two pressures and the current, these with the air's and the line's, the pressures alone."""
OF = {"flow": "port_flow_m3s", "inlet": "inlet_static_pa", "velocity": "main_velocity_ms"}
Row = dict[str, Any]


def play(family: str, seed: int, way: str, days: int, sensors: str) -> Row:
    """One pair of periods through the product. One seed in four adds no run, every other one loads the bags in between."""
    is_added, loads, check = seed % 4 != 3, seed % 2 == 1, way == "check"
    pair = added.pair(
        family, seed, days=1 if check else days, tour_before=check, tour_after=check, loads=loads, added=is_added,
        air=sensors == "air")
    config = parse(pair.toml, Path("shop.toml"))
    sides = []
    for recording in (pair.before, pair.after):
        samples = (
            Sample("board", t, {n: v for n, v in values.items() if n in SENSORS[sensors]}, gates)
            for t, values, gates in recording.samples(way != "ordinary", high=recording.tour_until if check else np.inf))
        sides.append(reduce(config.design, frames_of(config, samples)))
    began = time.process_time()
    told = answer(config.design, sides[0], sides[1])
    ports = []
    for change in told.changes:
        if len(change.open_ports) == 1:
            true = pair.truth[change.open_ports[0]][OF[change.measure]]
            ports.append({
                "measure": change.measure, "true": true["run_pct"], "filter_true": true["filter_pct"],
                "said": [100 * v for v in (change.duct.value, change.duct.low, change.duct.high)],
                "filter": [100 * v for v in (change.filter.value, change.filter.low, change.filter.high)],
                "claimed": change.measure == "flow" and change.where in told.claimed})
    return {
        "way": way, "sensors": sensors, "days": 0 if check else days, "family": family, "seed": seed, "added": is_added,
        "verdict": told.verdict, "line": told.lines[0], "hours": list(told.hours), "seconds": time.process_time() - began,
        "ports": ports}


def tables(rows: list[Row]) -> Iterator[str]:
    """The report, a line at a time."""
    by: list[Callable[[Row], tuple[Any, ...]]] = [
        lambda r: (r["way"], r["sensors"], r["days"]), lambda r: (r["way"], r["sensors"], r["days"], r["family"])]
    for key in by:
        for name, found in groupby(sorted(rows, key=key), key):
            mine = list(found)
            known = [r for r in mine if r["ports"]]
            seconds = np.mean([r["seconds"] for r in mine])
            hours = np.mean([sum(r["hours"]) for r in known]) if known else 0.0
            yield (
                f"{' '.join(map(str, name))}: {len(mine)} pairs, {len(mine) - len(known)} cannot tell, {hours:.1f} h used,"
                f" {seconds:.1f} s each")
            if not known:
                continue
            for measure in OF:
                ports = [p for r in known for p in r["ports"] if p["measure"] == measure]
                error = np.array([p["said"][0] - p["true"] for p in ports])
                held = np.mean([p["said"][1] <= p["true"] <= p["said"][2] for p in ports])
                bags = np.mean([p["filter"][1] <= p["filter_true"] <= p["filter"][2] for p in ports])
                half, rms = np.mean([0.5 * (p["said"][2] - p["said"][1]) for p in ports]), np.sqrt((error**2).mean())
                yield (
                    f"  {measure:9s} rms {rms:5.2f} points, interval +-{half:4.1f} holds {100 * held:3.0f} %"
                    f" of {len(ports)}; the filter's {100 * bags:3.0f} %")
            none = sum(not r["added"] for r in known)
            wrong = sum(
                any(p["claimed"] and (not r["added"] or p["true"] * p["said"][0] < 0) for p in r["ports"]) for r in known)
            yield f"  false claims in {wrong} of {len(known)} pairs ({none} of them without a change); {_found(known)}"


def _found(known: list[Row]) -> str:
    flows = [p for r in known if r["added"] for p in r["ports"] if p["measure"] == "flow"]
    told = [f"{sum(p['claimed'] for p in flows if abs(p['true']) >= 1.5)} of {sum(abs(p['true']) >= 1.5 for p in flows)}"
            " from 1.5 % on found"]
    for edge in (0.25, 0.5, 1.0, 1.5, 2.0, 3.0, 5.0, 8.0):
        big = [p["claimed"] for p in flows if abs(p["true"]) >= edge]
        if big and np.mean(big) >= 0.9:
            return f"{told[0]}; 9 of 10 from {edge} % on ({len(big)} ports)"
    return f"{told[0]}; no size found in 9 of 10"


def main() -> None:
    """Play what is not in the log yet, and report."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("log", type=Path)
    options.add_argument("--trials", type=int, default=40)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--days", type=int, default=3, help="days a side, where gates are not only known in checks")
    options.add_argument("--way", default="check", choices=("check", "gates", "ordinary"))
    options.add_argument("--sensors", default="three", choices=SENSORS)
    options.add_argument("--family", nargs="*", default=["bench", "choose", "sealed"], choices=FAMILIES)
    given = options.parse_args()
    rows: list[Row] = [json.loads(line) for line in given.log.read_text().splitlines()] if given.log.exists() else []
    done = {(r["way"], r["sensors"], r["days"], r["family"], r["seed"]) for r in rows}
    with given.log.open("a") as log:
        for k in range(given.trials):
            # Every family meets every seed modulo four.
            family = given.family[(k + k // 4) % len(given.family)]
            days = 0 if given.way == "check" else given.days
            if (given.way, given.sensors, days, family, given.seed + k) in done:
                continue
            try:
                rows.append(play(family, given.seed + k, given.way, given.days, given.sensors))
            except Exception as error:  # a traceback is a result, and the worst one
                print(f"FAILED {given.way} {given.sensors} {family} {given.seed + k}: {type(error).__name__} {error}", flush=True)
                continue
            log.write(json.dumps(rows[-1]) + "\n")
            log.flush()
    print(*tables(rows), sep="\n")


if __name__ == "__main__":
    main()
