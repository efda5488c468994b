"""Plays a trial after some ordinary days, and says what was told of it and when."""

from __future__ import annotations

import copy
from dataclasses import dataclass, field, replace

import numpy as np

from analysis.conditions import Condition
from analysis.plant.blocks import Block
from analysis.plant.day import Habits, work
from analysis.plant.dust import DustState
from analysis.plant.plant import Plant
from analysis.plant.simulate import blocks_of
from daemon.pipeline import Pipeline
from tests.bench.watching.ears import Ears, Said
from tests.bench.watching.settings import DAY_S, START, Setting, feed, setting
from tests.bench.watching.trials import Trial, trials

BEFORE_DAYS = 6
AFTER_S = 1200.0
"""Running after the alarm over which other alarms beside it are still counted; then the trial ends."""
CLEAN_AT = 1.75
COMPANIONS: dict[Condition, tuple[Condition, ...]] = {
    Condition.BAG_FULL: (Condition.FILTER_LOADING,),
    Condition.FILTER_BLINDED: (Condition.FILTER_LOADING,),
    Condition.BLOCKED_RUN: (Condition.LOW_VELOCITY,),
}
"""What may be told beside a condition without being wrong: a full bag loads the filter, a plug makes the air slow."""


LOADED, FULL = 0.85, 0.93
"""Share of the owner's drag ratio from which "clean the filter" is right (the clean drag is known to 15 %), and the fill
of the bag from which "empty it" is."""


@dataclass
class Truth:
    """When the filter was last nearly due, and the bag last nearly full."""

    clean_at: float
    loaded_t: float = -1e12
    full_t: float = -1e12
    hot_t: float = -1e12
    allowed_a: float = 1e9

    def see(self, block: Block) -> None:
        """Take in a block."""
        t = float(block.t[-1])
        if float(block.truth.drag_ratio.max()) > LOADED * self.clean_at:
            self.loaded_t = t
        if float(block.truth.bag_fill.max()) > FULL:
            self.full_t = t
        amps = block.channels["motor_a"][block.truth.fan]
        if len(amps) > 60 and float(np.nanquantile(amps, 0.7)) > self.allowed_a:
            self.hot_t = t

    def right(self, said: Said) -> bool:
        """Whether what was said is so, within the last day."""
        if said.condition is Condition.FILTER_LOADING:
            return said.t - self.loaded_t < DAY_S
        if said.condition is Condition.MOTOR_OVERLOAD:
            return said.t - self.hot_t < DAY_S
        return said.condition is Condition.BAG_FULL and said.t - self.full_t < DAY_S


def truth_of(shop: Setting) -> Truth:
    """What to hold alarms against in a shop."""
    motor = shop.design.motor
    assert motor is not None
    clean_at = shop.design.filter.clean_at_drag_ratio or CLEAN_AT
    return Truth(clean_at, allowed_a=motor.full_a * motor.service_factor)


@dataclass
class Outcome:
    """What came of one trial. ``claim_s``/``alarm_s`` running time from the onset to the first right claim and alarm, None
    where none came; ``named`` whether the place is right, if any; ``wrong`` other alarms after the fault began; ``note`` a
    figure of the trial's own."""

    name: str
    seed: int
    knowledge: str
    allowed_s: float | None
    claim_s: float | None = None
    alarm_s: float | None = None
    named: bool | None = None
    wrong: list[str] = field(default_factory=list)
    note: float | None = None


def before(shop: Setting) -> tuple[Pipeline, DustState]:
    """A pipeline that has seen some ordinary days, and the dust as it then lies."""
    pipeline = shop.pipeline()
    habits = Habits(run_min=80.0, empty_at=0.7, clean_at=1.2, forgets=0.1)
    plant = Plant(shop.shop, shop.seed, state=DustState.at(shop.shop.bags, 1.25 + 0.1 * (shop.seed % 3), 0.2))
    for block in blocks_of(plant, work(shop.shop, shop.seed, START + DAY_S, BEFORE_DAYS, habits)):
        feed(pipeline, block, shop.gates, True)
    return pipeline, plant.dust


