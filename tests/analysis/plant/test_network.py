"""The solved plant against balances that any network must keep, an independent solution, and the fan laws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fluids.friction import friction_factor
from scipy.optimize import brentq

from analysis.plant.fan import FanCurve
from analysis.plant.network import Network
from analysis.plant.shop import FAN, REFERENCE_DENSITY, REFERENCE_VISCOSITY, Pipe, PlantPort, PlantShop
from analysis.plant.table import GateTable
from tests.support.barn import barn

GATES = np.array([[float(mask >> i & 1) for i in range(4)] for mask in range(16)])


@pytest.fixture(scope="module")
def shop() -> PlantShop:
    return barn()


def test_what_flows_in_flows_out(shop: PlantShop) -> None:
    network = Network(shop)
    found = network.solve(GATES, np.full(16, shop.bags.clean_drag))
    leaks = found.flow_m3s - found.port_m3s.sum(axis=1)
    assert np.all(leaks > 0.0)
    assert np.all(leaks < 0.02 * 0.57), "joint leaks are a small share of the fan's flow"
    main = network.names.index("main")
    children = [i for i, into in enumerate(network.parent) if into == main]
    own_leak = found.run_m3s[:, main] - found.run_m3s[:, children].sum(axis=1)
    assert np.all(own_leak > 0.0)
    speed = np.sqrt(2.0 * -(found.run_static_pa[:, children].mean(axis=1)) / REFERENCE_DENSITY)
    assert own_leak == pytest.approx(shop.runs[0].leak_m2 * speed, rel=0.2)


def test_fan_lift_is_suction_plus_bags(shop: PlantShop) -> None:
    found = Network(shop).solve(GATES, np.full(16, 1500.0))
    lift = FanCurve.through(shop.fan).static_pa(found.flow_m3s)
    assert -found.inlet_total_pa + found.filter_pa == pytest.approx(lift, rel=1e-7)


def test_one_plain_run_agrees_with_a_solution_by_bisection() -> None:
    """One pipe, one opening, exact Colebrook by the library, root by scipy: friction differs by 1 %, flow by less."""
    base = barn()
    pipe = Pipe("main", FAN, 0.154305, 10.0, 3e-5)
    stub = Pipe("mouth", "main", 0.154305, 0.001, 3e-5)
    shop = replace(base, runs=(pipe,), ports=(PlantPort("mouth", stub, 0.93, 0.0),))
    drag = 900.0
    curve = FanCurve.through(shop.fan)

    def excess(flow: float) -> float:
        speed = flow / pipe.area_m2
        friction = friction_factor(REFERENCE_DENSITY * speed * pipe.diameter_m / REFERENCE_VISCOSITY, 3e-5 / 0.154305)
        loss = (0.93 + friction * 10.001 / pipe.diameter_m) * REFERENCE_DENSITY / 2.0 * speed**2
        return float(curve.static_pa(np.array([flow]))[0]) - drag * flow - loss

    found = Network(shop).solve(np.ones((1, 1)), np.array([drag]))
    assert float(found.flow_m3s[0]) == pytest.approx(brentq(excess, 0.05, 0.56), rel=2e-3)


def test_the_fan_passes_near_its_stated_points(shop: PlantShop) -> None:
    curve = FanCurve.through(shop.fan)
    flow = np.array(shop.fan.flow_m3s)
    thick = REFERENCE_DENSITY / shop.fan.at_density
    assert curve.static_pa(flow) / thick == pytest.approx(shop.fan.static_pa, rel=0.015)
    assert curve.power_w(flow) / thick == pytest.approx(shop.fan.power_w, rel=0.015)


def test_fan_laws_hold_through_the_scaling_of_the_tables(shop: PlantShop) -> None:
    """AMCA's fan laws: the plant solved outright with a fan 10 % slower agrees with the scaled table (0.3 %)."""
    slow = 0.9
    fan = replace(
        shop.fan,
        flow_m3s=tuple(q * slow for q in shop.fan.flow_m3s),
        static_pa=tuple(p * slow**2 for p in shop.fan.static_pa),
        power_w=tuple(w * slow**3 for w in shop.fan.power_w),
    )
    drag = shop.bags.clean_drag * 1.3
    outright = Network(replace(shop, fan=fan)).solve(GATES[[1]], np.array([drag]))
    table = GateTable(Network(shop), 1, shop.bags.clean_drag)
    scaled = table.look_up(np.array([drag / slow]))
    assert scaled.flow_m3s[0] * slow == pytest.approx(outright.flow_m3s[0], rel=3e-3)
    assert scaled.suction_pa[0] * slow**2 == pytest.approx(-outright.inlet_static_pa[0], rel=3e-3)
    assert scaled.power_w[0] * slow**3 == pytest.approx(outright.power_w[0], rel=3e-3)


def test_look_up_is_the_solution(shop: PlantShop) -> None:
    network = Network(shop)
    drag = shop.bags.clean_drag * np.array([1.03, 1.77, 4.9])
    scale = np.ones((3, 4))
    scale[:, 0] = 1.06
    exact = network.solve(np.tile(GATES[3], (3, 1)), drag, scale)
    found = GateTable(network, 3, shop.bags.clean_drag).look_up(drag, {0: np.full(3, np.log(1.06))})
    assert found.flow_m3s == pytest.approx(exact.flow_m3s, rel=3e-4)
    assert found.suction_pa == pytest.approx(-exact.inlet_static_pa, rel=1e-3)
    assert found.port_m3s == pytest.approx(exact.port_m3s.T, rel=2e-3)


def test_trees_that_are_none_are_refused(shop: PlantShop) -> None:
    lost = replace(shop, runs=(*shop.runs, Pipe("stray", "nowhere", 0.1, 1.0, 3e-5)))
    with pytest.raises(ValueError, match="'nowhere', which is no run"):
        Network(lost)
    with pytest.raises(ValueError, match="exactly one run must flow into the fan, found 2"):
        Network(replace(shop, runs=(*shop.runs, Pipe("second", FAN, 0.1, 1.0, 3e-5))))
    circle = (Pipe("main", FAN, 0.15, 1.0, 3e-5), Pipe("a", "b", 0.1, 1.0, 3e-5), Pipe("b", "a", 0.1, 1.0, 3e-5))
    with pytest.raises(ValueError, match="in a circle"):
        Network(replace(shop, runs=circle, ports=()))
