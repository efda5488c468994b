"""Published worked examples, solved from their own inputs.

What could be checked of each: see the test. No complete worked example of a multi-branch exhaust system from a government
or standards document could be read (only tables of contents and first pages), so the multi-branch one is a textbook's.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from analysis.air import Air
from analysis.duct.design import DuctDesign, Join, Port, Run
from analysis.duct.fan import FanCurve, FanPoint
from analysis.duct.filter import FilterStage
from analysis.duct.solve import solve
from analysis.units import CFM_M3S, FOOT_M, INCH_M
from tests.analysis.duct.shops import MATERIAL

NO_FILTER = FilterStage(1.0, 1e-6)


def still_air(density: float, kinematic_viscosity: float) -> Air:
    return Air(density, density * kinematic_viscosity, 20.0, 101325.0, 0.0)


def test_local_exhaust_hood_with_its_fan_curve() -> None:
    """Cengel and Cimbala, Fluid Mechanics: Fundamentals and Applications, example 14-1: a hood, 44 ft of 9.06 in duct
    with five elbows and a damper, and a fan given by six points. The answer in the book: 650 cfm at 0.83 in. of water.

    Inputs and answer were read in a public companion of solved examples; the book itself was not opened. Its outlet
    keeps 1.05 velocity pressures, which the duct loses here as a fitting. The book reads the crossing of the curves off
    a plot; straight lines, a shape-preserving curve and a cubic spline through its six points cross at 644, 649 and 650
    cfm, hence 1 %.
    """
    water = 998.0 * 9.81 * INCH_M
    table = ((0, 0.90), (250, 0.95), (500, 0.90), (750, 0.75), (1000, 0.40), (1200, 0.0))
    density = 1.184
    curve = FanCurve(
        tuple(FanPoint(flow * CFM_M3S, head * water) for flow, head in table), 1750.0, at_density_kgm3=density
    )
    diameter = 9.06 * INCH_M
    losses = 1.3 + 1.8 + 5 * 0.21
    hood = Port("hood", "outlet", diameter, 0.15e-3, 43.9 * FOOT_M, losses, Join.straight(), gate_k=None)
    outlet = Run("outlet", "fan", diameter, 0.15e-3, 0.1 * FOOT_M, 1.05)
    design = DuctDesign((outlet,), (hood,), curve, NO_FILTER, MATERIAL, still_air(density, 1.562e-5))
    point = solve(design, [])
    assert point.flow_m3s / CFM_M3S == pytest.approx(650.0, rel=0.01)
    assert point.fan_static_pa / water == pytest.approx(0.83, rel=0.01)


def extraction(pressure_pa: float) -> DuctDesign:
    """Four like branches into one main, and a fan whose curve passes its design flow at ``pressure_pa``."""
    friction = 4 * 0.008
    branch, main = 0.15, 0.30
    runs = (Run("main", "fan", main, 0.0, 1e-6, friction * (20.0 + 20.0 * main) / main),)
    ports = tuple(
        Port(f"branch {number}", "main", branch, 0.0, 1e-6, friction * 10.0 / branch, Join.stated(0.0), entry_k=4.0,
             gate_k=0.0, leak_m2=0.0)
        for number in range(4)
    )
    points = ((0.0, 1.3), (0.4, 1.2), (0.8, 1.0), (1.2, 0.5))
    curve = FanCurve(tuple(FanPoint(flow, share * pressure_pa) for flow, share in points), 1500.0, at_density_kgm3=1.2)
    return DuctDesign(runs, ports, curve, NO_FILTER, MATERIAL, still_air(1.2, 1.5e-5))


def test_extraction_system_of_four_branches() -> None:
    """Douglas, Gasiorek, Swaffield and Jack, Fluid Mechanics, example 14.6: an extraction system whose branches of 0.15 m
    carry 0.2 m3/s each (entry and fittings 4 velocity heads, 10 m, f 0.008 in Fanning's sense) into a main of 0.30 m,
    20 m long, with the transition counted as 20 main diameters; density 1.2 kg/m3.

    Inputs and formulas were read in a public companion of solved examples, whose lines give a fan pressure of 684.7 N/m2;
    the printed book was not opened. Friction is given as a factor, so it enters here as a loss coefficient.
    """
    dynamic = [0.5 * 1.2 * (flow / (math.pi / 4 * size**2)) ** 2 for flow, size in ((0.2, 0.15), (0.8, 0.30))]
    by_hand = dynamic[0] * (4.0 + 4 * 0.008 * 10.0 / 0.15) + dynamic[1] * 4 * 0.008 * (20.0 + 20 * 0.30) / 0.30
    assert by_hand == pytest.approx(684.7, abs=0.5)
    design = extraction(by_hand)
    point = solve(design, design.port_names)
    assert point.flow_m3s == pytest.approx(0.8, rel=1e-4)
    assert point.fan_static_pa == pytest.approx(by_hand, rel=1e-4)
    for port in point.ports.values():
        assert port.flow_m3s == pytest.approx(0.2, rel=1e-4)
        assert -port.total_pa == pytest.approx(dynamic[0] * (4.0 + 4 * 0.008 * 10.0 / 0.15), rel=2e-4)
    assert -point.runs["main"].static_pa == pytest.approx(by_hand + dynamic[1], rel=2e-4)


def test_velocity_pressure_worksheet_of_a_hood_and_a_branch() -> None:
    """The worksheet of the velocity-pressure method (ACGIH Industrial Ventilation; OSHA Technical Manual III:3), written
    out line by line for numbers of our own: hood suction SPh = (1 + F) VP, then elbows, duct and branch entry in VP.

    The method is the published one, the numbers are ours, so this checks book-keeping and signs and not a printed answer.
    Coefficients from memory: flanged hood 0.49, plain 0.93, 45 degree entry 0.28 of branch VP.
    """
    density, four, six = 1.201385, 4.0 * INCH_M, 6.0 * INCH_M
    hf = 0.0307 * (350.0 / (math.pi / 4 * (4 / 12) ** 2)) ** 0.533 / 350.0**0.612
    saw = Port("saw", "main", four, 0.0, 1e-6, 0.22 + hf * 12.0, Join.stated(0.28), entry_k=0.49, gate_k=0.0)
    lathe = replace(saw, name="lathe", fittings_k=0.22 + hf * 12.0 - 0.44, entry_k=0.93)
    main = Run("main", "fan", six, 0.0, 1e-6, 0.5)
    points = tuple(FanPoint(q * CFM_M3S, p) for q, p in ((0, 1500.0), (350, 1450.0), (700, 1200.0), (1050, 500.0)))
    curve = FanCurve(points, 3450.0, at_density_kgm3=density)
    design = DuctDesign((main,), (saw, lathe), curve, NO_FILTER, MATERIAL, still_air(density, 1.5e-5))
    point = solve(design, ["saw", "lathe"])
    assert point.ports["saw"].flow_m3s == pytest.approx(point.ports["lathe"].flow_m3s, rel=1e-6)
    vp = 0.5 * density * (point.ports["saw"].flow_m3s / (math.pi / 4 * four**2)) ** 2
    hood = (1.0 + 0.49) * vp
    branch_static = hood + 0.22 * vp + hf * 12.0 * vp
    assert -point.ports["saw"].static_pa == pytest.approx(branch_static, rel=1e-5)
    main_vp = 0.5 * density * (point.flow_m3s / (math.pi / 4 * six**2)) ** 2
    fan_inlet_static = branch_static - vp + 0.28 * vp + 0.5 * main_vp + main_vp
    assert -point.inlet_pa == pytest.approx(fan_inlet_static, rel=1e-5)
