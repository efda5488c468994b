"""The solver against EPANET (the open hydraulic toolkit, through wntr) on the same trees with the same coefficients.

EPANET uses Swamee and Jain's friction factor, which lies up to 1 % off Colebrook; that and its piecewise linear pump curve
are why 0.5 % is asked for and not less.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analysis.air import moist_air
from analysis.duct.design import DuctDesign
from analysis.duct.friction import friction_factor_scalar
from analysis.duct.solve import solve
from tests.analysis.duct.epanet_twin import GRAVITY, Twin
from tests.analysis.duct.shops import chair_barn, random_shop, thirteen_ports, with_stated_joins

pytestmark = pytest.mark.slow

AGREED = 0.005
SETS = (
    (), ("port 0",), ("port 12",), ("port 3", "port 9"), ("port 1", "port 5", "port 8"),
    ("port 0", "port 2", "port 4", "port 6", "port 10"), tuple(f"port {number}" for number in range(13)),
)


def compared(
    design: DuctDesign, folder: Path, opened: tuple[str, ...], settled: dict[str, tuple[float, float]] | None = None
) -> Iterator[tuple[str, float, float]]:
    """Name, our flow and EPANET's, for every run and port."""
    twin = Twin(design, folder, accuracy=1e-7, settled=settled)
    try:
        twin.gates(opened)
        twin.run()
        theirs = twin.flows()
    finally:
        twin.close()
    point = solve(design, opened)
    for name, state in {**point.runs, **point.ports}.items():
        yield name, state.flow_m3s, theirs[name]


@pytest.mark.parametrize("opened", SETS, ids=len)
def test_thirteen_ports_with_stated_junction_losses(opened: tuple[str, ...], tmp_path: Path) -> None:
    rows = list(compared(thirteen_ports("stated"), tmp_path, opened))
    assert len(rows) == 24
    for name, ours, theirs in rows:
        assert ours == pytest.approx(theirs, rel=AGREED), name


@pytest.mark.parametrize("opened", SETS, ids=len)
def test_thirteen_ports_with_junction_losses_that_depend_on_the_flows(opened: tuple[str, ...], tmp_path: Path) -> None:
    """EPANET has no such junctions: it is given the coefficients that ours have come to, and must find the same flows.
    """
    design = thirteen_ports()
    point = solve(design, opened)
    nu = design.air.viscosity_pas / design.air.density_kgm3
    settled = {}
    for run in design.runs:
        state = point.runs[run.name]
        factor = friction_factor_scalar(state.velocity_ms * run.diameter_m / nu, run.roughness_m / run.diameter_m)
        head = state.total_pa + (factor * run.length_m / run.diameter_m + run.fittings_k) * state.velocity_pa
        for piece in (*design.runs, *design.ports):
            if piece.into == run.name:
                end = point.runs.get(piece.name) or point.ports[piece.name]
                settled[piece.name] = (end.flow_m3s, (end.total_pa - head) / point.density_kgm3 / GRAVITY)
    assert any(head < 0.0 for _, head in settled.values())
    for name, ours, theirs in compared(design, tmp_path, opened, settled):
        assert ours == pytest.approx(theirs, rel=AGREED), name


@pytest.mark.parametrize("seed", [2, 5, 11, 23, 31])
def test_random_shops(seed: int, tmp_path: Path) -> None:
    design = with_stated_joins(random_shop(seed), 0.3)
    design = replace(design, runs=tuple(replace(run, leak_m2=0.0) for run in design.runs))
    rng = np.random.default_rng(seed)
    opened = tuple(name for name in design.port_names if rng.random() < 0.6)
    rows = list(compared(design, tmp_path, opened))
    main = rows[0][1]
    for name, ours, theirs in rows:
        assert ours == pytest.approx(theirs, rel=AGREED, abs=1e-4 * main), name


def test_cold_air_on_a_mountain(tmp_path: Path) -> None:
    design = with_stated_joins(chair_barn(moist_air(-10.0, 70e3)), 0.3)
    for name, ours, theirs in compared(design, tmp_path, ("planer", "lathe")):
        assert ours == pytest.approx(theirs, rel=AGREED), name
