"""Ordinary use, day after day, in which nothing is wrong but what wears: every alarm is set against the truth."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from analysis.plant.day import Habits, work
from analysis.plant.dust import DustState
from analysis.plant.faults import Fault, FaultKind
from analysis.plant.plant import Plant
from analysis.plant.simulate import blocks_of
from analysis.plant.weather import Weather
from tests.bench.watching.ears import Ears, Said
from tests.bench.watching.play import truth_of
from tests.bench.watching.settings import DAY_S, START, feed, setting

MEANT_S = 4.0 * 3600.0
"""A recognised event means one that happened so near to it."""


@dataclass
class Year:
    """What was told in ordinary use: alarms and claims that were right, and those that were not, by condition."""

    seed: int
    knowledge: str
    days: float = 0.0
    running_h: float = 0.0
    false_alarms: list[Said] = field(default_factory=list)
    false_claims: list[Said] = field(default_factory=list)
    right: dict[str, int] = field(default_factory=dict)
    done: Counter[str] = field(default_factory=Counter)
    """Cleanings and emptyings by the maker of a shop that does not tell them."""
    recognised: Counter[str] = field(default_factory=Counter)
    invented: Counter[str] = field(default_factory=Counter)


def ordinary(seed: int, knowledge: str, days: int, first_day: int = 0) -> Year:
    """``days`` of ordinary use of the shop of ``seed``: gates changed in mid-run, two machines, summer and winter, mains
    swing, tired sensors whose zeros creep by 20 Pa a year, three readings in a thousand lost. Every second shop tells
    its journal nothing."""
    shop = setting(seed, knowledge, tired=True, first_day=first_day)
    pipeline = shop.pipeline()
    ears = Ears()
    pipeline.sinks = [ears]
    year = Year(seed, knowledge)
    begin = START + (1 + first_day) * DAY_S
    rng = np.random.default_rng([seed, 61])
    habits = Habits(
        run_min=float(rng.uniform(40.0, 120.0)), mean_run_min=float(rng.uniform(7.0, 16.0)),
        second_machine=float(rng.uniform(0.2, 0.5)), empty_at=0.7, forgets=0.1)
    creep = [
        Fault(FaultKind.SENSOR_DRIFT, begin, where="inlet_pa", size=20.0 / 365.0),
        Fault(FaultKind.SENSOR_DRIFT, begin, where="filter_pa", size=-12.0 / 365.0),
    ]
    state = DustState.at(shop.shop.bags, 1.0 + 0.1 * (seed % 3), 0.1)
    weather = Weather(seed, shop.shop.mean_air_c, shop.shop.site_pressure_pa)
    plant = Plant(shop.shop, seed, creep, state=state, dropout=0.003, weather=weather)
    tells = seed % 2 == 0
    true = truth_of(shop)
    heard = claimed = 0
    done: list[tuple[float, str]] = []
    for block in blocks_of(plant, work(shop.shop, seed, begin, days, habits)):
        done += [(event.t, event.kind) for event in block.events]
        feed(pipeline, block, shop.gates, tells)
        true.see(block)
        year.running_h += float(block.truth.fan.sum()) / 3600.0
        for said in ears.alarms[heard:]:
            if true.right(said):
                year.right[said.condition.value] = year.right.get(said.condition.value, 0) + 1
            else:
                year.false_alarms.append(said)
        year.false_claims += [s for s in ears.claims[claimed:] if not true.right(s)]
        heard, claimed = len(ears.alarms), len(ears.claims)
    if not tells:
        year.done = Counter(kind for _, kind in done)
    for event in ears.events:
        so = any(abs(event.t - t) < MEANT_S and kind == event.kind.value for t, kind in done)
        (year.recognised if so else year.invented)[event.kind.value] += 1
    year.days = float(days)
    return year
