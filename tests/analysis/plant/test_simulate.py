"""Whole simulations: reproducible, continuous, with believable starts and stops, and fast."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pytest

from analysis.plant.asbuilt import NO_SPREAD, as_built
from analysis.plant.blocks import ALL_CHANNELS, Block
from analysis.plant.day import Span, cut_at, steady, tour, work
from analysis.plant.dust import DustState
from analysis.plant.faults import Fault, FaultKind
from analysis.plant.simulate import simulate
from analysis.readings import CHANNELS
from tests.support.barn import barn

MONDAY = 1_772_409_600.0
NOON = MONDAY + 43_200.0


def blocks(days: int = 3, seed: int = 1, faults: Sequence[Fault] = ()) -> list[Block]:
    shop = as_built(barn(), seed)
    return list(simulate(shop, work(shop, seed, MONDAY, days), seed, faults))


def one_run(spans: list[Span], seed: int = 1, **more: object) -> Block:
    shop = as_built(barn(), seed)
    return next(b for b in simulate(shop, spans, seed, **more) if b.truth.fan.any())  # type: ignore[arg-type]


def test_same_seed_same_frames_other_seed_other_frames() -> None:
    a, b, c = blocks(), blocks(), blocks(seed=2)
    assert all(
        np.array_equal(x.channels[name], y.channels[name]) for x, y in zip(a, b, strict=True) for name in x.channels
    )
    assert not np.array_equal(a[1].channels["inlet_pa"][:50], c[1].channels["inlet_pa"][:50])


def test_time_only_goes_forward_and_every_running_second_is_there() -> None:
    found = blocks()
    t = np.concatenate([b.t for b in found])
    assert np.all(np.diff(t) >= 1.0)
    on = np.concatenate([b.truth.fan for b in found])
    spans = [s for s in work(as_built(barn(), 1), 1, MONDAY, 3) if s.fan]
    assert on.sum() == sum(s.t1 - s.t0 for s in spans)


def test_every_channel_can_be_had_and_lies_in_its_possible_range() -> None:
    block = one_run(steady(["planer"], NOON, 200.0), channels=ALL_CHANNELS)
    assert set(block.channels) == set(CHANNELS)
    for name, values in block.channels.items():
        assert np.all((values >= CHANNELS[name].low) & (values <= CHANNELS[name].high)), name


def test_starting_draws_an_inrush_and_pressure_builds_in_seconds() -> None:
    block = one_run(steady(["planer"], NOON, 120.0))
    settled = np.mean(block.channels["motor_a"][30:110])
    assert block.channels["motor_a"][:3].max() > 2.5 * settled
    suction = -block.channels["inlet_pa"]
    assert suction[0] < 0.8 * np.mean(suction[30:110])
    assert suction[6] > 0.93 * np.mean(suction[30:110])


def test_the_fan_coasts_down_after_the_current_has_gone() -> None:
    block = one_run(steady(["planer"], NOON, 120.0))
    off = int(block.truth.fan.sum())
    assert abs(block.channels["motor_a"][off + 4]) < 0.2
    assert block.truth.speed[off + 2] > 0.2
    assert block.truth.speed[-1] < 0.05
    assert np.all(np.diff(block.truth.speed[off:]) <= 0.0)
    assert abs(block.channels["inlet_pa"][-1]) < 40.0


def test_a_gate_opened_in_mid_run_settles_within_seconds() -> None:
    spans = [
        Span(NOON, NOON + 30, False), Span(NOON + 30, NOON + 130, True, ("planer",)),
        Span(NOON + 130, NOON + 230, True, ("planer", "lathe")), Span(NOON + 230, NOON + 400, False),
    ]
    flow = one_run(spans).truth.flow_m3s
    assert flow[190] > 1.3 * flow[90]
    assert flow[90] < flow[100] < flow[104]
    assert flow[108] == pytest.approx(flow[190], rel=0.01)


def test_motor_slip_and_mains_leave_the_fan_near_its_stated_speed() -> None:
    block = one_run(steady(["planer", "lathe"], NOON, 300.0))
    assert np.all(np.abs(block.truth.speed[20:290] - 1.0) < 0.02)


def test_drag_grows_by_the_dust_that_was_made() -> None:
    """The cake's law by hand: K2 W / A^2 over the clean drag, W the fines of the chips made."""
    shop = as_built(barn(), 1)
    cut = cut_at(shop.port("planer"))
    block = next(
        b for b in simulate(shop, steady(["planer"], NOON, 1800.0, [cut]), 1, state=DustState.at(shop.bags, 1.2))
        if b.truth.fan.any()
    )
    fines = float(block.truth.chips_kgs.sum()) * cut.fines
    expected = 1.2 + shop.bags.cake_k2 * fines / shop.bags.area_m2**2 / shop.bags.clean_drag
    assert fines > 0.01
    assert float(block.truth.drag_ratio[-1]) == pytest.approx(expected, rel=1e-9)


