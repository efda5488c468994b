"""The plant's loss laws against correlations of a general fluid library and the limits they must obey."""

from __future__ import annotations

import fluids
import numpy as np
import pytest
from fluids.fittings import K_branch_converging_Crane, bend_miter, bend_rounded, diffuser_sharp
from fluids.friction import Churchill_1977, friction_factor

from analysis.plant.losses import Junctions, bend_k, churchill_friction, mitre_k, plug_k
from analysis.units import INWG_PA, parse

HALF = 0.6


def test_churchill_is_the_librarys_churchill() -> None:
    reynolds = np.geomspace(500.0, 5e5, 60)
    ours = churchill_friction(reynolds, 1.5e-3)
    theirs = [Churchill_1977(re, 1.5e-3) for re in reynolds]
    assert ours == pytest.approx(theirs, rel=1e-9)


@pytest.mark.parametrize("roughness", [0.0, 1e-4, 1e-3, 1e-2])
def test_churchill_stays_within_three_percent_of_colebrook(roughness: float) -> None:
    """Churchill's own claim is a few percent; friction_factor solves Colebrook exactly."""
    for reynolds in (2e4, 1e5, 1e6):
        exact = friction_factor(reynolds, roughness)
        assert float(churchill_friction(np.array([reynolds]), roughness)[0]) == pytest.approx(exact, rel=0.03)


def test_laminar_flow_has_sixty_four_over_reynolds() -> None:
    assert float(churchill_friction(np.array([1000.0]), 1e-4)[0]) == pytest.approx(0.064, rel=1e-3)


@pytest.mark.parametrize(
    ("inches", "fpm", "roughness_mm", "inwg"),
    [(4, 3500, 0.03, 4.332), (4, 4000, 0.9, 11.015), (6, 3500, 0.1524, 3.229), (6, 4000, 0.03, 3.391)],
)
def test_loss_of_a_hundred_feet(inches: float, fpm: float, roughness_mm: float, inwg: float) -> None:
    """Losses recomputed with exact Colebrook, air of 1.201385 kg/m3; explicit formulas are within 2 %."""
    diameter, speed = parse(f"{inches} in", "length"), parse(f"{fpm} fpm", "velocity")
    friction = churchill_friction(np.array([1.201385 * speed * diameter / 1.82e-5]), roughness_mm / 1000.0 / diameter)
    loss_pa = float(friction[0]) * 30.48 / diameter * 1.201385 / 2.0 * speed**2
    assert loss_pa / INWG_PA == pytest.approx(inwg, rel=0.02)


@pytest.mark.parametrize("ratio", [1.0, 1.5, 2.5])
def test_bends_lie_where_four_published_methods_do(ratio: float) -> None:
    published = [
        bend_rounded(Di=0.1016, angle=90, fd=0.018, Re=1.3e5, bend_diameters=ratio, method=method)
        for method in ("Rennels", "Crane", "Miller", "Ito")
    ]
    assert 0.8 * min(published) < bend_k(90.0, ratio) < 1.2 * max(published)


def test_bends_fall_with_radius_and_rise_with_angle() -> None:
    assert bend_k(90.0, 0.6) > bend_k(90.0, 1.0) > bend_k(90.0, 1.5)
    assert bend_k(30.0, 1.5) < bend_k(45.0, 1.5) < bend_k(80.0, 1.5) < bend_k(90.0, 1.5)
    with pytest.raises(ValueError, match="not one that air can turn in"):
        bend_k(90.0, 0.0)


def test_mitre_is_near_the_published_one() -> None:
    """Weisbach's formula is some 20 % under the library's for a right angle; both say about one velocity head."""
    assert mitre_k(90.0) == pytest.approx(bend_miter(90.0), rel=0.2)


@pytest.mark.parametrize("free", [0.2, 0.4, 0.6])
def test_a_plug_loses_what_an_orifice_of_the_same_free_area_does(free: float) -> None:
    orifice = fluids.flow_meter.discharge_coefficient_to_K(D=0.1, Do=0.1 * free**0.5, C=0.61)
    assert plug_k(1.0 - free) == pytest.approx(orifice, rel=0.05)
    assert plug_k(0.0) == pytest.approx(0.0, abs=1e-12)


