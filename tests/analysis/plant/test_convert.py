"""The plant is drawn from the same numbers as the demonstration's configuration, and shares nothing but numbers."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest

import analysis.plant
from analysis.duct.design import DuctDesign
from analysis.duct.solve import every_gate_set, solve_many
from analysis.plant.barn import barn
from analysis.plant.convert import from_design
from analysis.plant.network import Network
from analysis.plant.shop import REFERENCE_DENSITY
from daemon.config.load import load

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
