"""What is wrong with a drawing is said in sentences that name where and why; what is right gives a walking order."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from analysis.duct.design import DuctDesign, FlowAtPressure, Hose, Join, Port, Run
from analysis.duct.network import DesignError, problems
from analysis.duct.solve import solve
from analysis.duct.tree import tree, upstream_ports
from tests.analysis.duct.shops import chair_barn, random_shop, thirteen_ports

RUNS = {run.name: index for index, run in enumerate(chair_barn().runs)}



def with_run(which: str, /, **changes: object) -> DuctDesign:
    """The chair maker's barn with one run changed."""
    design = chair_barn()
    runs = [replace(run, **changes) if run.name == which else run for run in design.runs]  # type: ignore[arg-type]
    return replace(design, runs=tuple(runs))


def with_port(which: str, /, **changes: object) -> DuctDesign:
    """The chair maker's barn with one port changed."""
    design = chair_barn()
    ports = [replace(port, **changes) if port.name == which else port for port in design.ports]  # type: ignore[arg-type]
    return replace(design, ports=tuple(ports))


@pytest.mark.parametrize("design", [chair_barn(), thirteen_ports(), thirteen_ports("stated"), random_shop(3)])
def test_sound_designs_have_no_error(design: DuctDesign) -> None:
    assert [str(problem) for problem in problems(design) if problem.severity == "error"] == []


IMPOSSIBLE = {
    "loop": (with_run("main", into="east main"), "main", "round in a loop"),
    "no way to the fan": (with_run("main", into="east main"), "design", "no run flows into 'fan'"),
    "unknown run": (with_run("east main", into="west main"), "run 'east main'", "'west main', which is not a run"),
    "known runs are listed": (with_run("east main", into="west main"), "run 'east main'", "'main', 'east main'"),
    "port feeds nothing": (with_port("lathe", into=""), "port 'lathe'", "feeds nothing"),
    "port feeds an unknown run": (with_port("lathe", into="attic"), "port 'lathe'", "'attic', which is not a run"),
    "port feeds a port": (with_port("lathe", into="planer"), "port 'lathe'", "a port is where air enters"),
    "port feeds the fan": (with_port("lathe", into="fan"), "port 'lathe'", "straight into the fan"),
    "flows into itself": (with_run("bench run", into="bench run"), "run 'bench run'", "into itself"),
    "two mains": (with_run("bench run", into="fan"), "design", "2 runs flow into the fan ('main', 'bench run')"),
    "dead run": (
        replace(chair_barn(), runs=(*chair_barn().runs, Run("stub", "main", 0.1, 3e-5, 2.0, join=Join.tee()))),
        "run 'stub'", "no port and no other run flows into it",
    ),
    "same name": (with_port("lathe", name="planer"), "port 'planer'", "used twice"),
    "named fan": (with_port("lathe", name="fan"), "port 'fan'", "name of the fan inlet"),
    "no length": (with_run("main", length_m=0.0), "run 'main'", "the length is missing or zero"),
    "missing length": (with_port("lathe", length_m=math.nan), "port 'lathe'", "the length is missing or zero"),
    "negative length": (with_run("main", length_m=-2.0), "run 'main'", "the length is -6.6 ft"),
    "endless": (with_run("main", length_m=math.inf), "run 'main'", "the length is"),
    "wide as a house": (with_run("main", diameter_m=6.0), "run 'main'", "the inside diameter is 236.22 in"),
    "no diameter": (with_port("lathe", diameter_m=0.0), "port 'lathe'", "diameter is missing or zero"),
    "hose without length": (
        with_port("lathe", hose=Hose(0.1, 9e-4, 0.0)), "port 'lathe', hose", "the length is missing or zero"
    ),
    "negative roughness": (with_run("main", roughness_m=-1e-5), "run 'main'", "roughness must be zero or more"),
    "hairy": (with_run("main", roughness_m=0.06), "run 'main'", "which is no duct"),
    "negative loss": (with_run("main", fittings_k=-0.1), "run 'main'", "loss coefficients is -0.1"),
    "negative entry": (with_port("lathe", entry_k=-1.0), "port 'lathe'", "loss coefficient of the opening"),
    "negative gate": (with_port("lathe", gate_k=-1.0), "port 'lathe'", "the open gate"),
    "gate leaks more than the pipe": (with_port("lathe", leak_m2=0.02), "port 'lathe'", "larger than the pipe"),
    "needs nothing": (with_port("lathe", needs_m3s=0.0), "port 'lathe'", "leave it out"),
    "two straight on": (
        with_port("shaving horse", join=Join.straight()), "run 'bench run'",
        "port 'lathe' and port 'shaving horse' both join straight on",
    ),
    "straight with an angle": (with_port("lathe", join=Join("straight", 45.0)), "port 'lathe'", "allowed: 0 degrees"),
    "sharp wye": (with_port("lathe", join=Join.wye(120.0)), "port 'lathe'", "at 120 degrees; allowed: 5 to 90 degrees"),
    "impossible opening": (
        with_port("lathe", entry_flow=FlowAtPressure(0.2, 10.0)), "port 'lathe'", "less than the velocity pressure"
    ),
    "no ports": (replace(chair_barn(), ports=()), "design", "nothing lets air in"),
    "nothing at all": (replace(chair_barn(), runs=(), ports=()), "design", "there is no run"),
}


