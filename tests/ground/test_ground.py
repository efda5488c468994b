"""The proving ground itself: its physics against outside sources, and that its labels mean what they say."""

from __future__ import annotations

from pathlib import Path

import fluids
import numpy as np
import pytest

from daemon.config.load import parse
from tests.ground.added import NEW, pair
from tests.ground.labels import labels
from tests.ground.noise import ar1
from tests.ground.plant import DRAGS, State, churchill
from tests.ground.record import Recording, record
from tests.ground.score import Said, at_most, score, share_at_most
from tests.ground.shops import FAMILIES, make
from tests.ground.write import shop_toml


@pytest.fixture(scope="module")
def month() -> Recording:
    return record(make("bench", 10), 12, only=["bag_torn"])


@pytest.mark.parametrize(("reynolds", "rough"), [(1e3, 0.0), (1e4, 1e-4), (1e5, 1e-3), (1e6, 1e-2)])
def test_friction_is_the_published_formula(reynolds: float, rough: float) -> None:
    """Against fluids' own Churchill (1977)."""
    published = fluids.friction.Churchill_1977(Re=reynolds, eD=rough)
    assert float(churchill(np.array(reynolds), np.array(rough))) == pytest.approx(published, rel=2e-3)


@pytest.mark.parametrize("family", FAMILIES)
def test_air_is_kept_and_the_fan_meets_the_losses(family: str) -> None:
    """What comes in is what the fan moves; more drag means less air; no fan is more efficient than fans are."""
    for seed in (1, 2):
        shop = make(family, seed)
        plant, n = shop.plant, len(shop.ports)
        for state, solved in zip(
            states := [State((1.0,) + (0.0,) * (n - 1)), State((1.0,) * n)], plant.solve(states), strict=True
        ):
            root = next(i for i, d in enumerate(plant.ducts) if d.into < 0)
            assert solved.ducts[:, root] == pytest.approx(solved.flow, rel=1e-9)
            assert np.all(np.diff(solved.flow) < 0)
            drop = DRAGS * plant.clean_drag * solved.flow + plant.quadratic * solved.flow**2
            suction = -solved.inlet - 0.5 * 1.2 * (solved.flow / plant.ducts[root].area) ** 2
            assert plant.fan.rise(solved.flow) == pytest.approx(drop + suction, rel=1e-9)
            assert np.all(solved.flow * plant.fan.rise(solved.flow) < 0.75 * solved.shaft)
            assert state in states


@pytest.mark.parametrize("family", FAMILIES)
def test_a_drawing_is_a_valid_configuration(family: str) -> None:
    for seed in range(1, 7):
        shop = make(family, seed)
        design = parse(shop_toml(shop), Path("shop.toml")).design
        assert list(design.port_names) == shop.ports


def test_noise_has_the_memory_that_was_asked_for() -> None:
    """Lag-one correlation exp(-1/memory), unit variance (AR(1), any text on time series)."""
    for memory in (0.3, 2.0, 5.0):
        x = ar1(np.random.default_rng(1), 200_000, memory)
        assert float(np.var(x)) == pytest.approx(1.0, abs=0.05)
        assert float(np.corrcoef(x[1:], x[:-1])[0, 1]) == pytest.approx(np.exp(-1 / memory), abs=0.02)


def test_the_same_seed_gives_the_same_month(month: Recording) -> None:
    again = record(make("bench", 10), 12, only=["bag_torn"])
    assert np.array_equal(month.t, again.t)
    assert all(np.array_equal(month.told[c], again.told[c], equal_nan=True) for c in month.told)
    assert len(np.unique(month.t)) == len(month.t)


def test_a_watcher_who_knows_all_misses_nothing_and_a_silent_one_everything(month: Recording) -> None:
    known = labels(month, gates_known=False, tour=True)
    (torn,) = [f for f in known["faults"] if f["do"] == "bag_torn" and f["kind"] == "filter_breach"]
    assert torn["required"]
    first = min(i["t0"] for i in known["intervals"] if known["faults"][i["fault"]] is torn)
    told, false = score([Said(first + 30.0, "filter_breach", "raised")], known)
    assert (told["filter_breach"].missed, false) == (0, [])
    assert 0.0 < told["filter_breach"].delays[0] <= 0.5
    assert score([], known)[0]["filter_breach"].missed == 1
    assert len(score([Said(60.0, "blocked_run", "raised")], known)[1]) == 1


def test_bounds_are_the_published_ones() -> None:
    """None seen: below 3.00 at 95 % (the rule of three); none of 59 missed: below 5 % (Clopper and Pearson)."""
    assert at_most(0) == pytest.approx(2.996, abs=1e-3)
    assert share_at_most(0, 59) == pytest.approx(0.0495, abs=1e-3)


def test_an_added_run_changes_old_ports_as_mass_has_it() -> None:
    """What the new run leaks is missing at the ports; without a run, nothing changes; the drawing with it is valid."""
    both = pair("choose", 3, days=4)
    truth = [t["port_flow_m3s"]["run_pct"] for t in both.truth.values()]
    assert max(truth) < 0.0
    assert min(truth) > -25.0
    assert NEW in parse(both.toml_after, Path("shop.toml")).design.port_names
    same = pair("choose", 3, days=4, added=False, air=True)
    assert {t["port_flow_m3s"]["run_pct"] for t in same.truth.values()} == {0.0}
    assert "barometer_pa" in {s.channel for s in parse(same.toml, Path("shop.toml")).sensors}


WRONG = {
    "carry_over": ("drag", 1), "plug": ("flow", -1), "slow_plug": ("flow", -1), "hose_off": ("flow", 1),
    "joint_apart": ("flow", 1), "bag_torn": ("drag", -1), "belt": ("speed", -1), "bearing": ("motor_a", 1),
}


@pytest.mark.parametrize(("family", "seed", "named"), [("bench", 4, list(WRONG)), ("sealed", 15, ["carry_over", "joint_apart"])])
def test_each_fault_does_what_it_is_named_for(family: str, seed: int, named: list[str]) -> None:
    """Against the same weeks without it: nothing before it begins, then the right way, and labels that hold it."""
    shop = make(family, seed)
    well = record(shop, 7, healthy=True, tour=False)
    for what in named:
        name, way = WRONG[what]
        ill = record(shop, 7, only=[what], tour=False)
        (fault,) = ill.faults
        a, b = (dict(zip(r.t.tolist(), r.true[name].tolist(), strict=True)) for r in (well, ill))
        both = np.array(sorted(a.keys() & b.keys()))
        change = np.array([b[t] - a[t] for t in both]) * way
        running = np.isin(both, ill.t[ill.on & (np.abs(ill.true["inlet_pa"]) > 500.0)])
        assert np.all(np.abs(change[(both < fault.t0) & running]) < 1e-9), what
        assert np.mean(change[running & (both > fault.t0) & (both < fault.t1)]) > 0.0, what
        assert any(f["do"] == what for f in labels(ill, gates_known=True, tour=False)["faults"]), what
