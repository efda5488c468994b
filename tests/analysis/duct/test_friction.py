"""Friction against exact Colebrook (fluids), the laminar law and the handbook's regression."""

from __future__ import annotations

import math

import fluids
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.duct import friction
from analysis.duct.friction_many import Friction
from analysis.units import CFM_M3S, FOOT_M, INCH_M, INWG_PA
from tests.analysis.duct.darcy import loss_scalar

ROUGHNESSES = [0.0, 1e-6, 1e-5, 1e-4, 1e-3, 5e-3, 0.01, 0.03, 0.05]


@pytest.mark.parametrize("roughness", ROUGHNESSES)
def test_factor_is_colebrook_to_a_millionth(roughness: float) -> None:
    reynolds = np.geomspace(4000.0, 5e6, 60)
    exact = np.array([fluids.friction.Colebrook(float(re), roughness) for re in reynolds])
    assert np.array([friction.friction_factor_scalar(float(re), roughness) for re in reynolds]) == pytest.approx(exact, rel=1e-8)


@pytest.mark.parametrize(
    ("reynolds", "roughness", "factor"),
    # fluids, exact Colebrook; the third is its documentation's example
    [(1e5, 0.0, 0.0179898), (1e5, 0.001, 0.0221745), (1e5, 1e-4, 0.01851386607747165)],
)
def test_fixed_points(reynolds: float, roughness: float, factor: float) -> None:
    assert friction.friction_factor_scalar(reynolds, roughness) == pytest.approx(factor, rel=3e-6)


@pytest.mark.parametrize(
    ("inches", "fpm", "cfm", "losses"),
    # inches of water in 100 ft; roughness 0.0015, 0.03, 0.09, 0.1524, 0.9 and 3.0 mm: exact Colebrook (fluids) at
    # 1.201385 kg/m3 and 1.82e-5 Pa s
    [
        (4, 3500, 305.43, (3.987, 4.332, 4.898, 5.363, 8.449, 13.050)),
        (4, 4000, 349.07, (5.071, 5.551, 6.324, 6.946, 11.015, 17.035)),
        (6, 3500, 687.22, (2.449, 2.645, 2.966, 3.229, 4.946, 7.405)),
        (6, 4000, 785.40, (3.117, 3.391, 3.830, 4.183, 6.448, 9.666)),
    ],
)
def test_loss_of_a_hundred_feet(inches: float, fpm: float, cfm: float, losses: tuple[float, ...]) -> None:
    for roughness_mm, loss in zip((0.0015, 0.03, 0.09, 0.1524, 0.9, 3.0), losses, strict=True):
        found = loss_scalar(cfm * CFM_M3S, 100 * FOOT_M, inches * INCH_M, roughness_mm / 1000, 1.201385, 1.82e-5)
        assert found / INWG_PA == pytest.approx(loss, rel=5e-4)


@pytest.mark.parametrize(
    ("inches", "fpm", "a", "b", "c", "roughness_mm", "apart"),
    # Loeffler's regression Hf = a V^b / Q^c [VP per ft], as printed by ACGIH (coefficients from memory): galvanised
    # sheet against 0.1524 mm, flexible hose with covered wires against 0.9 mm, PVC against 0.03 mm.
    [
        (4, 3500, 0.0307, 0.533, 0.612, 0.1524, 0.035), (6, 4000, 0.0307, 0.533, 0.612, 0.1524, 0.035),
        (4, 3500, 0.0311, 0.604, 0.639, 0.9, 0.025), (6, 4000, 0.0311, 0.604, 0.639, 0.9, 0.025),
        (4, 3500, 0.0425, 0.465, 0.602, 0.03, 0.07),
    ],
)
def test_handbook_regression_is_near(
    inches: float, fpm: float, a: float, b: float, c: float, roughness_mm: float, apart: float
) -> None:
    cfm = fpm * math.pi / 4 * (inches / 12) ** 2
    regression = a * fpm**b / cfm**c * 100 * (fpm / 4005) ** 2 * INWG_PA
    ours = loss_scalar(
        cfm * CFM_M3S, 100 * FOOT_M, inches * INCH_M, roughness_mm / 1000, 1.201385, 1.82e-5
    )
    assert ours == pytest.approx(regression, rel=apart)


def test_slow_air_follows_hagen_and_poiseuille() -> None:
    # dp = 128 mu L Q / (pi D^4)
    flow, length, diameter, viscosity = 1e-4, 10.0, 0.1, 1.8e-5
    exact = 128 * viscosity * length * flow / (math.pi * diameter**4)
    assert loss_scalar(flow, length, diameter, 1e-4, 1.2, viscosity) == pytest.approx(exact, rel=1e-12)


@pytest.mark.parametrize("roughness", ROUGHNESSES)
def test_loss_grows_with_flow_without_a_jump(roughness: float) -> None:
    reynolds = np.geomspace(10.0, 1e6, 20_000)
    loss = np.array([friction.friction_factor_scalar(float(re), roughness) for re in reynolds]) * reynolds**2
    slope = np.diff(np.log(loss)) / np.diff(np.log(reynolds))
    assert slope.min() > 0.9
    # the step from laminar to turbulent is the steepest part, and still no cliff
    assert slope.max() < 4.5
    assert np.abs(np.diff(slope)).max() < 0.02


@given(
    reynolds=st.floats(min_value=100.0, max_value=1e7), roughness=st.floats(min_value=0.0, max_value=0.05)
)
def test_the_solvers_reach_the_same_factor_step_by_step(reynolds: float, roughness: float) -> None:
    """The plain one and the arrays, each a Newton step at a time."""
    exact = friction.friction_factor_scalar(reynolds, roughness)
    x, factor = friction.START_X, 0.0
    many = Friction(float, (1.0,), (roughness / 3.7,), (2.51,))
    many.begin(np.ones((1, 1)), 1.0)
    for _ in range(6):
        factor, _, x = friction.friction_near(x, roughness / 3.7, 2.51 / reynolds)
        loss, _ = many.near(np.array([[reynolds]]))
    # at the very end of the blend the step that has not settled there counts a little
    assert factor == pytest.approx(exact, rel=1e-6)
    assert float(loss[0, 0]) == pytest.approx(exact, rel=1e-6)
