"""What must hold for any shop: monotony, similarity, balance of mass, and batch against single."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.air import Air
from analysis.duct import fittings
from analysis.duct.design import FAN, DuctDesign, Hose, Join, Port, Run
from analysis.duct.fan import FanPoint
from analysis.duct.fittings import same_size
from analysis.duct.points import OperatingPoints
from analysis.duct.solve import every_gate_set, solve, solve_many
from tests.analysis.duct.shops import PVC_M, chair_barn, crowded_shop, fan, random_shop, thirteen_ports, with_stated_joins
from tests.support.thoroughness import examples

SEEDS = st.integers(min_value=0, max_value=10**9)
quick = settings(max_examples=examples(60), deadline=None, derandomize=True)


def tight(design: DuctDesign) -> DuctDesign:
    """The same shop without any leak."""
    return replace(
        design, runs=tuple(replace(run, leak_m2=0.0) for run in design.runs),
        ports=tuple(replace(port, leak_m2=0.0) for port in design.ports),
    )


def opened_one_more(found: OperatingPoints) -> tuple[float, float, str, str, tuple[str, ...]]:
    """Over all gate sets and one more gate opened in each: how far total flow fell, how far another open port's flow
    rose (both relative), and for the latter the gate opened, the port that gained and the gate set before."""
    ports = found.gates.shape[1]
    index = np.arange(len(found))
    fell, rose, case = 0.0, 0.0, ("", "", ())
    for bit in range(ports):
        before = index[(index >> bit & 1) == 0]
        after = before | (1 << bit)
        fell = max(fell, float(np.max(1.0 - found.flow_m3s[after] / found.flow_m3s[before])))
        others = found.gates[before].copy()
        others[:, bit] = False
        gain = np.where(others, found.port_flow_m3s[after] / found.port_flow_m3s[before] - 1.0, -1.0)
        row, column = np.unravel_index(int(gain.argmax()), gain.shape)
        if gain[row, column] > rose:
            rose = float(gain[row, column])
            case = (found.port_names[bit], found.port_names[column], found.open_ports(int(before[row])))
    return fell, rose, *case


@quick
@given(SEEDS)
def test_opening_a_gate_never_lowers_the_total_nor_raises_another_port(seed: int) -> None:
    """With junction losses that do not depend on the flows, and a fan whose pressure falls with flow."""
    design = with_stated_joins(random_shop(seed), 0.3)
    fell, rose, *_ = opened_one_more(solve_many(design, every_gate_set(design)))
    assert fell < 1e-6
    assert rose < 1e-6


@pytest.mark.parametrize("design", [chair_barn(), thirteen_ports()], ids=["barn", "thirteen"])
def test_ordinary_shops_keep_that_rule_with_real_junctions(design: DuctDesign) -> None:
    design = replace(design, fan=fan(1.5, falling=True))
    fell, rose, *_ = opened_one_more(solve_many(design, every_gate_set(design)))
    assert fell < 1e-6
    assert rose < 1e-6


@quick
@given(SEEDS)
def test_junctions_that_depend_on_the_flows_break_that_rule_by_little(seed: int) -> None:
    """Of 4,000 such shops six break it: a port gains 0.7 % at most, the total loses 0.03 % at most (measured)."""
    design = random_shop(seed)
    fell, rose, *_ = opened_one_more(solve_many(design, every_gate_set(design)))
    assert fell < 0.002
    assert rose < 0.02


def test_a_port_that_gains_is_drawn_by_its_neighbours_stream() -> None:
    """The ejector: opening a strong neighbour takes suction from the main, and yet a weak port beside it gains.

    The gain comes from the junction alone: the fast stream lowers the static pressure there below the main's total
    pressure by its velocity pressure. With a stated junction loss the same step lowers the port's flow.
    """
    weak = Port("weak", "main", 0.05, 3e-5, 1.0, join=Join.wye(30.0), entry_k=3.0)
    strong = Port("strong", "main", 0.10, 3e-5, 0.5, join=Join.straight(), entry_k=0.04, gate_k=0.0)
    main = Run("main", "fan", 0.10, 3e-5, 0.5)
    design = replace(chair_barn(), runs=(main,), ports=(weak, strong), fan=fan(3.0, falling=True))
    before, after = solve(design, ["weak"]), solve(design, ["weak", "strong"])
    assert after.runs["main"].total_pa > before.runs["main"].total_pa
    assert after.ports["weak"].flow_m3s > 1.1 * before.ports["weak"].flow_m3s
    assert before.ports["weak"].total_pa > before.runs["main"].total_pa
    assert after.ports["weak"].total_pa < after.runs["main"].total_pa
    assert after.ports["weak"].total_pa > after.runs["main"].static_pa - after.runs["main"].velocity_pa
    stated = with_stated_joins(design, 0.3)
    assert solve(stated, ["weak", "strong"]).ports["weak"].flow_m3s < solve(stated, ["weak"]).ports["weak"].flow_m3s


@quick
@given(SEEDS)
def test_a_tight_shut_port_changes_nothing(seed: int) -> None:
    """Another port with a gate that lets nothing through, at any run and in any way, is as if it were not there."""
    rng = random.Random(seed)
    design = random_shop(seed)
    run = rng.choice(design.runs)
    straight = any(piece.into == run.name and piece.join.kind == "straight" for piece in (*design.runs, *design.ports))
    join = rng.choice([Join.wye(30.0), Join.wye(60.0), Join.tee(), Join.stated(0.4, 45.0)])
    port = Port("tight", run.name, run.diameter_m * rng.uniform(0.4, 1.0), PVC_M, 2.0,
                join=join if straight else Join.straight(), leak_m2=0.0)
    ports = list(design.ports)
    ports.insert(rng.randint(0, len(ports)), port)
    more = replace(design, ports=tuple(ports))
    opened = [name for name in design.port_names if rng.random() < 0.7]
    before, after = solve(design, opened), solve(more, opened)
    assert after.inlet_pa == pytest.approx(before.inlet_pa, rel=1e-5)
    for name, state in before.ports.items():
        assert after.ports[name].flow_m3s == pytest.approx(state.flow_m3s, rel=1e-4, abs=1e-5 * before.flow_m3s)


@quick
@given(SEEDS, st.floats(min_value=5.0, max_value=180.0))
def test_a_real_taper_never_loses_more_than_none(seed: int, taper: float) -> None:
    """Reducers written down at the end of every piece that flows into a wider one: whichever port is open alone, it
    draws no less air than with the bare steps. (Of several open ports a neighbour may draw less, since the jet from a
    step helps to draw it along.)"""
    rng = random.Random(seed)
    design = tight(random_shop(seed))
    wide = {run.name: run.diameter_m for run in design.runs}

    def tapered(piece: Any) -> Any:
        if piece.into == FAN or rng.random() < 0.3 or same_size(piece.diameter_m, wide[piece.into]):
            return piece
        text = f"reducer {1e3 * piece.diameter_m:.9f} mm to {1e3 * wide[piece.into]:.9f} mm taper {taper:.3f}"
        fitted = fittings.fitted([text], piece.diameter_m)
        assert fitted.k == 0.0
        assert piece.diameter_m * (1.0 - 1e-9) <= fitted.end_m <= wide[piece.into]
        return replace(piece, end_diameter_m=fitted.end_m)

    better = replace(
        design, runs=tuple(map(tapered, design.runs)), ports=tuple(map(tapered, design.ports))
    )
    for name in design.port_names:
        assert solve(better, [name]).flow_m3s >= solve(design, [name]).flow_m3s * (1.0 - 1e-5)


@quick
@given(SEEDS, st.floats(min_value=0.4, max_value=2.5))
def test_similarity_in_density(seed: int, factor: float) -> None:
    """Same kinematic viscosity, a drag that goes with density: same flows; pressures and power go with density."""
    design = random_shop(seed)
    air = design.air
    dense = replace(air, density_kgm3=air.density_kgm3 * factor, viscosity_pas=air.viscosity_pas * factor)
    opened = design.port_names[::2]
    drag = design.filter.clean_drag_pasm3
    one, two = solve(design, opened), solve(design, opened, air=dense, filter_drag_pasm3=drag * factor)
    assert two.flow_m3s == pytest.approx(one.flow_m3s, rel=1e-8)
    assert two.inlet_pa == pytest.approx(one.inlet_pa * factor, rel=1e-8)
    assert two.shaft_w == pytest.approx((one.shaft_w or 0.0) * factor, rel=1e-8)
    for name, port in one.ports.items():
        assert two.ports[name].flow_m3s == pytest.approx(port.flow_m3s, rel=1e-6)


@quick
@given(SEEDS, st.floats(min_value=0.5, max_value=1.5))
def test_similarity_in_speed(seed: int, ratio: float) -> None:
    """The fan laws hold for the whole system at the same Reynolds numbers and a drag that goes with speed: Q, Q n; p, p
    n^2; W, W n^3."""
    design = random_shop(seed)
    air = design.air
    thick = Air(air.density_kgm3, air.viscosity_pas * ratio, air.temperature_c, air.pressure_pa, air.relative_humidity)
    opened = design.port_names[1:]
    drag = design.filter.clean_drag_pasm3
    one = solve(design, opened)
    two = solve(design, opened, air=thick, filter_drag_pasm3=drag * ratio, fan_speed_ratio=ratio)
    assert two.flow_m3s == pytest.approx(one.flow_m3s * ratio, rel=1e-8)
    assert two.inlet_pa == pytest.approx(one.inlet_pa * ratio**2, rel=1e-8)
    assert two.shaft_w == pytest.approx((one.shaft_w or 0.0) * ratio**3, rel=1e-8)


@quick
@given(SEEDS, st.floats(min_value=0.5, max_value=2.0))
def test_similarity_in_size(seed: int, scale: float) -> None:
    """Every length times s, the fan's flow times s^2 at the same pressures, viscosity times s: same velocities."""
    design = random_shop(seed)
    air = replace(design.air, viscosity_pas=design.air.viscosity_pas * scale)
    runs = tuple(
        replace(run, diameter_m=run.diameter_m * scale, length_m=run.length_m * scale,
                roughness_m=run.roughness_m * scale, leak_m2=run.leak_m2 * scale**2)
        for run in design.runs
    )
    ports = tuple(
        replace(port, diameter_m=port.diameter_m * scale, length_m=port.length_m * scale,
                roughness_m=port.roughness_m * scale, leak_m2=port.leak_m2 * scale**2,
                hose=port.hose and Hose(port.hose.diameter_m * scale, port.hose.roughness_m * scale,
                                        port.hose.length_m * scale))
        for port in design.ports
    )
    points = tuple(FanPoint(point.flow_m3s * scale**2, point.static_pa, point.shaft_w) for point in design.fan.points)
    large = replace(design, runs=runs, ports=ports, fan=replace(design.fan, points=points))
    opened = design.port_names[:3]
    drag = design.filter.clean_drag_pasm3
    one = solve(design, opened)
    two = solve(large, opened, air=air, filter_drag_pasm3=drag / scale**2)
    assert two.flow_m3s == pytest.approx(one.flow_m3s * scale**2, rel=1e-7)
    assert two.inlet_pa == pytest.approx(one.inlet_pa, rel=1e-7)
    for name, run in one.runs.items():
        assert two.runs[name].velocity_ms == pytest.approx(run.velocity_ms, rel=1e-6)


