"""The solver's answers put back into the component formulas, its faults, its refusals and its remarks."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from analysis.air import moist_air, standard_air
from analysis.duct import elbows, single
from analysis.duct.design import AsBuilt, DuctDesign, Faults, FlowAtPressure, Join, Port, Run
from analysis.duct.network import DesignError
from analysis.duct.points import OperatingPoint
from analysis.duct.separator import Separator
from analysis.duct.solve import every_gate_set, solve, solve_many
from tests.analysis.duct.darcy import loss_scalar
from tests.analysis.duct.momentum import Stream, losses
from tests.analysis.duct.shops import chair_barn, random_shop, thirteen_ports

GATE_SETS = [[], ["port 0"], ["port 9"], ["port 2", "port 6"], ["port 1", "port 4", "port 7", "port 12"], None]


def state(point: OperatingPoint, name: str):  # type: ignore[no-untyped-def]
    return point.runs[name] if name in point.runs else point.ports[name]


def friction(piece: Run | Port, flow: float, design: DuctDesign) -> float:
    air = design.air
    return loss_scalar(
        flow, piece.length_m, piece.diameter_m, piece.roughness_m, air.density_kgm3, air.viscosity_pas
    )


def dynamic(flow: float, area: float, design: DuctDesign) -> float:
    return 0.5 * design.air.density_kgm3 * (flow / area) ** 2


def port_loss(port: Port, flow: float, design: DuctDesign) -> float:
    """Total pressure lost from the room to the end of an open port's pipe, from the handbook formulas."""
    lost = friction(port, flow, design) + (port.fittings_k + (port.gate_k or 0.0)) * dynamic(flow, port.area_m2, design)
    if port.hose is None:
        return lost + port.entry_k * dynamic(flow, port.area_m2, design)
    hose = port.hose
    section = math.pi / 4 * hose.diameter_m**2
    lost += loss_scalar(flow, hose.length_m, hose.diameter_m, hose.roughness_m, design.air.density_kgm3,
                        design.air.viscosity_pas)
    lost += port.entry_k * dynamic(flow, section, design)
    return lost + elbows.expansion(hose.diameter_m / port.diameter_m) * dynamic(flow, section, design)


@pytest.mark.parametrize("opened", GATE_SETS)
def test_the_answer_satisfies_the_component_formulas(opened: list[str] | None) -> None:
    design = thirteen_ports()
    point = solve(design, design.port_names if opened is None else opened)
    scale = abs(point.inlet_pa)
    head = {}
    for run in design.runs:
        flow = point.runs[run.name].flow_m3s
        lost = friction(run, flow, design) + run.fittings_k * dynamic(flow, run.area_m2, design)
        head[run.name] = point.runs[run.name].total_pa + lost
    for port in design.ports:
        flow = point.ports[port.name].flow_m3s
        if port.name in point.open_ports:
            assert point.ports[port.name].total_pa == pytest.approx(-port_loss(port, flow, design), abs=2e-6 * scale)
    met = 0
    for run in design.runs:
        children = [piece for piece in (*design.runs, *design.ports) if piece.into == run.name]
        whole = point.runs[run.name].flow_m3s
        assert sum(state(point, piece.name).flow_m3s for piece in children) == pytest.approx(whole, rel=1e-9)
        streams = [
            Stream(state(point, piece.name).flow_m3s / whole, piece.area_m2 / run.area_m2, piece.join.angle_deg)
            for piece in children
        ]
        for piece, k in zip(children, losses(streams), strict=True):
            before = state(point, piece.name).total_pa
            assert before - k * dynamic(whole, run.area_m2, design) == pytest.approx(head[run.name], abs=2e-6 * scale)
            met += 1
    assert met == 23
    main = point.runs["main"]
    rise = design.fan.pressure_scalar(point.flow_m3s, 1.0, design.air.density_kgm3)[0]
    assert point.filter_pa == pytest.approx(design.filter.clean_drag_pasm3 * point.flow_m3s, rel=1e-12)
    assert main.total_pa + rise == pytest.approx(point.filter_pa, abs=2e-6 * scale)
    assert point.inlet_pa == main.static_pa == pytest.approx(main.total_pa - main.velocity_pa, rel=1e-12)


