"""Ten thousand random shops, eight gate sets each: does the engine answer, and do its two solvers agree?

Half are ordinary trees, half lazy drawings with up to 24 ports at one place on a main that is often too small. Told are the
shops that raise an error, the gate sets in which batch and single answers differ, and those in which air blows out of an
open port: the single solver must have a remark on each of these.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import numpy as np

from analysis.duct.design import DuctDesign
from analysis.duct.single import SolveError
from analysis.duct.solve import solve, solve_many
from tests.analysis.duct.shops import crowded_shop, random_shop

SHOPS = 10_000
SETS = 8
AGREED = 1e-5
"""Of the fan's flow."""


def measure(shops: int, make: Callable[[int], DuctDesign]) -> dict[str, float]:
    """Figures over ``shops`` shops; one gate set of each is solved singly too, and every one that blows back."""
    errors = differ = blowing = untold = steps = 0
    worst = 0.0
    for seed in range(shops):
        design = make(seed)
        rng = np.random.default_rng(seed)
        gates = rng.random((SETS, len(design.ports))) < rng.random((SETS, 1))
        gates[0], gates[1] = True, False
        try:
            found = solve_many(design, gates)
            back = np.nonzero((found.gates & (found.port_flow_m3s < 0.0)).any(axis=1))[0].tolist()
            steps = max(steps, found.steps)
            blowing += len(back)
            for index in {seed % SETS, *back}:
                point = solve(design, found.open_ports(index))
                flows = np.array([port.flow_m3s for port in point.ports.values()])
                off = float(np.max(np.abs(flows - found.port_flow_m3s[index]))) / point.flow_m3s
                worst, differ = max(worst, off), differ + (off > AGREED)
                told = {remark.where for remark in point.remarks if remark.kind == "blows_back"}
                blown = {name for name in point.open_ports if point.ports[name].flow_m3s < 0.0}
                untold += not blown <= told
        except SolveError:
            errors += 1
    return {
        "shops": shops, "gate sets": shops * SETS, "shops with an error": errors,
        "gate sets where batch and single differ": differ, "worst difference, of the fan's flow": worst,
        "gate sets with air blowing out of an open port": blowing, "of these without a remark": untold,
        "most Newton steps": steps,
    }


def main() -> None:
    """Print the figures; a number on the command line is the number of shops."""
    shops = int(sys.argv[1]) if len(sys.argv) > 1 else SHOPS
    for name, make in (("ordinary trees", random_shop), ("lazy drawings", crowded_shop)):
        begin = time.perf_counter()
        print(name)
        for what, value in measure(shops // 2, make).items():
            print(f"  {what:50s} {value:12.4g}")
        print(f"  {'seconds':50s} {time.perf_counter() - begin:12.4g}")


if __name__ == "__main__":
    main()