@quick
@given(SEEDS)
def test_mass_balances_at_every_junction(seed: int) -> None:
    design = random_shop(seed, falling=False)
    tight = replace(design, runs=tuple(replace(run, leak_m2=0.0) for run in design.runs))
    found = solve_many(tight, every_gate_set(tight))
    column = {name: index for index, name in enumerate(tight.run_names)}
    for run in tight.runs:
        into = sum(found.run_flow_m3s[:, column[other.name]] for other in tight.runs if other.into == run.name)
        into = into + sum(found.port_flow_m3s[:, i] for i, port in enumerate(tight.ports) if port.into == run.name)
        np.testing.assert_allclose(into, found.run_flow_m3s[:, column[run.name]], rtol=1e-9, atol=1e-12)


@quick
@given(SEEDS, st.floats(min_value=1.0, max_value=2e4))
def test_any_shop_is_solved_and_batch_agrees_with_single(seed: int, drag: float) -> None:
    design = random_shop(seed, falling=seed % 2 == 0)
    gates = every_gate_set(design)
    found = solve_many(design, gates, filter_drag_pasm3=drag)
    assert np.isfinite(found.port_flow_m3s).all()
    for index in {0, len(gates) // 3, len(gates) - 1}:
        one = solve(design, found.open_ports(index), filter_drag_pasm3=drag)
        assert found.flow_m3s[index] == pytest.approx(one.flow_m3s, rel=1e-6)
        flows = [port.flow_m3s for port in one.ports.values()]
        np.testing.assert_allclose(found.port_flow_m3s[index], flows, rtol=1e-6, atol=1e-6 * one.flow_m3s * 1e-3)


@quick
@given(SEEDS)
def test_a_crowded_drawing_is_solved_and_batch_agrees_with_single(seed: int) -> None:
    """Up to 24 ports at one place on a main that is too small for them; what blows back has its remark. Ten thousand of
    them: ``tests/bench/drawings.py``."""
    design = crowded_shop(seed)
    gates = np.random.default_rng(seed).random((4, len(design.ports))) < 0.6
    found = solve_many(design, gates)
    for index in range(4):
        point = solve(design, found.open_ports(index))
        flows = [port.flow_m3s for port in point.ports.values()]
        np.testing.assert_allclose(found.port_flow_m3s[index], flows, rtol=1e-4, atol=1e-5 * point.flow_m3s)
        told = {remark.where for remark in point.remarks if remark.kind == "blows_back"}
        assert {name for name in point.open_ports if point.ports[name].flow_m3s < 0.0} <= told


@quick
@given(SEEDS)
def test_more_drag_less_flow(seed: int) -> None:
    design = random_shop(seed)
    gates = np.ones((30, len(design.ports)), dtype=bool)
    found = solve_many(design, gates, filter_drag_pasm3=np.geomspace(10.0, 1e5, 30))
    assert (np.diff(found.flow_m3s) < 0.0).all()
    assert (np.diff(found.inlet_pa) > 0.0).all()
