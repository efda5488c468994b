"""Dust: nothing is lost, drag follows the cake's law, a full bag sends chips up, chores do what they say."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.plant.asbuilt import as_built
from analysis.plant.blocks import Event
from analysis.plant.day import Chore, work
from analysis.plant.dust import DustState, carry, tend
from analysis.plant.plant import Plant
from analysis.plant.shop import Bags
from analysis.plant.simulate import reworked
from analysis.units import INWG_PA, POUND_KG, parse
from tests.support.barn import barn

START = 1_772_409_600.0


def test_drag_of_an_air_pollution_handbooks_form() -> None:
    """S = Se + K2 W with Se 0.2 inWC/fpm, K2 5 inWC/(fpm lb/ft2), W 0.10 lb/ft2: S 0.7, at 8 fpm 5.60 inWC (the form of
    the EPA cost manual, equations from memory; numbers recomputed)."""
    area = parse("100 ft2", "area")
    per_speed = INWG_PA / parse("1 fpm", "velocity")
    k2 = 5.0 * per_speed / (POUND_KG / parse("1 ft2", "area"))
    bags = Bags(area, 0.2 * per_speed / area, cake_k2=k2)
    dust = DustState(fines_kg=0.10 * 100.0 * POUND_KG)
    flow = area * parse("8 fpm", "velocity")
    assert dust.cake(bags) * area / per_speed == pytest.approx(0.7, rel=1e-6)
    assert dust.cake(bags) * flow / INWG_PA == pytest.approx(5.6, rel=1e-6)


def test_every_kilogram_is_somewhere() -> None:
    shop = as_built(barn(), 3)
    plant = Plant(shop, 3)
    spans = list(reworked(work(shop, 3, START, days=20), plant.book))
    group: list[object] = []
    for span in spans:
        if span.fan:
            group.append(span)
            continue
        if group:
            plant.run(group, 0.0)  # type: ignore[arg-type]
            group = []
        list(plant.rest(span.t0, span.t1, span.chores))
    dust = plant.dust
    assert dust.made_kg > 20.0
    assert dust.out_kg > 0.0
    there = dust.fines_kg + dust.coarse_kg + dust.bag_kg + dust.out_kg
    assert there == pytest.approx(dust.made_kg, rel=1e-9)


def test_a_full_bag_sends_more_and_more_up() -> None:
    share = carry(np.linspace(0.0, 1.8, 181), barn().bags)
    assert np.all(np.diff(share) >= 0.0)
    assert share[90] == 0.0
    assert share[110] == pytest.approx(barn().bags.carry_over)
    assert share[-1] > 0.5


def test_cleaning_leaves_a_residue_that_only_washing_takes() -> None:
    bags = barn().bags
    dust = DustState.at(bags, 2.0, 0.5)
    residual = []
    for _ in range(30):
        dust.fines_kg = DustState.at(bags, 2.0).fines_kg
        assert tend(dust, bags, (Chore("clean", ratio_above=1.5),)) == ["cleaned"]
        residual.append(dust.cake(bags) / bags.clean_drag)
    assert residual[0] < 1.1
    assert residual[-1] > residual[0] + 0.05, "the residual drag creeps"
    assert tend(dust, bags, (Chore("wash"),)) == ["washed"]
    assert dust.cake(bags) / bags.clean_drag < 1.01


def test_chores_wait_for_their_limits() -> None:
    bags = barn().bags
    dust = DustState.at(bags, 1.5, 0.5)
    assert tend(dust, bags, (Chore("clean", ratio_above=1.75), Chore("empty", fill_above=0.8))) == []
    assert tend(dust, bags, (Chore("empty", fill_above=0.4),)) == ["emptied"]
    assert dust.fill(bags) == 0.0
    with pytest.raises(ValueError, match="is no chore"):
        tend(dust, bags, (Chore("sweep"),))


def test_events_are_told() -> None:
    plant = Plant(as_built(barn(), 1), 1, state=DustState.at(barn().bags, 2.0, 0.9))
    block = next(plant.rest(START, START + 600.0, (Chore("clean"), Chore("empty"))))
    assert block.events == (Event(START, "cleaned"), Event(START, "emptied"))


def test_impossible_states_are_refused() -> None:
    with pytest.raises(ValueError, match="drag ratio must be at least 1"):
        DustState.at(barn().bags, 0.8)
