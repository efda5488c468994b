"""The table of expected readings: against the solver itself, and its sensitivities against finite differences."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.duct.design import AsBuilt
from analysis.duct.solve import solve_many
from analysis.estimator.gatesets import gate_sets
from analysis.estimator.response import Response
from analysis.estimator.uncertain import SHARED, names_of, prior_sd, uncertain_parts
from tests.bench.shops import drawn_barn, random_shop
from tests.support.thoroughness import draws

DESIGN = drawn_barn()[1]
SETS = gate_sets([p.has_gate for p in DESIGN.ports])
NODE = 2


@pytest.fixture(scope="module")
def response() -> Response:
    parts = uncertain_parts(DESIGN, None, zero_inlet_pa=3.0, zero_filter_pa=2.0, density_sd=0.03)
    return Response(DESIGN, None, parts, SETS)


def read(response: Response, built: AsBuilt | None = None, log_drag: float | None = None) -> tuple[np.ndarray, np.ndarray]:
    drag = math.exp(response.column(NODE).log_drag if log_drag is None else log_drag)
    points = solve_many(DESIGN, SETS, filter_drag_pasm3=drag, as_built=built or AsBuilt())
    return points.flow_m3s, np.column_stack([points.inlet_pa, points.filter_pa, points.motor_a])


def differences(response: Response, factor: str, name: str = "") -> tuple[np.ndarray, np.ndarray]:
    step = 1e-3
    value = {factor: {name: math.exp(step)} if name else math.exp(step)}
    other = {factor: {name: math.exp(-step)} if name else math.exp(-step)}
    q1, y1 = read(response, AsBuilt(**value))
    q2, y2 = read(response, AsBuilt(**other))
    return np.log(q1 / q2) / (2 * step), (y1 - y2) / (2 * step)


@pytest.mark.parametrize(("part", "factor", "name", "slack"), [
    ("fan_pressure", "fan_pressure", "", 0.03), ("fan_flow", "fan_flow", "", 0.03),
    ("port:planer", "port_k", "planer", 0.25), ("port:lathe", "port_k", "lathe", 0.25)])
def test_sensitivities_are_those_of_the_solver(
    response: Response, part: str, factor: str, name: str, slack: float
) -> None:
    """``slack`` relative to the largest over the gate sets; ports share power with junctions, so theirs are coarser."""
    column = response.column(NODE)
    place = response.uncertain.index(part)
    flow, y = differences(response, factor, name)
    assert np.abs(column.flow_to_parts[:, place] - flow).max() < slack * np.abs(flow).max()
    found = np.asarray(column.to_parts[:, :3, place])
    for channel in range(3):
        assert np.abs(found[:, channel] - y[:, channel]).max() < slack * np.abs(y[:, channel]).max()


def test_one_gate_alone_gives_port_sensitivity_to_a_few_percent(response: Response) -> None:
    alone = [i for i, row in enumerate(SETS) if row.sum() == 1]
    for port in DESIGN.port_names:
        flow, _ = differences(response, "port_k", port)
        found = response.column(NODE).flow_to_parts[alone, response.uncertain.index(f"port:{port}")]
        assert found == pytest.approx(flow[alone], rel=0.05, abs=1e-4)


def test_leak_matters_where_everything_is_shut(response: Response) -> None:
    flow, _ = differences(response, "leak")
    shut = int(np.flatnonzero(SETS.sum(axis=1) == 0)[0])
    # The joints of the runs leak as well in this shop; the shut gates carry most of it.
    assert response.column(NODE).flow_to_parts[shut, response.uncertain.index("leak")] == pytest.approx(
        flow[shut], abs=0.25)


def test_drag_and_interpolation_agree_with_the_solver(response: Response) -> None:
    log_drag = response.log_clean + 0.61
    flow, y = read(response, log_drag=log_drag)
    found = response.at(log_drag)
    assert found.flow == pytest.approx(flow, rel=3e-4)
    assert found.y[:, :3] == pytest.approx(y, rel=5e-4)
    above, _ = read(response, log_drag=response.column(NODE).log_drag + 1e-3)
    below, _ = read(response, log_drag=response.column(NODE).log_drag - 1e-3)
    assert response.column(NODE).flow_to_drag == pytest.approx(np.log(above / below) / 2e-3, rel=0.03, abs=1e-4)
    for row in (0, 3, 9):
        assert response.flow_at(log_drag, row)[0] == pytest.approx(found.flow[row], rel=1e-12)


def test_the_curve_of_fan_and_drag_passes_through_every_gate_set(response: Response) -> None:
    """Whatever the gates: inlet and current follow from flow and drag by the fan and the motor alone."""
    log_drag = response.column(NODE).log_drag
    flow, y = read(response)
    curve, along = response.curve(log_drag, flow)
    assert curve[:, :3] == pytest.approx(y, rel=1e-5, abs=1e-3)
    more, _ = response.curve(log_drag, flow * 1.001)
    less, _ = response.curve(log_drag, flow * 0.999)
    assert along == pytest.approx((more - less) / (2 * math.atanh(1e-3)), rel=2e-2, abs=2.0)
    for i in (0, 2, 7):
        plain, slope = response.curve_scalar(log_drag, float(flow[i]))
        assert plain == pytest.approx(curve[i].tolist())
        assert slope == pytest.approx(along[i].tolist())


def test_other_air_is_the_same_table_at_another_drag() -> None:
    """Density laws: at density ratio r the flow is that of drag S/r, and pressures are r times the table's."""
    from dataclasses import replace

    ratio = 0.9
    thin = replace(DESIGN.air, density_kgm3=DESIGN.air.density_kgm3 * ratio, viscosity_pas=DESIGN.air.viscosity_pas * ratio)
    drag = 1.4 * DESIGN.filter.clean_drag_pasm3
    there = solve_many(DESIGN, SETS, air=thin, filter_drag_pasm3=drag)
    here = solve_many(DESIGN, SETS, filter_drag_pasm3=drag / ratio)
    assert there.flow_m3s == pytest.approx(here.flow_m3s, rel=1e-6)
    assert there.inlet_pa == pytest.approx(ratio * here.inlet_pa, rel=1e-6)
    assert there.filter_pa == pytest.approx(ratio * here.filter_pa, rel=1e-6)


