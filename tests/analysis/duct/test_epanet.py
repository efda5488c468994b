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
from analysis.duct.design import DuctDesign, Join, Run
from analysis.duct.friction import friction_factor_scalar
from analysis.duct.solve import solve, solve_many
from tests.analysis.duct.epanet_twin import GRAVITY, Twin
from tests.analysis.duct.momentum import Stream, losses
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


def heads_at_junctions(design: DuctDesign, opened: tuple[str, ...]) -> dict[str, tuple[float, float]]:
    """By piece its flow and the head that its junction loses at it, from our own answer."""
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
    return settled


@pytest.mark.parametrize("opened", SETS, ids=len)
def test_thirteen_ports_with_junction_losses_that_depend_on_the_flows(opened: tuple[str, ...], tmp_path: Path) -> None:
    """EPANET has no such junctions: it is given the coefficients that ours have come to, and must find the same flows.
    """
    settled = heads_at_junctions(thirteen_ports(), opened)
    assert any(head < 0.0 for _, head in settled.values())
    for name, ours, theirs in compared(thirteen_ports(), tmp_path, opened, settled):
        assert ours == pytest.approx(theirs, rel=AGREED), name


@pytest.mark.parametrize("opened", [("p0",), ("p0", "p2"), ("p1", "p3", "p4"), ("p0", "p1", "p2", "p3", "p4", "p5")], ids=len)
def test_six_streams_at_one_place(opened: tuple[str, ...], tmp_path: Path) -> None:
    """Two trunks and four ports flow into one run, two more ports further out; each junction's loss must be that of the
    momentum balance (see ``momentum``) at the flows that EPANET finds with it."""
    joins = (Join.straight(), Join.wye(45.0), Join.wye(30.0), Join.tee(), Join.wye(60.0), Join.wye(45.0))
    ports = tuple(
        replace(thirteen_ports().ports[i], name=f"p{i}", into="main" if 0 < i < 5 else "far", join=join)
        for i, join in enumerate(joins)
    )
    main = Run("main", "fan", 0.2, 3e-5, 6.0, 0.4)
    design = replace(thirteen_ports(), runs=(main, Run("far", "main", 0.15, 3e-5, 3.0, 0.2)), ports=ports)
    settled = heads_at_junctions(design, opened)
    rows = {name: theirs for name, ours, theirs in compared(design, tmp_path, opened, settled)}
    for name, ours, theirs in compared(design, tmp_path, opened, settled):
        assert ours == pytest.approx(theirs, rel=AGREED), name
    for run in design.runs:
        met = [piece for piece in (*design.runs, *ports) if piece.into == run.name]
        streams = [Stream(rows[p.name] / rows[run.name], p.area_m2 / run.area_m2, p.join.angle_deg) for p in met]
        for piece, k in zip(met, losses(streams), strict=True):
            head = k * (rows[run.name] / run.area_m2) ** 2 / 2.0 / GRAVITY
            most = max(abs(settled[other.name][1]) for other in met)
            assert settled[piece.name][1] == pytest.approx(head, abs=0.01 * most), piece.name


@pytest.mark.parametrize("before", [False, True], ids=["bags after", "bags before"])
@pytest.mark.parametrize("opened", [("planer",), ("lathe", "bandsaw"), ()], ids=len)
def test_pieces_after_the_fan(opened: tuple[str, ...], before: bool, tmp_path: Path) -> None:
    """An outlet adaptor with bends, a wider duct and a longer one behind it, to bags on either side of the fan."""
    shop = with_stated_joins(chair_barn(), 0.3)
    design = replace(
        shop, filter=replace(shop.filter, before_fan=before),
        discharge=(
            Run("a", "-", 0.15, 9e-5, 0.6, 0.5), Run("b", "-", 0.175, 9e-5, 8.0, 0.9), Run("c", "-", 0.2, 3e-3, 2.0, 2.4)
        ),
    )
    for name, ours, theirs in compared(design, tmp_path, opened):
        assert ours == pytest.approx(theirs, rel=AGREED), name
    with_it, without = solve(design, opened), solve(shop, opened)
    assert with_it.flow_m3s < without.flow_m3s
    assert with_it.filter_pa == pytest.approx(shop.filter.clean_drag_pasm3 * with_it.flow_m3s)
    many = solve_many(design, np.array([[name in opened for name in design.port_names]]))
    assert many.flow_m3s[0] == pytest.approx(with_it.flow_m3s, rel=1e-6)
    assert many.inlet_pa[0] == pytest.approx(with_it.inlet_pa, rel=1e-6)
    drop = with_it.runs["main"].static_pa - with_it.inlet_pa
    assert drop == pytest.approx(with_it.filter_pa if before else 0.0, abs=1e-6)


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
