"""Converging junctions against fluids' Crane functions, published tables and limit laws."""

from __future__ import annotations

import fluids
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.duct import junctions

SHARES = np.linspace(0.02, 0.98, 49)


def crane_branch(share: float, area_ratio: float, angle: float) -> float:
    return float(fluids.fittings.K_branch_converging_Crane(
        D_run=1.0, D_branch=area_ratio**0.5, Q_run=1.0 - share, Q_branch=share, angle=angle
    ))


def crane_run(share: float, area_ratio: float, angle: float) -> float:
    return float(fluids.fittings.K_run_converging_Crane(
        D_run=1.0, D_branch=area_ratio**0.5, Q_run=1.0 - share, Q_branch=share, angle=angle
    ))


@pytest.mark.parametrize(
    ("angle", "branch", "straight"),
    # fluids: main 0.1524 m, branch 0.1016 m, branch flow a third of the whole
    [(30.0, 0.14317, 0.12056), (45.0, 0.19267, 0.20306), (60.0, 0.25417, 0.30556), (90.0, 0.40417, 0.40556)],
)
def test_crane_at_one_point(angle: float, branch: float, straight: float) -> None:
    area_ratio = (0.1016 / 0.1524) ** 2
    assert junctions.branch_k_scalar(1 / 3, area_ratio, angle) == pytest.approx(branch, rel=0.02)
    # Crane rounds 2 cos(angle) to two figures
    assert junctions.straight_k_scalar(1 / 3, area_ratio, angle) == pytest.approx(straight, abs=0.002)


@pytest.mark.parametrize("angle", [30.0, 45.0, 60.0, 90.0])
@pytest.mark.parametrize("area_ratio", [0.16, 0.25, 0.45, 0.7, 1.0])
def test_branch_follows_crane_over_all_flows(angle: float, area_ratio: float) -> None:
    crane = np.array([crane_branch(q, area_ratio, angle) for q in SHARES])
    ours = junctions.branch_k(SHARES, area_ratio, angle)
    # the tabulated factor is smoothed near a share of 0.4 (0.02 of the bracket), and 2 cos(angle) rounded
    bracket = np.abs(1 + (SHARES / area_ratio) ** 2) + 2 + 2 * SHARES**2 / area_ratio
    assert (np.abs(ours - crane) <= 0.022 * bracket).all()


@pytest.mark.parametrize("angle", [30.0, 45.0, 60.0, 90.0])
@pytest.mark.parametrize("area_ratio", [0.16, 0.25, 0.45, 0.7, 1.0])
def test_straight_follows_crane_over_all_flows(angle: float, area_ratio: float) -> None:
    crane = np.array([crane_run(q, area_ratio, angle) for q in SHARES])
    assert junctions.straight_k(SHARES, area_ratio, angle) == pytest.approx(crane, abs=0.012 / area_ratio)


@pytest.mark.parametrize(
    ("angle", "handbook"),
    # ACGIH branch entry loss in *branch* velocity pressures (from memory); the table knows neither areas nor flows
    [(30.0, 0.18), (45.0, 0.28), (60.0, 0.44)],
)
def test_branch_entry_table_lies_between_two_ways_to_build_it(angle: float, handbook: float) -> None:
    # branch and combined stream at one velocity; the straight duct keeps it too, or is as wide as the combined one
    kept = junctions.branch_k_scalar(0.45, 0.45, angle, 0.55)
    wide = junctions.branch_k_scalar(0.45, 0.45, angle, 1.0)
    assert kept < handbook < wide


def test_expansion_without_a_branch_is_borda_carnot() -> None:
    for straight_ratio in (0.4, 0.7, 0.9):
        loss = junctions.straight_k_scalar(0.0, 0.3, 45.0, straight_ratio)
        # (1 - A1/A2)^2 of the upstream head, here in heads of the downstream duct
        assert loss == pytest.approx((1 - straight_ratio) ** 2 / straight_ratio**2, rel=1e-9)
    assert junctions.straight_k_scalar(0.0, 0.3, 45.0) == 0.0


def test_a_weak_branch_gains_pressure() -> None:
    # nothing is clamped: the strong straight stream draws the weak branch along
    assert junctions.branch_k_scalar(0.05, 0.45, 45.0) < -0.5
    assert junctions.straight_k_scalar(0.6, 0.2, 30.0) < 0.0


@pytest.mark.parametrize("area_ratio", [0.2, 0.33, 0.36, 0.45, 0.9])
@pytest.mark.parametrize("angle", [30.0, 45.0, 75.0, 90.0])
def test_losses_are_smooth_in_the_flow_share(area_ratio: float, angle: float) -> None:
    share = np.linspace(-0.1, 1.1, 4801)
    for loss in (junctions.branch_k(share, area_ratio, angle), junctions.straight_k(share, area_ratio, angle)):
        slope = np.diff(loss) / np.diff(share)
        # no step between neighbouring slopes beyond what curvature makes of 1/4000 of share
        assert np.abs(np.diff(slope)).max() < 0.03 * max(1.0, np.abs(slope).max())


def test_losses_are_smooth_in_area_where_the_table_jumps() -> None:
    areas = np.linspace(0.25, 0.45, 2001)
    loss = junctions.branch_k(0.3, areas, 45.0)
    assert np.abs(np.diff(loss)).max() < 0.003


@given(
    share=st.floats(min_value=-0.2, max_value=1.2), area_ratio=st.floats(min_value=0.05, max_value=1.5),
    angle=st.floats(min_value=0.0, max_value=90.0), straight_ratio=st.floats(min_value=0.3, max_value=1.5),
)
def test_both_paths_give_the_same_number(share: float, area_ratio: float, angle: float, straight_ratio: float) -> None:
    arguments = (share, area_ratio, angle, straight_ratio)
    branch, straight = junctions.branch_k_scalar(*arguments), junctions.straight_k_scalar(*arguments)
    assert float(junctions.branch_k(*arguments)) == pytest.approx(branch, rel=1e-9, abs=1e-9)
    assert float(junctions.straight_k(*arguments)) == pytest.approx(straight, rel=1e-9, abs=1e-9)


@given(
    share=st.floats(min_value=0.0, max_value=1.0), area_ratio=st.floats(min_value=0.1, max_value=1.0),
    angle=st.floats(min_value=15.0, max_value=90.0),
)
def test_a_junction_makes_no_power(share: float, area_ratio: float, angle: float) -> None:
    """What the two streams lose, weighted by their flows, cannot be a gain beyond the empirical forms' own error."""
    branch = junctions.branch_k_scalar(share, area_ratio, angle)
    straight = junctions.straight_k_scalar(share, area_ratio, angle)
    assert share * branch + (1 - share) * straight > -0.06


def test_a_fork_of_two_equal_sides_treats_both_alike() -> None:
    # two streams at 0 degrees of half the area each simply merge: no loss at all
    assert float(junctions.two_sides_k(0.5, 0.5, 0.0, 0.5, 0.0)) == pytest.approx(0.0, abs=1e-12)
    # head on, each turns through 90 degrees: one combined head on top of its own
    assert junctions.two_sides_k_scalar(0.5, 0.5, 90.0, 0.5, 90.0) == pytest.approx(2.0)
    left = junctions.two_sides_k([0.3, 0.7], 0.5, 30.0, 0.5, 30.0)
    assert left[0] == pytest.approx(junctions.two_sides_k_scalar(0.3, 0.5, 30.0, 0.5, 30.0))
    assert left[1] > left[0]