def test_fan_laws_make_a_slow_fan_the_same_table_too() -> None:
    """At speed ratio n: flow n times that of drag S/n, pressures n^2 times (fan laws, AMCA 201)."""
    n = 0.93
    drag = 1.3 * DESIGN.filter.clean_drag_pasm3
    slow = solve_many(DESIGN, SETS, filter_drag_pasm3=drag, fan_speed_ratio=n)
    usual = solve_many(DESIGN, SETS, filter_drag_pasm3=drag / n)
    assert slow.flow_m3s == pytest.approx(n * usual.flow_m3s, rel=5e-3)  # friction changes a little with Reynolds number
    assert slow.inlet_pa == pytest.approx(n * n * usual.inlet_pa, rel=5e-3)


def test_spread_is_that_of_drawing_the_parts_at_random(response: Response) -> None:
    """Covariance by sensitivities against the covariance over shops drawn from the prior and solved."""
    rng = np.random.default_rng(3)
    sd = dict(zip(names_of(DESIGN), prior_sd(DESIGN, 3.0, 2.0, 0.03), strict=True))
    row = next(i for i, s in enumerate(SETS) if s.tolist() == [True, False, False, False])
    gates = SETS[row:row + 1]
    drag = math.exp(response.column(NODE).log_drag)
    drawn = []
    for _ in range(draws(800)):
        built = AsBuilt(
            fan_pressure=math.exp(rng.normal(0, sd["fan_pressure"])), fan_flow=math.exp(rng.normal(0, sd["fan_flow"])),
            port_k={p: math.exp(rng.normal(0, sd[f"port:{p}"])) for p in DESIGN.port_names},
            run_k={r: math.exp(rng.normal(0, sd[f"run:{r}"])) for r in DESIGN.run_names},
            leak=math.exp(rng.normal(0, sd["leak"])))
        points = solve_many(DESIGN, gates, filter_drag_pasm3=drag, as_built=built)
        drawn.append([points.inlet_pa[0], points.filter_pa[0]])
    wanted = np.sqrt(np.diag(np.cov(np.array(drawn).T)))
    column = response.column(NODE)
    part = [i for i, n in enumerate(response.uncertain.names)
            if n in ("fan_pressure", "fan_flow", "leak") or n.startswith(("port:", "run:"))]
    j = np.asarray(column.to_parts[row, :2, :], dtype=float)[:, part]
    found = np.sqrt(np.diag(j @ response.uncertain.covariance[np.ix_(part, part)] @ j.T))
    assert found == pytest.approx(wanted, rel=0.12)  # 200 draws know a standard deviation to 5 %


def test_a_gate_set_nobody_thought_of_can_be_added() -> None:
    _, design = random_shop(4)
    sets = gate_sets([p.has_gate for p in design.ports])[:5]
    parts = uncertain_parts(design, None, zero_inlet_pa=3.0, zero_filter_pa=2.0, density_sd=0.03)
    response = Response(design, None, parts, sets)
    before = response.at(response.log_clean).flow
    place = response.add(np.ones(len(design.ports), dtype=bool))
    after = response.at(response.log_clean).flow
    assert place == 5
    assert after[:5] == pytest.approx(before)
    assert after[5] > after[:5].max()


def test_columns_are_kept_within_a_bound_and_new_covariances_need_no_new_solution(response: Response) -> None:
    for node in range(-6, 12):
        response.column(node)
    held = sum(c.to_parts.size + c.spread_half.size for c in response._columns.values())
    assert held <= 1_500_000
    before = response.column(NODE)
    response.set_uncertain(
        uncertain_parts(DESIGN, None, zero_inlet_pa=1.0, zero_filter_pa=1.0, density_sd=0.01))
    after = response.column(NODE)
    assert after.flow is before.flow
    assert (np.diagonal(after.spread, axis1=1, axis2=2) <= np.diagonal(before.spread, axis1=1, axis2=2) + 1e-6).all()
    assert len(SHARED) == len(set(SHARED))
