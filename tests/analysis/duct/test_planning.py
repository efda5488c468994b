"""Plans: differences against direct solutions, the signs that an added run brings, and remedies that hold."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from analysis.duct.design import DuctDesign, Hose, Join, Port, Run
from analysis.duct.planning import compare
from analysis.duct.remedies import remedies
from analysis.duct.solve import solve
from analysis.duct.stock import pipe
from analysis.units import CFM_M3S, FOOT_M
from daemon.config.load import load
from tests.analysis.duct.shops import fan

BARN: DuctDesign = load(Path(__file__).parents[3] / "daemon" / "demo" / "chair-barn.toml").design
THIN = pipe("D2729 4 in")
HOSE = pipe("flex stretched 4 in")


def spindle(join: Join, hose_ft: float = 8.0) -> Port:
    """A new port at the bench run with a gate that leaks like the others."""
    return Port(
        "spindle", "bench run", THIN.inside_diameter_m, THIN.roughness_m, 22 * FOOT_M, 0.7, join,
        Hose(HOSE.inside_diameter_m, HOSE.roughness_m, hose_ft * FOOT_M), entry_k=2.5,
        leak_m2=0.01 * BARN.ports[0].area_m2, needs_m3s=350 * CFM_M3S,
    )


def with_ports(*ports: Port) -> DuctDesign:
    return replace(BARN, ports=(*BARN.ports, *ports))


def undersized() -> DuctDesign:
    """The barn with its east main of four-inch pipe."""
    east = replace(BARN.runs[1], diameter_m=THIN.inside_diameter_m)
    return replace(BARN, runs=(BARN.runs[0], east, BARN.runs[2]))


def test_differences_are_those_of_two_solutions() -> None:
    after = with_ports(spindle(Join.wye(45.0)))
    plan = compare(BARN, after, [("planer",), ("lathe", "spindle")])
    for one in plan.sets:
        new, old = solve(after, one.open_ports), solve(BARN, one.open_before)
        for change in one.changes:
            kind, _, name = change.where.partition(" ")
            name = name.strip("'")
            expected = {
                "fan inlet": lambda point: point.inlet_pa, "filter": lambda point: point.filter_pa,
                "motor": lambda point: point.motor_a, "fan": lambda point: point.flow_m3s,
            }.get(change.where)
            if expected is None:
                states = "runs" if kind == "run" else "ports"
                field = "velocity_ms" if change.measure == "velocity" else "flow_m3s"

                def expected(point: object, states: str = states, field: str = field, name: str = name) -> float:
                    return float(getattr(getattr(point, states)[name], field))

            assert change.after is not None
            assert change.after.value == pytest.approx(expected(new))
            if name == "spindle":
                assert change.before is None
                assert change.difference is None
                continue
            assert change.before is not None
            assert change.difference is not None
            assert change.before.value == pytest.approx(expected(old))
            assert change.difference.value == pytest.approx(expected(new) - expected(old), abs=1e-9)


def test_an_added_run_moves_the_measures_in_different_directions() -> None:
    """Its leakage takes suction and flow from every port in use, while velocity in the main rises."""
    plan = compare(BARN, with_ports(spindle(Join.tee())), [("planer",), ("bandsaw",)])
    for one in plan.sets:
        moved = {(change.measure, change.where): change.difference for change in one.changes}
        inlet = moved["inlet static pressure", "fan inlet"]
        port = moved["flow", f"port {one.open_ports[0]!r}"]
        main = moved["velocity", "run 'main'"]
        assert inlet is not None
        assert port is not None
        assert main is not None
        assert inlet.value > 0.0  # less suction: the gauge reading is negative and rises
        assert port.value < 0.0 < main.value
        # the common fan, bags and pieces cancel: the sign of each is certain to better than one standard deviation,
        # though each value alone is known to a few per cent only
        assert abs(port.value) > port.sd
        before = solve(BARN, one.open_before).ports[one.open_ports[0]].flow_m3s
        assert port.sd < 0.01 * before


def test_nothing_falls_where_nothing_changes() -> None:
    plan = compare(BARN, BARN, [("planer",), ("planer", "bandsaw"), BARN.port_names, ()])
    assert plan.first is None
    assert all(change.difference is not None and change.difference.sd == 0.0 for one in plan.sets for change in one.changes)
    # what fell short before is still named, as such
    statuses = {short.status for one in plan.sets for short in one.shortfalls}
    assert statuses == {"already"}


def test_a_main_that_no_port_alone_can_fill_is_no_news() -> None:
    plan = compare(BARN, with_ports(spindle(Join.wye(45.0))), [("spindle",)])
    main = [short for short in plan.sets[0].shortfalls if short.where == "main"]
    assert [short.status for short in main] == ["already"]
    assert all(change.before is None for change in plan.sets[0].changes)


def test_the_first_thing_to_fall_is_the_worst_of_what_was_met() -> None:
    gates = [("planer",), ("planer", "bandsaw")]
    plan = compare(BARN, undersized(), gates)
    first = plan.first
    assert first is not None
    assert first.status == "fell"
    assert first.before is not None
    assert first.before >= 1.0 > first.share
    point = solve(undersized(), first.open_ports)
    state = (point.ports if first.kind == "port" else point.runs)[first.where]
    measured = state.need_share if first.limit == "need" else state.velocity_share
    assert measured == pytest.approx(first.share)
    fell = [short.share for short in plan.fallen if short.status == "fell"]
    assert fell == sorted(fell)
    assert 0.5 < first.probability <= 1.0
    needs = [short for short in plan.fallen if short.limit == "need"]
    assert all(short.alone is not None and short.alone > short.share for short in needs)


def test_remedies_hold_when_solved_again() -> None:
    gates = [("planer", "bandsaw"), ("planer", "lathe")]
    found = remedies(BARN, undersized(), gates)
    assert found
    assert found[0].fixes_all
    assert "make run 'east main' of D2729 6 in" in found[0].words
    for remedy in found:
        if not remedy.fixes_all:
            continue
        for one in compare(BARN, remedy.design, gates).sets:
            assert all(short.status == "already" for short in one.shortfalls), remedy.words


def test_a_wye_is_proposed_for_a_tee_and_helps() -> None:
    after = with_ports(spindle(Join.tee(), hose_ft=1.5))
    gates = [("lathe", "spindle")]
    found = remedies(BARN, after, gates, most=10)
    wye = [remedy for remedy in found if remedy.steps == ("let port 'spindle' join by a wye of 45 degrees",)]
    assert wye
    assert solve(wye[0].design, gates[0]).ports["spindle"].flow_m3s > solve(after, gates[0]).ports["spindle"].flow_m3s


def test_a_remedy_says_what_it_breaks_and_what_is_left() -> None:
    gates = [("lathe", "spindle")]
    after = with_ports(spindle(Join.tee(), hose_ft=14.0))
    for remedy in remedies(BARN, after, gates, most=6):
        plan = compare(BARN, remedy.design, gates)
        assert len(plan.fallen) == remedy.left + remedy.caused
        assert min(short.share for short in plan.fallen) == pytest.approx(remedy.worst)
        assert len(set(remedy.steps)) == len(remedy.steps) <= 4


def test_no_remedy_starves_a_machine_to_carry_its_chips() -> None:
    gates = [("lathe", "spindle")]
    after = with_ports(spindle(Join.tee(), hose_ft=8.0))
    short = solve(after, gates[0]).ports["spindle"].need_share
    assert short is not None
    assert short < 1.0
    for remedy in remedies(BARN, after, gates, most=20):
        share = solve(remedy.design, gates[0]).ports["spindle"].need_share
        assert share is not None
        assert share > short - 0.011


def test_a_drawing_without_faults_needs_no_remedy() -> None:
    assert remedies(BARN, BARN, [("planer",), ("planer", "bandsaw")]) == ()


def test_an_unknown_port_is_refused() -> None:
    with pytest.raises(ValueError, match="no port named"):
        compare(BARN, BARN, [("kiln",)])


def test_what_carries_no_loss_changes_nothing() -> None:
    """A need, a name, and a main drawn in two pieces to set in a wye later: no difference, and no doubt about it."""
    shop = BARN
    need = replace(shop, ports=tuple(replace(port, needs_m3s=0.4) for port in shop.ports))
    far = replace(shop.runs[0], name="main far", into="main", length_m=0.6 * shop.runs[0].length_m, fittings_k=0.0)
    split = replace(
        shop,
        runs=(
            replace(shop.runs[0], length_m=0.4 * shop.runs[0].length_m), far,
            *(replace(run, into="main far") for run in shop.runs[1:]),
        ),
    )
    renamed = replace(
        shop, runs=(replace(shop.runs[0], name="trunk"), *(replace(run, into="trunk") for run in shop.runs[1:]))
    )
    for changed in (need, split, renamed):
        plan = compare(shop, changed, [("planer",), ("lathe", "bandsaw")])
        changes = [change for one in plan.sets for change in one.changes if change.difference is not None]
        assert len(changes) > 10
        assert all(change.none for change in changes)
    # a longer main is the same pipe, known no better and no worse: only its length is new
    longer = replace(shop, runs=(replace(shop.runs[0], length_m=1.2 * shop.runs[0].length_m), *shop.runs[1:]))
    flow = next(c for c in compare(shop, longer, [("planer",)]).sets[0].changes if c.measure == "flow")
    assert flow.difference is not None
    assert 0.0 < flow.difference.sd < 0.3 * abs(flow.difference.value)


def test_a_second_gate_is_proposed_before_pipe_is_bought() -> None:
    """A narrow port at the end of a main that the other ports fill: its air alone is too slow for the main."""
    narrow = replace(spindle(Join.wye(45.0)), into="east main", diameter_m=0.06, needs_m3s=None, hose=None, entry_k=3.0)
    shop = replace(BARN, fan=fan(2.0))
    plan_for = replace(shop, ports=(*shop.ports, narrow))
    found = remedies(shop, plan_for, [("spindle",)])
    assert found[0].steps[0].startswith("open the gate of '")
    assert "too when 'spindle' runs alone" in found[0].steps[0]
    second = found[0].steps[0].split("'")[1]
    runs = solve(plan_for, ["spindle", second]).runs
    assert all(state.velocity_share > 0.995 for state in runs.values() if state.in_use)


def test_the_velocity_after_the_fan_is_judged_as_expect_judges_it() -> None:
    """A wide duct behind the fan is slow wherever a direct solution says so; bags before the fan end the matter."""
    behind = Run("outlet", "-", BARN.runs[0].diameter_m, pipe("spiral 5 in").roughness_m, 1.0, 0.0)
    sizes = (pipe(f"spiral {size} in").inside_diameter_m for size in (5, 10))
    narrow, wide = (replace(BARN, discharge=(replace(behind, diameter_m=size),)) for size in sizes)
    plan = compare(narrow, wide, [("planer",), ("lathe",)])
    slow = [short for one in plan.sets for short in one.shortfalls if short.kind == "discharge"]
    assert [short.open_ports for short in slow] == [("planer",), ("lathe",)]
    for short in slow:
        point, before = solve(wide, short.open_ports), solve(narrow, short.open_ports)
        remark = next(one for one in point.remarks if one.where == "outlet")
        assert (short.value, short.required) == pytest.approx((remark.value, remark.limit))
        assert short.before == pytest.approx(before.flow_m3s / narrow.discharge[0].area_m2 / remark.limit)
        assert short.status == ("fell" if short.before > 0.995 else "already")
    assert any("'outlet'" in step for remedy in remedies(narrow, wide, [("planer",)]) for step in remedy.steps)
    filtered = replace(wide, filter=replace(wide.filter, before_fan=True))
    assert not [one for one in compare(narrow, filtered, [("planer",)]).sets[0].shortfalls if one.kind == "discharge"]