def test_an_overfull_bag_loads_the_filter_many_times_faster_and_shakes_the_air() -> None:
    shop = as_built(barn(), 1)
    spans = steady(["planer"], NOON, 3600.0, [cut_at(shop.port("planer"))])
    fault = Fault(FaultKind.BAG_OVERFULL, NOON + 1830.0, size=1.1)
    block = next(b for b in simulate(shop, spans, 1, [fault]) if b.truth.fan.any())
    ratio, bags = block.truth.drag_ratio, block.channels["filter_pa"]
    before, after = ratio[1790] - ratio[200], ratio[3590] - ratio[2000]
    assert after > 5.0 * before
    shaken = np.std(np.diff(bags[2000:3590])) / np.mean(bags[2000:3590])
    assert shaken > 1.5 * np.std(np.diff(bags[200:1790])) / np.mean(bags[200:1790])


def test_a_growing_plug_takes_flow_step_by_step() -> None:
    fault = Fault(FaultKind.BLOCKED_RUN, NOON + 90.0, where="planer", size=0.7, ramp_s=300.0)
    block = one_run(steady(["planer"], NOON, 600.0), faults=[fault])
    flow = block.truth.flow_m3s
    assert flow[500] < 0.7 * flow[50]
    assert np.max(np.abs(np.diff(flow[20:590])) / flow[20:589]) < 0.06
    assert block.truth.active[100:, 0].all()
    assert not block.truth.active[:55, 0].any()


def test_as_built_differs_from_the_drawing_within_its_bounds() -> None:
    drawn = barn()
    for seed in range(20):
        built = as_built(drawn, seed)
        fan = np.array(built.fan.static_pa) / np.array(drawn.fan.static_pa)
        assert np.all(np.abs(fan - 1.0) <= 0.0501)
        assert all(abs(run.loss_factor - 1.0) <= 0.15 for run in built.runs)
        assert abs(built.sensors["motor_a"].span - 1.0) <= 0.03
    assert as_built(drawn, 7) == as_built(drawn, 7)
    assert as_built(drawn, 7) != as_built(drawn, 8)
    assert as_built(drawn, 7, NO_SPREAD).fan == drawn.fan


def test_tour_visits_every_gate_set_with_the_right_flows() -> None:
    block = one_run(tour(barn(), NOON))
    names = list(block.ports)
    for i, gates in enumerate([(), *[(n,) for n in names]]):
        second = 90 * i + 80
        assert [n for n, o in zip(names, block.truth.gates[second], strict=True) if o] == list(gates)
        open_flow = block.truth.port_m3s[second][block.truth.gates[second]].sum()
        assert open_flow > 0.85 * block.truth.flow_m3s[second] or not gates


def test_impossible_faults_and_ports_are_refused() -> None:
    shop = as_built(barn(), 1)
    with pytest.raises(ValueError, match="'sander' is no port or run"):
        list(simulate(shop, [], 1, [Fault(FaultKind.HOSE_OFF, 0.0, where="sander")]))
    with pytest.raises(ValueError, match=r"size 1\.4 must be between 0 and 1"):
        list(simulate(shop, [], 1, [Fault(FaultKind.WEAK_FAN, 0.0, size=1.4)]))
    with pytest.raises(ValueError, match="'sander' is no port of"):
        list(simulate(shop, steady(["sander"], NOON, 60.0), 1))


def test_blocks_do_not_overlap() -> None:
    for a, b in itertools.pairwise(blocks()):
        assert b.t[0] > a.t[-1]