def test_every_gate_set_of_thirteen_ports_to_a_millionth(monkeypatch: pytest.MonkeyPatch) -> None:
    design = thirteen_ports()
    gates = every_gate_set(design)
    assert gates.shape == (8192, 13)
    assert not gates[0].any()
    assert gates[-1].all()
    found = solve_many(design, gates)
    assert np.isfinite(found.flow_m3s).all()
    assert (found.port_flow_m3s > 0.0).all()
    np.testing.assert_allclose(found.port_flow_m3s.sum(axis=1), found.flow_m3s, rtol=1e-9)
    monkeypatch.setattr(single, "STEP_TOLERANCE", 1e-12)
    for index in (0, 1, 2, 77, 1000, 4095, 4096, 5461, 8190, 8191):
        exact = solve(design, found.open_ports(index))
        assert found.flow_m3s[index] == pytest.approx(exact.flow_m3s, rel=1e-7)
        ports = [port.flow_m3s for port in exact.ports.values()]
        np.testing.assert_allclose(found.port_flow_m3s[index], ports, rtol=1e-6)


@pytest.mark.parametrize("seed", range(40))
def test_one_by_one_and_many_at_once_agree(seed: int) -> None:
    design = random_shop(seed, falling=False)
    gates = every_gate_set(design)[::5]
    drag = np.linspace(50.0, 6000.0, len(gates))
    speed = np.linspace(0.5, 1.1, len(gates))
    many = solve_many(design, gates, filter_drag_pasm3=drag, fan_speed_ratio=speed, line_v=225.0)
    assert many.shaft_w is not None
    assert many.motor_a is not None
    for index in range(0, len(gates), 7):
        one = solve(design, many.open_ports(index), filter_drag_pasm3=float(drag[index]),
                    fan_speed_ratio=float(speed[index]), line_v=225.0)
        assert many.flow_m3s[index] == pytest.approx(one.flow_m3s, rel=1e-6)
        assert many.inlet_pa[index] == pytest.approx(one.inlet_pa, rel=1e-6)
        assert many.filter_pa[index] == pytest.approx(one.filter_pa, rel=1e-6)
        assert many.fan_static_pa[index] == pytest.approx(one.fan_static_pa, rel=1e-6)
        assert many.shaft_w[index] == pytest.approx(one.shaft_w, rel=1e-6)
        assert many.motor_a[index] == pytest.approx(one.motor_a, rel=1e-6)
        for column, port in enumerate(one.ports.values()):
            assert many.port_flow_m3s[index, column] == pytest.approx(port.flow_m3s, rel=1e-6, abs=1e-9)
            assert many.port_velocity_ms[index, column] == pytest.approx(port.velocity_ms, rel=1e-6, abs=1e-7)
            assert many.port_static_pa[index, column] == pytest.approx(port.static_pa, rel=1e-6, abs=1e-3)
        for column, run in enumerate(one.runs.values()):
            assert many.run_flow_m3s[index, column] == pytest.approx(run.flow_m3s, rel=1e-6, abs=1e-9)
            assert many.run_static_pa[index, column] == pytest.approx(run.static_pa, rel=1e-6, abs=1e-3)