@pytest.mark.parametrize("case", IMPOSSIBLE)
def test_impossible_designs_are_refused_with_where_and_why(case: str) -> None:
    design, where, why = IMPOSSIBLE[case]
    told = [problem for problem in problems(design) if problem.severity == "error"]
    assert any(where in problem.where and why in problem.words for problem in told), [str(problem) for problem in told]
    with pytest.raises(DesignError) as caught:
        solve(design, [])
    assert caught.value.problems == tuple(told)
    assert all(problem.words in str(caught.value) for problem in told)


def test_a_loop_is_told_once_with_its_way_round() -> None:
    design = with_run("main", into="bench run")
    loops = [problem for problem in problems(design) if "loop" in problem.words]
    assert len(loops) == 1
    assert "'main' -> 'bench run' -> 'main'" in loops[0].words


def test_doubtful_designs_are_solved_with_a_warning() -> None:
    wide = with_port("lathe", diameter_m=0.2)
    told = problems(wide)
    assert [problem.severity for problem in told] == ["warning", "warning"]
    assert str(told[0]) == (
        "port 'lathe': is larger (7.87 in) than the run 'bench run' that it flows into (4.07 in)"
    )
    assert "less than carries the material" in told[1].words
    assert solve(wide, ["lathe"]).flow_m3s > 0.0


def test_sizes_are_written_in_the_units_asked_for() -> None:
    assert "is larger (200 mm)" in problems(with_port("lathe", diameter_m=0.2), "si")[0].words


def test_pipes_of_one_nominal_size_do_not_warn_of_their_wall() -> None:
    assert problems(with_port("lathe", diameter_m=1.01 * chair_barn().runs[RUNS["bench run"]].diameter_m)) == ()


def test_every_run_comes_after_the_one_it_flows_into() -> None:
    design = thirteen_ports()
    shuffled = replace(design, runs=tuple(reversed(design.runs)))
    order = tree(shuffled)
    names = [shuffled.runs[index].name for index in order.runs]
    assert sorted(names) == sorted(design.run_names)
    assert order.into[0] == -1
    for place, index in enumerate(order.runs):
        if place:
            assert order.into[place] < place
            assert names[order.into[place]] == shuffled.runs[index].into
            assert order.depth[place] == order.depth[order.into[place]] + 1
    for port, into in zip(shuffled.ports, order.port_into, strict=True):
        assert names[into] == port.into


def test_the_ports_upstream_of_a_run() -> None:
    design = chair_barn()
    assert upstream_ports(design, "main") == design.port_names
    assert upstream_ports(design, "bench run") == ("lathe", "shaving horse")


def test_the_order_of_drawing_does_not_matter() -> None:
    design = thirteen_ports()
    shuffled = replace(design, runs=tuple(reversed(design.runs)), ports=tuple(reversed(design.ports)))
    opened = ["port 1", "port 8"]
    straight, turned = solve(design, opened), solve(shuffled, opened)
    assert turned.flow_m3s == pytest.approx(straight.flow_m3s, rel=1e-9)
    for name, state in straight.ports.items():
        assert turned.ports[name].flow_m3s == pytest.approx(state.flow_m3s, rel=1e-8)


def test_a_port_needs_no_hose_no_gate_and_no_need() -> None:
    bare = Port("open end", "main", 0.1, 3e-5, 2.0, entry_k=0.93, gate_k=None, hose=None, needs_m3s=None)
    design = replace(chair_barn(), runs=chair_barn().runs[:1], ports=(bare,))
    assert problems(design) == ()
    assert solve(design, []).open_ports == ("open end",)
