"""How fast the duct engine solves, against EPANET on the same tree in the same run.

Both solve every gate set of twelve gates (4,096) of a shop with thirteen ports: ours as one batch, EPANET with its
network kept open, one minor loss changed per gate set (Gray code) and no results read but the fan's flow. EPANET runs
at an accuracy of 1e-6; our worst difference from the tightest solution that we can make is printed beside it.
"""

from __future__ import annotations

import gc
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from analysis.duct import single
from analysis.duct.design import DuctDesign
from analysis.duct.solve import solve, solve_many
from tests.analysis.duct.epanet_twin import Twin
from tests.analysis.duct.shops import thirteen_ports

GATES = 12
SETS = 2**GATES


def gray_code() -> np.ndarray:
    """All settings of the gates, one gate changing from each to the next; the thirteenth port stays open."""
    number = np.arange(SETS)
    code = number ^ (number >> 1)
    gates = np.ones((SETS, GATES + 1), dtype=bool)
    for gate in range(GATES):
        gates[:, gate] = (code >> gate & 1) == 1
    return gates


def best_of(times: int, work: Callable[[], object]) -> tuple[float, float]:
    """Best and median processor time [s] of ``times`` runs: other work on the machine shall not count."""
    taken = []
    for _ in range(times):
        gc.collect()
        begin = time.process_time()
        work()
        taken.append(time.process_time() - begin)
    return min(taken), statistics.median(taken)


def epanet_pass(twin: Twin, gates: np.ndarray, flows: np.ndarray) -> None:
    """One pass of EPANET over all gate sets."""
    names = twin.design.port_names
    twin.gates(name for name, is_open in zip(names, gates[0], strict=True) if is_open)
    changed = np.argmax(gates[1:] != gates[:-1], axis=1).tolist()
    for index in range(len(gates)):
        if index:
            port = changed[index - 1]
            twin.gate(names[port], bool(gates[index, port]))
        twin.run()
        flows[index] = twin.fan_flow()


def tightest(design: DuctDesign, gates: np.ndarray, every: int) -> np.ndarray:
    """Port flows of every so many gate sets, solved singly to machine precision."""
    kept, single.STEP_TOLERANCE = single.STEP_TOLERANCE, 1e-11
    try:
        rows = []
        for row in gates[::every]:
            opened = [name for name, is_open in zip(design.port_names, row, strict=True) if is_open]
            rows.append([state.flow_m3s for state in solve(design, opened).ports.values()])
        return np.array(rows)
    finally:
        single.STEP_TOLERANCE = kept


def measure() -> dict[str, float]:
    """All figures of the benchmark; processor times in milliseconds."""
    gates = gray_code()
    stated, real = thirteen_ports("stated"), thirteen_ports()
    for design in (stated, real):
        solve_many(design, gates)
        solve(design, ["port 1"])
    batch, batch_median = best_of(15, lambda: solve_many(stated, gates))
    batch_real, batch_real_median = best_of(15, lambda: solve_many(real, gates))
    names = real.port_names
    some = [[name for name, is_open in zip(names, row, strict=True) if is_open] for row in gates[:: SETS // 256]]
    one, one_median = best_of(7, lambda: [solve(real, opened) for opened in some])
    flows = np.empty(SETS)
    with tempfile.TemporaryDirectory() as folder:
        twin = Twin(stated, Path(folder), accuracy=1e-6)
        try:
            epanet, epanet_median = best_of(5, lambda: epanet_pass(twin, gates, flows))
        finally:
            twin.close()
    ours = solve_many(stated, gates)
    found = solve_many(real, gates).port_flow_m3s[::64]
    return {
        "gate sets": SETS,
        "EPANET, best ms": epanet * 1e3,
        "EPANET, median ms": epanet_median * 1e3,
        "batch, stated junction losses, best ms": batch * 1e3,
        "batch, stated junction losses, median ms": batch_median * 1e3,
        "batch, flow-dependent junction losses, best ms": batch_real * 1e3,
        "batch, flow-dependent junction losses, median ms": batch_real_median * 1e3,
        "ratio to EPANET, stated (best over best)": epanet / batch,
        "ratio to EPANET, flow-dependent (best over best)": epanet / batch_real,
        "one solve, best ms": one / len(some) * 1e3,
        "one solve, median ms": one_median / len(some) * 1e3,
        "worst difference of total flow from EPANET, %": float(np.max(np.abs(flows / ours.flow_m3s - 1.0))) * 100,
        "worst relative error of a port's flow in the batch": float(
            np.max(np.abs(found / tightest(real, gates, 64) - 1.0))
        ),
    }


def main() -> None:
    """Print the figures."""
    for name, value in measure().items():
        print(f"{name:55s} {value:12.4g}")


if __name__ == "__main__":
    main()