SIGNS = {
    "run blocked": ({"faults": Faults(blockage={"main": 0.35})}, (+1, -1, -1)),
    "branch blocked": ({"faults": Faults(blockage={"planer": 0.4})}, (+1, -1, -1)),
    "filter loaded": ({"filter_drag_pasm3": 2500.0}, (-1, +1, -1)),
    "bag torn": ({"filter_drag_pasm3": 250.0}, (+1, -1, +1)),
    "leak": ({"faults": Faults(leak_m2={"main": 3e-3})}, (-1, +1, +1)),
    "hose off": ({"faults": Faults(hose_off=frozenset({"planer"}))}, (-1, +1, +1)),
    "fan slow": ({"fan_speed_ratio": 0.85}, (-1, -1, -1)),
    "wheel worn": ({"as_built": AsBuilt(fan_pressure=0.8)}, (-1, -1, -1)),
}


@pytest.mark.parametrize("case", SIGNS)
def test_faults_have_the_signs_of_a_single_fan_with_bags_behind_it(case: str) -> None:
    """Size of inlet suction, filter pressure and motor current: common practice, no source."""
    design = chair_barn()
    changes, signs = SIGNS[case]
    before, after = solve(design, ["planer"]), solve(design, ["planer"], **changes)  # type: ignore[arg-type]
    assert before.motor_a is not None
    assert after.motor_a is not None
    moved = (
        abs(after.inlet_pa) - abs(before.inlet_pa), after.filter_pa - before.filter_pa, after.motor_a - before.motor_a
    )
    assert tuple(int(math.copysign(1, change)) for change in moved) == signs
    another = solve(design, ["planer", "lathe"])
    assert abs(another.inlet_pa) < abs(before.inlet_pa)
    assert another.filter_pa > before.filter_pa


def test_a_partly_open_gate_lies_between_shut_and_open() -> None:
    design = chair_barn()
    shut, wide = solve(design, []), solve(design, ["lathe"])
    flows = [
        solve(design, ["lathe"], faults=Faults(gate_opening={"lathe": share})).ports["lathe"].flow_m3s
        for share in (0.001, 0.05, 0.2, 0.5, 0.8, 1.0)
    ]
    assert flows == sorted(flows)
    assert flows[0] < 1.2 * shut.ports["lathe"].flow_m3s
    assert flows[-1] == pytest.approx(wide.ports["lathe"].flow_m3s, rel=1e-9)


def test_factors_of_the_shop_as_built() -> None:
    design = chair_barn()
    plain = solve(design, ["planer"])
    assert solve(design, ["planer"], as_built=AsBuilt()).flow_m3s == plain.flow_m3s
    rough = solve(design, ["planer"], as_built=AsBuilt(port_k={"planer": 1.3}, run_k={"main": 1.2}))
    assert rough.flow_m3s < plain.flow_m3s
    assert solve(design, [], as_built=AsBuilt(leak=2.0)).flow_m3s == pytest.approx(
        2.0 * solve(design, []).flow_m3s, rel=0.02
    )
    assert solve(design, ["planer"], as_built=AsBuilt(motor_current=1.1)).motor_a == pytest.approx(
        1.1 * (plain.motor_a or 0.0), rel=1e-12
    )
    assert solve(design, ["planer"], as_built=AsBuilt(filter_drag=1.5)).filter_drag_pasm3 == 1.5 * 880.0
    wide = solve(design, ["planer"], as_built=AsBuilt(fan_flow=1.1))
    assert wide.fan_static_pa == pytest.approx(
        design.fan.pressure_scalar(wide.flow_m3s / 1.1, 1.0, design.air.density_kgm3)[0], rel=1e-9
    )


def test_leaks_draw_from_the_static_pressure() -> None:
    """An opening of effective area A lets in A sqrt(2 suction / density), by definition of that area."""
    area = 8e-4
    design = chair_barn()
    runs = tuple(replace(run, leak_m2=area) if run.name == "main" else run for run in design.runs)
    point = solve(replace(design, runs=runs), ["planer"])
    main = point.runs["main"]
    fed = point.runs["east main"].flow_m3s + point.runs["bench run"].flow_m3s
    lost = friction(design.runs[0], main.flow_m3s, design) + design.runs[0].fittings_k * main.velocity_pa
    suction = -(main.static_pa + lost)
    assert main.flow_m3s - fed == pytest.approx(area * math.sqrt(2.0 * suction / design.air.density_kgm3), rel=1e-6)