def play(shop: Setting, pipeline: Pipeline, dust: DustState, trial: Trial, knowledge: str) -> Outcome:
    """One trial on a copy of the pipeline."""
    pipeline = copy.deepcopy(pipeline)
    ears = Ears()
    pipeline.sinks = [ears]
    bags = shop.shop.bags
    dust = replace(dust, bag_kg=trial.fill * bags.chip_bag_kg)
    if trial.drag_ratio is not None:
        dust = DustState.at(bags, trial.drag_ratio, trial.fill)
    running: list[np.ndarray] = []
    onset = trial.onset_t
    crossed: float | None = None
    ratio_t: list[np.ndarray] = []
    ratios: list[np.ndarray] = []
    plant = Plant(shop.shop, shop.seed + 1, trial.faults, state=dust)
    true = truth_of(shop)
    columns = [shop.shop.port_names.index(name) for name in trial.ports]
    wrong: list[Said] = []
    heard, after_s = 0, 0.0

    def first(said: list[Said]) -> Said | None:
        begun = min((fault.start_t for fault in trial.faults), default=0.0)
        return next((s for s in said if s.condition in trial.conditions and s.t >= begun), None)

    for block in blocks_of(plant, trial.spans):
        feed(pipeline, block, shop.gates, True)
        true.see(block)
        wrong += [s for s in ears.alarms[heard:] if not true.right(s)]
        heard = len(ears.alarms)
        on = block.truth.fan
        if columns:
            on = on & block.truth.gates[:, columns].any(axis=1)
        running.append(block.t[on])
        so_far = first(ears.alarms) if trial.faults else None
        after_s += 0.0 if so_far is None else float(np.sum(block.truth.fan & (block.t > so_far.t)))
        if after_s >= AFTER_S:
            break
        if trial.name == "filter loaded":
            ratio_t.append(block.t)
            ratios.append(block.truth.drag_ratio)
            past = block.truth.drag_ratio > CLEAN_AT
            if crossed is None and past.any():
                crossed = float(block.t[np.argmax(past)])
    pipeline.finish()
    if trial.name == "filter loaded":
        onset = crossed if crossed is not None else float("inf")
    seconds = np.concatenate(running)
    outcome = Outcome(trial.name, shop.seed, knowledge, trial.allowed_s)

    def delay(said: Said | None) -> float | None:
        if said is None:
            return None
        return float(np.sum((seconds >= onset) & (seconds <= said.t))) - float(np.sum((seconds < onset) & (seconds > said.t)))

    told = first(ears.alarms)
    claimed = first(ears.claims)
    outcome.claim_s, outcome.alarm_s = delay(claimed), delay(told)
    if told is not None and trial.where and told.where:
        outcome.named = told.where in trial.where
    begun = min((fault.start_t for fault in trial.faults), default=float("inf"))
    allowed = {*trial.conditions, *(c for right in trial.conditions for c in COMPANIONS.get(right, ()))}
    outcome.wrong = [f"{s.condition.value} {s.where}".strip() for s in wrong if s.t >= begun and s.condition not in allowed]
    if trial.name == "filter loaded" and claimed is not None:
        t = np.concatenate(ratio_t)
        outcome.note = float(np.concatenate(ratios)[min(int(np.searchsorted(t, claimed.t)), len(t) - 1)])
    return outcome


def all_trials(seed: int, knowledge: str, only: str = "") -> list[Outcome]:
    """Every trial of one shop at one level of knowledge."""
    shop = setting(seed, knowledge)
    pipeline, dust = before(shop)
    idle_s = shop.config.file.limits.idle_run
    found = []
    for trial in trials(shop.shop, seed, START + (BEFORE_DAYS + 1) * DAY_S, idle_s):
        if only in trial.name:
            found.append(play(shop, pipeline, dust, trial, knowledge))
    return found