def junction(straight_in: float, side_in: float, main_in: float, angle: float) -> Junctions:
    area = np.pi / 4.0 * (np.array([main_in, straight_in, side_in]) * 0.0254) ** 2
    return Junctions(area, [-1, 0, 0], np.array([0.0, 0.0, angle]))


def test_a_widening_run_loses_what_borda_and_carnot_say() -> None:
    area = np.pi / 4.0 * (np.array([6.0, 4.0]) * 0.0254) ** 2
    flow = np.array([[0.15, 0.15]])
    loss = Junctions(area, [-1, 0], np.zeros(2)).loss(flow, HALF)[0, 1]
    exact = diffuser_sharp(Di1=4 * 0.0254, Di2=6 * 0.0254) * HALF * (0.15 / area[1]) ** 2
    assert loss == pytest.approx(exact, rel=0.05)


def test_two_like_streams_into_a_main_of_their_speed_lose_only_the_entry() -> None:
    """Equal speeds, sections that add up: the handbook's 0.28 velocity heads for 45 degrees and nothing straight on."""
    joint = junction(4.0, 4.0, 4.0 * 2.0**0.5, 45.0)
    head = HALF * (0.1 / (np.pi / 4.0 * 0.1016**2)) ** 2
    loss = joint.loss(np.array([[0.2, 0.1, 0.1]]), HALF)[0]
    assert loss[1] == pytest.approx(0.0, abs=1e-9 * head)
    assert loss[2] == pytest.approx(0.28 * head, rel=1e-9)


def test_only_the_entry_loss_dissipates_where_streams_speed_up() -> None:
    """Energy: what the streams lose in all is the side's entry loss, since speeding up is free."""
    joint, flow = junction(6.0, 4.0, 6.0, 30.0), np.array([[0.30, 0.20, 0.10]])
    loss = joint.loss(flow, HALF)[0]
    head = HALF * (0.1 / (np.pi / 4.0 * 0.1016**2)) ** 2
    mean = (flow[0, 1:] @ loss[1:]) / 0.1
    assert mean == pytest.approx(0.18 * head, rel=1e-6)


@pytest.mark.parametrize(("straight", "side"), [(0.2, 0.1), (0.1, 0.1), (0.05, 0.1)])
def test_side_entries_lie_near_another_books(straight: float, side: float) -> None:
    """Crane's converging branch, from the library: another form (it gives back momentum that ours does not), so the two
    agree only to a third of the largest velocity head at the junction."""
    joint, total = junction(6.0, 4.0, 6.0, 45.0), straight + side
    loss = joint.loss(np.array([[total, straight, side]]), HALF)[0, 2]
    k = loss / (HALF * (total / (np.pi / 4.0 * 0.1524**2)) ** 2)
    largest = max(1.0, (side / total * 2.25) ** 2)
    assert k == pytest.approx(K_branch_converging_Crane(0.1524, 0.1016, straight, side, 45.0), abs=largest / 3.0)


def test_a_slow_stream_is_dragged_along_by_a_fast_one() -> None:
    assert junction(6.0, 4.0, 6.0, 45.0).loss(np.array([[0.22, 0.2, 0.02]]), HALF)[0, 2] < 0.0


def test_the_slope_is_the_derivative_of_the_loss() -> None:
    joint = junction(6.0, 4.0, 6.0, 45.0)
    for flow in (np.array([[0.3, 0.2, 0.1]]), np.array([[0.12, 0.02, 0.1]])):
        slope = joint.slope(flow, HALF)[0]
        for run in range(3):
            step = np.zeros((1, 3))
            step[0, run] = 1e-6
            change = (joint.loss(flow + step, HALF) - joint.loss(flow - step, HALF))[0] / 2e-6
            assert slope[:, run] == pytest.approx(change, rel=1e-4, abs=1e-2)