def test_openings_and_gates_may_be_stated_as_a_flow_at_a_pressure() -> None:
    design = chair_barn()
    port = replace(design.ports[3], entry_flow=FlowAtPressure(0.16, 900.0, 1.2), leak_flow=FlowAtPressure(0.004, 2500.0))
    shop = replace(design, ports=(*design.ports[:3], port), air=replace(standard_air(), density_kgm3=1.2))
    wide = solve(shop, ["shaving horse"]).ports["shaving horse"]
    behind = port_loss(replace(port, entry_k=0.0), wide.flow_m3s, shop)
    opening = -wide.total_pa - behind + wide.velocity_pa
    assert opening == pytest.approx(900.0 * (wide.flow_m3s / 0.16) ** 2, rel=1e-6)
    shut = solve(shop, ["planer"]).ports["shaving horse"]
    assert shut.flow_m3s == pytest.approx(0.004 * math.sqrt(-shut.total_pa / 2500.0), rel=1e-2)


def test_a_separator_loses_its_stated_pressure_before_the_tap() -> None:
    design = replace(chair_barn(), separator=Separator(500.0, 0.3))
    plain, point = solve(chair_barn(), ["planer"]), solve(design, ["planer"])
    assert point.flow_m3s < plain.flow_m3s
    main = design.runs[0]
    lost = friction(main, point.flow_m3s, design) + main.fittings_k * point.runs["main"].velocity_pa
    assert point.inlet_pa < plain.inlet_pa
    drop = 500.0 * (point.flow_m3s / 0.3) ** 2
    upstream = point.runs["main"].total_pa + lost + drop
    share = point.runs["east main"].flow_m3s / point.flow_m3s
    bench = design.runs[2].area_m2 / main.area_m2
    k = losses([Stream(share, 1.0, 0.0), Stream(1.0 - share, bench, 45.0)])[0]
    assert point.runs["east main"].total_pa - k * point.runs["main"].velocity_pa == pytest.approx(upstream, abs=0.01)


def test_thin_air_makes_small_pressures_and_much_the_same_flow() -> None:
    design = chair_barn()
    low, high = solve(design, ["planer"]), solve(design, ["planer"], air=moist_air(20.0, 80e3))
    assert high.density_kgm3 < 0.82 * low.density_kgm3
    assert high.inlet_pa > 0.85 * low.inlet_pa
    assert high.flow_m3s == pytest.approx(low.flow_m3s, rel=0.03)


def test_the_main_below_carrying_velocity_is_a_remark() -> None:
    design = chair_barn()
    alone = solve(design, ["shaving horse"])
    slow = {remark.where for remark in alone.remarks if remark.kind == "below_carrying_velocity"}
    assert slow == {"main"}
    remark = alone.remarks[0]
    assert remark.words == "with this gate set the run 'main' runs below carrying velocity by design"
    assert remark.value == pytest.approx(alone.runs["main"].velocity_ms)
    assert remark.limit == design.material.main_velocity_ms
    assert not alone.runs["east main"].in_use
    crowd = solve(design, design.port_names)
    short = {remark.where for remark in crowd.remarks if remark.kind == "short_of_need"}
    assert short == {name for name, port in crowd.ports.items() if (port.need_share or 1.0) < 0.995}
    assert solve(design, []).remarks == ()


def test_a_fan_driven_past_its_points_is_a_remark() -> None:
    small = replace(chair_barn(), fan=replace(chair_barn().fan, points=chair_barn().fan.points[:4]))
    last = small.fan.points[-1].flow_m3s
    for opened in ([], ["planer"], small.port_names):
        point = solve(small, opened)
        told = [remark.limit for remark in point.remarks if remark.kind == "outside_fan_points"]
        assert told == ([last] if point.flow_m3s > last else [])
    assert told == [last]


