"""The plant is drawn from the same numbers as the demonstration's configuration, and shares nothing but numbers."""

from __future__ import annotations

import ast
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import analysis.plant
from analysis.duct.design import DuctDesign, FlowAtPressure, Join
from analysis.duct.separator import Separator
from analysis.duct.solve import every_gate_set, solve_many
from analysis.plant.convert import from_design
from analysis.plant.day import steady
from analysis.plant.network import Network
from analysis.plant.shop import REFERENCE_DENSITY
from analysis.plant.simulate import simulate
from daemon.config.load import load
from tests.support.barn import barn

DEMO = Path(__file__).parents[3] / "daemon" / "demo" / "chair-barn.toml"


@pytest.fixture(scope="module")
def design() -> DuctDesign:
    return load(DEMO).design


def test_barn_and_configuration_are_one_shop(design: DuctDesign) -> None:
    drawn, ours = from_design(design), barn()
    for a, b in zip(
        [*drawn.runs, *(p.pipe for p in drawn.ports)], [*ours.runs, *(p.pipe for p in ours.ports)], strict=True
    ):
        assert (a.name, a.into, a.angle_deg) == (b.name, b.into, b.angle_deg)
        assert a.diameter_m == pytest.approx(b.diameter_m)
        assert a.length_m == pytest.approx(b.length_m)
        assert a.roughness_m == pytest.approx(b.roughness_m)
    for a, b in zip(drawn.ports, ours.ports, strict=True):
        assert a.entry_k == pytest.approx(b.entry_k, rel=0.07)
        assert (a.hose_length_m, a.hose_diameter_m) == pytest.approx((b.hose_length_m, b.hose_diameter_m))
    assert drawn.fan.static_pa == pytest.approx(ours.fan.static_pa)
    assert drawn.fan.power_w == pytest.approx(ours.fan.power_w)
    assert drawn.motor == ours.motor
    assert drawn.bags.clean_drag == pytest.approx(ours.bags.clean_drag)
    assert drawn.bags.area_m2 == pytest.approx(ours.bags.area_m2)


def test_what_a_drawing_states_in_other_ways_is_understood(design: DuctDesign) -> None:
    """An opening by flow at suction (Bernoulli by hand), a shut gate by its leak, no gate, a separator, no motor."""
    bandsaw = next(port for port in design.ports if port.name == "bandsaw")
    assert bandsaw.hose is not None
    odd = replace(
        bandsaw, entry_flow=FlowAtPressure(0.15, 600.0, 1.2), leak_flow=FlowAtPressure(0.002, 500.0, 1.2),
        join=Join("stated", 0.0, 0.28),
    )
    lathe = replace(next(port for port in design.ports if port.name == "lathe"), gate_k=None)
    others = tuple(port for port in design.ports if port.name in ("planer", "shaving horse"))
    shop = from_design(
        replace(design, ports=(odd, lathe, *others), separator=Separator(250.0, 0.3, 1.2), motor=None)
    )
    port = shop.port("bandsaw")
    speed = 0.15 / (math.pi / 4.0 * bandsaw.hose.diameter_m**2)
    in_hose = port.entry_k * (bandsaw.hose.diameter_m / bandsaw.diameter_m) ** 4
    assert (1.0 + in_hose) * 0.6 * speed**2 == pytest.approx(600.0)
    assert port.gate_leak_m2 * math.sqrt(2.0 * 500.0 / 1.2) == pytest.approx(0.002)
    assert port.pipe.fittings_k == pytest.approx(bandsaw.fittings_k + 0.28)
    assert shop.separator_pa_s2m6 * 0.3**2 == pytest.approx(250.0)
    assert shop.motor.power_w > max(shop.fan.power_w)
    assert shop.always_open == shop.mask(["lathe"])
    block = next(b for b in simulate(shop, steady(["planer"], 1_772_452_800.0, 60.0), 1) if b.truth.fan.any())
    assert block.truth.gates[50].tolist() == [False, True, True, False]


def test_two_models_of_one_drawing_agree_to_a_few_percent(design: DuctDesign) -> None:
    """Plant and engine, written apart with different loss laws, on the same drawing: each vouches for the other."""
    gates = every_gate_set(design)
    engine = solve_many(design, gates)
    thick = design.air.density_kgm3 / REFERENCE_DENSITY
    shop = from_design(design)
    plant = Network(shop).solve(gates.astype(float), np.full(len(gates), shop.bags.clean_drag / thick))
    some_open = gates.any(axis=1)
    assert plant.flow_m3s[some_open] == pytest.approx(engine.flow_m3s[some_open], rel=0.04)
    assert plant.inlet_static_pa * thick == pytest.approx(engine.inlet_pa, rel=0.05)


def test_no_physics_of_the_engine_is_imported() -> None:
    for path in Path(analysis.plant.__file__).parent.glob("*.py"):
        tree = ast.parse(path.read_text())
        only_types = {
            id(node)
            for branch in ast.walk(tree)
            if isinstance(branch, ast.If) and ast.unparse(branch.test) == "TYPE_CHECKING"
            for node in ast.walk(branch)
        }
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom) and id(node) not in only_types:
                assert node.module is None or not node.module.startswith(("analysis.duct", "analysis.air")), path.name
            if isinstance(node, ast.Import):
                assert all(not name.name.startswith(("fluids", "analysis.duct")) for name in node.names), path.name
