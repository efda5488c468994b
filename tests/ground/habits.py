"""How a shop is worked: when the fan runs, which gates stand how, and what cuts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from tests.ground.shops import Shop

DAY = 86_400.0
LONGEST_STILL_S = 35 * 60.0
"""The longest work at one machine: with a coffee after it no gate moves for up to 52 min, and the owner agreed to be told
of an hour."""


class Stretch(NamedTuple):
    """From ``t0`` to ``t1`` [s] nothing moves. ``cutting`` is the place of the machine that cuts, -1 where none does."""

    t0: float
    t1: float
    on: bool
    opening: tuple[float, ...]
    cutting: int


@dataclass
class _Diary:
    """Stretches one after another, with the gates as they stand."""

    now: float
    gates: list[float]
    made: list[Stretch]

    def for_s(self, seconds: float, on: bool, cutting: int = -1) -> None:
        if seconds >= 1.0:
            self.made.append(Stretch(self.now, self.now + seconds, on, tuple(self.gates), cutting))
            self.now += seconds


def tour(shop: Shop, began: float, rng: np.random.Generator) -> list[Stretch]:
    """Fan on; all shut, each gate alone, three pairs, all shut: as the guided tour asks for it. Nothing cuts.

    Each is held for 90 s, longer where rough air needs it: the guided tour waits until a mean is known.
    """
    board = shop.board
    hold = 90.0 * float(np.clip((board.rough["filter_pa"] / 0.015) ** 2 * max(board.memory, 0.5), 1.0, 4.0))
    n = len(shop.ports)
    sets: list[tuple[int, ...]] = [(), *((i,) for i in range(n))]
    for _ in range(3):
        pair = tuple(sorted(int(x) for x in rng.choice(n, 2, replace=False)))
        sets += [pair] if pair not in sets else []
    diary = _Diary(began, [0.0] * n, [])
    for opened in [*sets, ()]:
        diary.gates = [float(i in opened) for i in range(n)]
        diary.for_s(hold, True)
    return diary.made


def work(shop: Shop, start: float, days: int, what: str = "habits") -> list[Stretch]:
    """Stretches of ``days`` days from ``start`` (a midnight), some days without work. The fan is off between them."""
    rng, habit, n = shop.rng(what), shop.habits, len(shop.ports)
    liking = np.random.default_rng([shop.seed, n]).dirichlet(np.full(n, 1.2))
    diary = _Diary(start, [0.0] * n, [])
    for day in range(days):
        if rng.random() > 5.0 / 7.0:
            continue
        budget = shop.hours * 3600.0 / (30 * 5 / 7) * float(np.exp(rng.normal(-0.08, 0.4)))
        clock = start + day * DAY + 3600.0 * rng.uniform(7.0, 10.0)
        while budget > 60.0 and clock < start + day * DAY + 20 * 3600.0:
            diary.now = max(diary.now, clock)
            ran = _sitting(diary, rng, habit, liking, min(budget, float(rng.uniform(600, 5400))))
            budget -= ran
            clock = diary.now + float(np.exp(rng.uniform(np.log(60.0), np.log(5400.0))))
    return diary.made


def _dwell(rng: np.random.Generator, minutes: float) -> float:
    return float(np.clip(60 * minutes * np.exp(rng.normal(0.0, 0.7)), 15.0, LONGEST_STILL_S))


def _sitting(diary: _Diary, rng: np.random.Generator, habit: dict[str, float], liking: np.ndarray, budget: float) -> float:
    """One stretch of work: fan on for all of it, or for each cut. Returns the running seconds."""

    def happens(name: str) -> bool:
        return bool(rng.random() < habit[name])

    def machine(not_this: int = -1) -> int:
        n = len(liking)
        other = [i for i in range(n) if i != not_this] or [0]
        return int(rng.choice(other, p=liking[other] / liking[other].sum()))

    per_cut, ran, at = happens("per_cut"), 0.0, machine()
    gates, on = diary.gates, False
    gates[:] = [0.0] * len(gates)

    def run(seconds: float, cutting: int = -1) -> None:
        nonlocal ran
        diary.for_s(seconds, True, cutting)
        ran += seconds

    def cut(seconds: float) -> None:
        """Cuts and pauses in turn: wood is fed for a part of the time."""
        left = seconds
        while left > 1.0:
            for part, cutting in ((rng.uniform(8, 70), at), (rng.uniform(3, 50), -1)):
                run(min(left, float(part)), cutting)
                left -= min(left, float(part))

    while ran < budget:
        full = 0.5 if happens("half") else 1.0
        if not on and happens("late_open"):
            gates[at] = 0.0
            run(float(rng.uniform(2, 10)))
        gates[at] = full
        helper = machine(at) if happens("helper") or happens("pair") else -1
        if helper >= 0 and helper != at:
            gates[helper] = 1.0
        on = True
        if per_cut:
            for _ in range(int(rng.integers(1, 6))):
                cut(float(np.exp(rng.uniform(np.log(15), np.log(400)))))
                if happens("shut_before_off"):
                    gates[at] = 0.0
                    run(float(rng.uniform(2, 8)))
                diary.for_s(float(rng.uniform(20, 500)), False)
                gates[at] = full
            on = False
        else:
            cut(_dwell(rng, habit["dwell_min"]))
            if happens("coffee"):
                if rng.random() < 0.5:
                    gates[at] = 0.0
                run(float(rng.uniform(180, 1000)))
            if happens("shuffle"):
                for _ in range(6):
                    gates[:] = [0.0] * len(gates)
                    gates[machine()] = 1.0
                    run(float(rng.uniform(20, 100)))
        if helper >= 0:
            gates[helper] = 0.0
        if ran >= budget:
            break
        new = machine(at)
        if on and happens("shut_between"):
            gates[at] = 0.0
            run(float(rng.uniform(3, 60)))
        elif on and happens("overlap"):
            gates[new] = 1.0
            run(float(rng.uniform(2, 20)))
        gates[:] = [0.0] * len(gates)
        at = new
    if on and happens("shut_before_off"):
        gates[:] = [0.0] * len(gates)
        run(float(rng.uniform(2, 12)))
    diary.for_s(2.0, False)
    return ran