def test_impossible_questions_are_refused() -> None:
    design = chair_barn()
    with pytest.raises(ValueError, match=r"no port named \['router'\]; known: planer, bandsaw"):
        solve(design, ["router"])
    with pytest.raises(ValueError, match="filter drag is -1"):
        solve(design, [], filter_drag_pasm3=-1.0)
    with pytest.raises(ValueError, match="filter drag is nan"):
        solve(design, [], filter_drag_pasm3=math.nan)
    with pytest.raises(ValueError, match="speed ratio is 0"):
        solve(design, [], fan_speed_ratio=0.0)
    with pytest.raises(ValueError, match="line voltage is 0 V"):
        solve(design, [], line_v=0.0)
    with pytest.raises(ValueError, match=r"shape \(3,\); allowed: \(n, 4\)"):
        solve_many(design, np.ones(3, dtype=bool))
    with pytest.raises(ValueError, match=r"filter drag has the shape \(3,\)"):
        solve_many(design, np.ones((2, 4), dtype=bool), filter_drag_pasm3=[1.0, 2.0, 3.0])
    with pytest.raises(DesignError, match="'attic' is not in the design"):
        solve(design, [], faults=Faults(blockage={"attic": 0.5}))
    with pytest.raises(DesignError, match=r"blockage, 'main': 1\.5 must be above zero and at most 1"):
        solve(design, [], faults=Faults(blockage={"main": 1.5}))
    with pytest.raises(DesignError, match="as-built factor, 'leak'"):
        solve(design, [], as_built=AsBuilt(leak=0.0))


def test_no_gate_sets_give_no_points() -> None:
    assert len(solve_many(chair_barn(), np.zeros((0, 4), dtype=bool))) == 0


def test_gates_without_any_leak_are_solved_too() -> None:
    design = chair_barn()
    tight = replace(design, ports=tuple(replace(port, leak_m2=0.0) for port in design.ports))
    shut = solve(tight, [])
    assert 0.0 < shut.flow_m3s < 1e-5
    assert -shut.inlet_pa == pytest.approx(
        design.fan.pressure_scalar(0.0, 1.0, design.air.density_kgm3)[0], rel=1e-3
    )


def test_one_port_one_run_is_a_shop() -> None:
    run = Run("pipe", "fan", 0.15, 3e-5, 3.0)
    port = Port("saw", "pipe", 0.1, 3e-5, 2.0, join=Join.wye(45.0), entry_k=0.5)
    design = replace(chair_barn(), runs=(run,), ports=(port,))
    point = solve(design, ["saw"])
    into = losses([Stream(1.0, (0.1 / 0.15) ** 2, 45.0)])[0]
    lost = into * point.runs["pipe"].velocity_pa + friction(run, point.flow_m3s, design)
    assert point.ports["saw"].total_pa - lost == pytest.approx(point.runs["pipe"].total_pa, rel=1e-6)


def test_air_too_slow_after_the_fan_is_a_remark_while_it_carries_chips() -> None:
    barn = chair_barn()
    design = replace(barn, discharge=(Run("adaptor", "-", 0.1, 9e-5, 0.3), Run("to the bags", "-", 0.25, 9e-5, 3.0)))
    point = solve(design, ["planer"])
    slow = {remark.where: remark for remark in point.remarks if remark.kind == "below_carrying_velocity"}
    assert "adaptor" not in slow
    assert slow["to the bags"].value == pytest.approx(point.flow_m3s / (math.pi / 4 * 0.25**2))
    assert slow["to the bags"].limit == design.material.main_velocity_ms
    assert solve(design, []).remarks == ()
    clean = replace(design, filter=replace(design.filter, before_fan=True))
    assert "to the bags" not in {remark.where for remark in solve(clean, ["planer"]).remarks}, "clean air carries nothing"
