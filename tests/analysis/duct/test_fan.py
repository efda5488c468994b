"""The fan's curve against scipy's interpolation, the fan laws and the textbook shape of a radial wheel."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from analysis.duct.fan import FanCurve, FanPoint, curve_fault, dips, generic_radial
from analysis.duct.pchip import shape_preserving
from analysis.units import CFM_M3S, HORSEPOWER_W, INWG_PA

BARN = tuple(
    FanPoint(q * CFM_M3S, p * INWG_PA, w * HORSEPOWER_W)
    for q, p, w in [
        (0, 11.8, 0.85), (200, 11.9, 1.02), (400, 11.6, 1.25), (600, 10.7, 1.52), (800, 9.1, 1.80), (1000, 6.7, 2.06),
        (1200, 3.4, 2.30),
    ]
)
FAN = FanCurve(BARN, 3450.0)


def one_point_fan() -> FanCurve:
    """A fan that gives 8.0 in. w.g. and takes 2.0 hp at 1000 cfm."""
    points = tuple(
        FanPoint(q * CFM_M3S, p * INWG_PA, w * HORSEPOWER_W)
        for q, p, w in [(500, 10.0, 1.2), (1000, 8.0, 2.0), (1500, 3.0, 2.6)]
    )
    return FanCurve(points, 3450.0)


@pytest.mark.parametrize(
    ("ratio", "cfm", "inches", "horsepower"),
    # fan laws Q~N, SP~N^2, HP~N^3 (AMCA 201, ASHRAE; arithmetic): 10 % faster, and from 60 to 50 Hz
    [(1.1, 1100.0, 9.68, 2.662), (50 / 60, 833.3333, 5.5556, 1.1574)],
)
def test_speed_laws(ratio: float, cfm: float, inches: float, horsepower: float) -> None:
    fan = one_point_fan()
    flow = cfm * CFM_M3S
    assert fan.pressure_scalar(flow, ratio)[0] / INWG_PA == pytest.approx(inches, rel=1e-4)
    power = fan.power_scalar(flow, ratio)
    assert power is not None
    assert power / HORSEPOWER_W == pytest.approx(horsepower, rel=1e-4)
    # a stated speed of the shop does the same as the further ratio
    other = FanCurve(fan.points, 3450.0, 3450.0 * ratio)
    assert other.pressure_scalar(flow)[0] == pytest.approx(fan.pressure_scalar(flow, ratio)[0], rel=1e-12)


def test_density_law() -> None:
    # pressure and power scale with density, flow does not: 8.0 in. w.g. at 0.8617 of the density is 6.8936
    fan = one_point_fan()
    thin = 0.8617 * fan.at_density_kgm3
    assert fan.pressure_scalar(1000 * CFM_M3S, 1.0, thin)[0] / INWG_PA == pytest.approx(6.8936, rel=1e-5)
    assert fan.power_scalar(1000 * CFM_M3S, 1.0, thin) == pytest.approx(2.0 * 0.8617 * HORSEPOWER_W, rel=1e-9)


def test_air_power() -> None:
    # 1000 cfm at 8 in. w.g. is 940.4 W = 1.2611 hp of air; the shop rule (x/6356) says 1.2587
    air_power = 1000 * CFM_M3S * one_point_fan().pressure_scalar(1000 * CFM_M3S)[0]
    assert air_power == pytest.approx(940.4, rel=1e-4)
    assert air_power / HORSEPOWER_W == pytest.approx(1000 * 8 / 6356, rel=0.0025)


def test_interpolation_is_that_of_scipy() -> None:
    flows = [point.flow_m3s for point in BARN]
    reference = PchipInterpolator(flows, [point.static_pa for point in BARN])
    inside = np.linspace(0.0, flows[-1], 400)
    assert FAN.pressure_pa(inside) == pytest.approx(reference(inside), rel=1e-12)
    assert FAN.pressure_slope(inside[1:-1]) == pytest.approx(reference.derivative()(inside[1:-1]), rel=1e-6, abs=1e-3)


@given(
    steps=st.lists(st.floats(min_value=0.05, max_value=3.0), min_size=2, max_size=8),
    # no denormal rises: scipy divides by them and warns of the overflow
    rises=st.lists(st.floats(-5.0, 5.0).map(lambda rise: round(rise, 6)), min_size=9, max_size=9),
)
def test_interpolation_is_scipys_on_any_points(steps: list[float], rises: list[float]) -> None:
    x = np.cumsum([0.0, *steps])
    y = np.cumsum(rises[: len(x)])
    curve = shape_preserving(list(x), list(y))
    at = np.linspace(x[0], x[-1], 101)
    assert curve.array(at)[0] == pytest.approx(PchipInterpolator(x, y)(at), rel=1e-9, abs=1e-9)
    # it never overshoots its points
    assert curve.array(at)[0].max() <= y.max() + 1e-9
    assert curve.array(at)[0].min() >= y.min() - 1e-9


def test_curve_passes_through_its_points() -> None:
    for point in BARN:
        assert FAN.pressure_scalar(point.flow_m3s)[0] == pytest.approx(point.static_pa, rel=1e-12)
        assert FAN.power_scalar(point.flow_m3s) == pytest.approx(point.shaft_w, rel=1e-12)


def test_beyond_its_points_the_curve_only_falls() -> None:
    last = BARN[-1].flow_m3s
    flow = np.linspace(last, 3 * last, 50)
    pressure = FAN.pressure_pa(flow)
    assert (np.diff(pressure) < 0).all()
    assert pressure[-1] < 0
    # continuous at the join, and steeper or as steep as the last stretch
    assert FAN.pressure_scalar(last * (1 + 1e-9))[0] == pytest.approx(BARN[-1].static_pa, rel=1e-6)
    chord = (BARN[-1].static_pa - BARN[-2].static_pa) / (BARN[-1].flow_m3s - BARN[-2].flow_m3s)
    assert FAN.pressure_scalar(2 * last)[1] <= chord
    free = FAN.free_flow_m3s()
    assert last < free < 1.4 * last
    assert FAN.pressure_scalar(free)[0] == pytest.approx(0.0, abs=1e-6)


def test_below_zero_flow_the_curve_rises_gently() -> None:
    pressure = FAN.pressure_pa(np.linspace(-0.3, 0.0, 20))
    assert (np.diff(pressure) < 0).all()
    assert FAN.pressure_scalar(-0.05)[0] < 1.2 * FAN.pressure_scalar(0.0)[0]


@given(
    flow=st.floats(min_value=-0.3, max_value=1.5), ratio=st.floats(min_value=0.4, max_value=1.3),
    density=st.floats(min_value=0.8, max_value=1.4),
)
def test_both_paths_give_the_same_number(flow: float, ratio: float, density: float) -> None:
    value, slope = FAN.pressure_scalar(flow, ratio, density)
    assert float(FAN.pressure_pa(flow, ratio, density)) == pytest.approx(value, rel=1e-12, abs=1e-9)
    assert float(FAN.pressure_slope(flow, ratio, density)) == pytest.approx(slope, rel=1e-9, abs=1e-6)
    power = FAN.power_w(flow, ratio, density)
    assert power is not None
    assert float(power) == pytest.approx(FAN.power_scalar(flow, ratio, density), rel=1e-12)


@given(flow=st.floats(min_value=-0.2, max_value=1.2), ratio=st.floats(min_value=0.5, max_value=1.2))
def test_slope_is_the_derivative(flow: float, ratio: float) -> None:
    step = 1e-6
    ahead, behind = FAN.pressure_scalar(flow + step, ratio)[0], FAN.pressure_scalar(flow - step, ratio)[0]
    low, high = sorted((FAN.pressure_scalar(flow - step, ratio)[1], FAN.pressure_scalar(flow + step, ratio)[1]))
    assert low - 2.0 <= (ahead - behind) / (2 * step) <= high + 2.0


def test_a_fan_without_power_has_none() -> None:
    fan = FanCurve(tuple(FanPoint(p.flow_m3s, p.static_pa) for p in BARN))
    assert not fan.has_power
    assert fan.power_w(0.3) is None
    assert fan.power_scalar(0.3) is None


@pytest.mark.parametrize("wheel", [0.25, 0.33, 0.4])
def test_a_generic_wheel_has_the_shape_of_a_radial_one(wheel: float) -> None:
    # textbook description of radial blades (from memory): flat or slightly humped, peak at 30 to 40 % of free delivery,
    # falling from there; shaft power rises with flow, 25 to 50 % of it at shutoff
    fan = generic_radial(wheel, 3450.0, 1491.0)
    free = fan.free_flow_m3s()
    share = np.linspace(0.0, 1.0, 201)
    pressure = fan.pressure_pa(share * free)
    peak = share[int(pressure.argmax())]
    assert 0.25 <= peak <= 0.45
    assert (np.diff(pressure[share > peak]) < 0).all()
    assert 0.8 < pressure[0] / pressure.max() <= 1.0
    power = fan.power_w(share * free)
    assert power is not None
    assert (np.diff(power) > 0).all()
    assert 0.25 <= power[0] / power[-1] <= 0.50
    # no better than physics: best static efficiency 55 %, and the peak below rho u^2
    tip = math.pi * wheel * 3450 / 60
    assert (share * free * pressure / power).max() == pytest.approx(0.55, abs=0.01)
    assert pressure.max() < 1.2 * tip**2
    assert fan.generic
    assert fan.uncertainty >= 0.15


def test_a_generic_wheel_follows_the_laws() -> None:
    slow, fast = generic_radial(0.33, 1725.0, 186.0), generic_radial(0.33, 3450.0, 8 * 186.0)
    # twice the speed with eight times the power is the same wheel: twice the flow, four times the pressure
    assert fast.free_flow_m3s() == pytest.approx(2 * slow.free_flow_m3s(), rel=1e-9)
    assert float(fast.pressure_pa(0.2)) == pytest.approx(4 * float(slow.pressure_pa(0.1)), rel=1e-9)


@pytest.mark.parametrize("arguments", [(0.01, 3450.0, 1500.0), (0.3, 100.0, 1500.0), (0.3, 3450.0, 0.0)])
def test_an_impossible_wheel_is_refused(arguments: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match=r"outside|more than zero"):
        generic_radial(*arguments)


def test_impossible_points_are_refused() -> None:
    with pytest.raises(ValueError, match="at least three points"):
        FanCurve(BARN[:2])
    with pytest.raises(ValueError, match="must increase in flow"):
        FanCurve((BARN[1], BARN[0], BARN[2]))
    with pytest.raises(ValueError, match="at 1 of 3 fan points"):
        FanCurve((BARN[0], FanPoint(0.2, 2000.0), FanPoint(0.3, 1500.0)))
    with pytest.raises(ValueError, match="not the speed that its points"):
        FanCurve(BARN, None, 3000.0)
    with pytest.raises(ValueError, match="cannot be negative"):
        FanCurve((FanPoint(-0.1, 3000.0), *BARN[1:]))


@pytest.mark.parametrize(
    ("statics", "said"),
    [
        ((12, 12.2, 9, 10, 3), "rises from point 3 to point 4"),
        ((5, 7, 9, 11, 13), "rises from point 2 to point 3"),
        ((8, 11, 10, 8, 3), "rises from point 1 to point 2"),
        ((12, 1.1, 11.5, 8, 3), "by a quarter of its highest pressure at most"),
        ((-12, -11, -9, -6, -3), "no pressure"),
    ],
)
def test_a_curve_that_no_fan_has_is_told(statics: tuple[float, ...], said: str) -> None:
    points = tuple(FanPoint(0.1 * i, p * INWG_PA) for i, p in enumerate(statics))
    fault = curve_fault(points)
    assert fault is not None
    assert said in fault
    assert curve_fault(BARN) is None


def test_a_dip_where_a_wheel_stalls_is_taken() -> None:
    stalling = tuple(FanPoint(0.1 * i, p * INWG_PA) for i, p in enumerate((10.0, 8.5, 9.5, 8, 5, 1)))
    assert curve_fault(stalling) is None
    assert dips(stalling)
    assert not dips(BARN)
    # a hump alone is no dip
    assert not dips(tuple(FanPoint(0.1 * i, p) for i, p in enumerate((10.0, 10.5, 9.5, 8.0))))
