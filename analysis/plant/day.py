"""What the maker does: spans of time with the fan on or off, gates open, machines cutting, and chores in the pauses.

A script is an iterator of :class:`Span` that follow each other without a gap. :func:`work` makes working days from a
seed; :func:`steady` and :func:`tour` are the short ones for tests and for a baseline.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.plant.shop import PlantPort, PlantShop

DAY_S = 86400.0


@dataclass(frozen=True, slots=True)
class Cut:
    """A machine at work: chips per minute while it cuts, their fine share, mean length of a pass and of a pause."""

    port: str
    kg_min: float
    fines: float
    pass_s: float = 25.0
    pause_s: float = 15.0


@dataclass(frozen=True, slots=True)
class Chore:
    """Done with the fan off if bag or drag ratio are above the limits: "clean", "empty" or "wash"."""

    kind: str
    fill_above: float = -1.0
    ratio_above: float = -1.0


@dataclass(frozen=True, slots=True)
class Span:
    """From ``t0`` to ``t1`` the fan is on or off, these gates are open, these machines cut; ``chores`` come first."""

    t0: float
    t1: float
    fan: bool
    open_ports: tuple[str, ...] = ()
    cuts: tuple[Cut, ...] = ()
    chores: tuple[Chore, ...] = ()


@dataclass(frozen=True, slots=True)
class Habits:
    """How the maker works.

    ``run_min`` minutes of running in a day (mean), in runs of ``mean_run_min``. ``second_machine`` is the chance that a
    run moves to another machine, ``together`` that both gates stay open. ``saturday`` and ``sunday`` are the chances to
    work then. ``dustiness`` multiplies the fines, drawn anew each day between its limits. The bag is emptied when
    fuller than ``empty_at`` and the filter cleaned when its drag is above ``clean_at`` times clean; ``forgets`` is the
    chance that a pause passes without looking.
    """

    run_min: float = 80.0
    mean_run_min: float = 11.0
    second_machine: float = 0.35
    together: float = 0.25
    saturday: float = 0.35
    sunday: float = 0.0
    begins_h: float = 7.0
    ends_h: float = 17.0
    lunch_h: tuple[float, float] = (12.0, 12.75)
    dustiness: tuple[float, float] = (0.6, 1.6)
    empty_at: float = 0.85
    clean_at: float = 1.75
    forgets: float = 0.3


def steady(
    open_ports: Sequence[str], start_t: float, seconds: float, cuts: Sequence[Cut] = (), idle_s: float = 30.0
) -> list[Span]:
    """A short pause, one run with these gates open, a short pause."""
    on, off = start_t + idle_s, start_t + idle_s + seconds
    return [
        Span(start_t, on, False),
        Span(on, off, True, tuple(open_ports), tuple(cuts)),
        Span(off, off + idle_s + 90.0, False),
    ]


def tour(shop: PlantShop, start_t: float, hold_s: float = 90.0, pairs: int = 3) -> list[Span]:
    """The baseline tour: all gates shut, each gate alone, a few neighbouring pairs, in one run without cutting."""
    names = shop.port_names
    sets: list[tuple[str, ...]] = [(), *((name,) for name in names)]
    sets += [(names[i], names[(i + 1) % len(names)]) for i in range(min(pairs, len(names))) if len(names) > 1]
    spans = [Span(start_t, start_t + 60.0, False)]
    for gates in sets:
        spans.append(Span(spans[-1].t1, spans[-1].t1 + hold_s, True, gates))
    spans.append(Span(spans[-1].t1, spans[-1].t1 + 120.0, False))
    return spans


def cut_at(port: PlantPort, dustiness: float = 1.0, pass_s: float = 25.0, pause_s: float = 15.0) -> Cut:
    """The port's machine at work."""
    return Cut(port.name, port.chips_kg_min, min(port.fines * dustiness, 0.5), pass_s, pause_s)


def work(
    shop: PlantShop,
    seed: int,
    start_t: float,
    days: int | None = None,
    habits: Habits | None = None,
    utc_offset_s: float = 0.0,
) -> Iterator[Span]:
    """Working days from ``start_t`` on, for ``days`` calendar days or without end; the same seed, the same days."""
    how = Habits() if habits is None else habits
    first = int((start_t + utc_offset_s) // DAY_S)
    now = start_t
    day = first
    while days is None or day < first + days:
        midnight = day * DAY_S - utc_offset_s
        for run in _day(shop, np.random.default_rng([seed, 2003, day]), day, midnight, how):
            if run[0].t0 < now + 20.0:
                continue
            yield Span(now, run[0].t0, False, chores=_chores(how, np.random.default_rng([seed, 2011, int(now)])))
            yield from run
            now = run[-1].t1
        day += 1
        end = day * DAY_S - utc_offset_s
        if days is not None and day == first + days and now < end:
            yield Span(now, end, False, chores=_chores(how, np.random.default_rng([seed, 2011, int(now)])))


def _chores(how: Habits, rng: np.random.Generator) -> tuple[Chore, ...]:
    if rng.random() < how.forgets:
        return ()
    return Chore("clean", ratio_above=how.clean_at), Chore("empty", fill_above=how.empty_at)


def _day(shop: PlantShop, rng: np.random.Generator, day: int, midnight: float, how: Habits) -> list[list[Span]]:
    weekday = (day + 3) % 7
    if weekday >= 5 and rng.random() >= (how.saturday, how.sunday)[weekday - 5]:
        return []
    dust = float(np.exp(rng.uniform(*np.log(how.dustiness))))
    budget = how.run_min * 60.0 * rng.uniform(0.5, 1.2)
    morning = midnight + how.begins_h * 3600.0 + rng.uniform(-900.0, 1800.0)
    evening = midnight + how.ends_h * 3600.0 + rng.uniform(-1800.0, 1800.0)
    lunch = (midnight + how.lunch_h[0] * 3600.0, midnight + how.lunch_h[1] * 3600.0)
    awake = evening - morning - (lunch[1] - lunch[0])
    pause_mean = max(60.0, (awake - budget) / max(budget / (how.mean_run_min * 60.0), 1.0))
    runs: list[list[Span]] = []
    now = float(np.round(morning))
    while now < evening:
        length = float(np.round(np.clip(rng.gamma(2.0, how.mean_run_min * 30.0), 90.0, 3600.0)))
        if now < lunch[0] < now + length:
            now = lunch[1] + float(np.round(rng.uniform(0.0, 300.0)))
            continue
        run = _run(shop, rng, now, length, dust, how)
        runs.append(run)
        now = run[-1].t1 + float(np.round(max(45.0, rng.exponential(pause_mean))))
        if lunch[0] < now < lunch[1]:
            now = lunch[1] + float(np.round(rng.uniform(0.0, 300.0)))
    return runs


def _run(shop: PlantShop, rng: np.random.Generator, t0: float, length: float, dust: float, how: Habits) -> list[Span]:
    order = rng.permutation(len(shop.ports))
    first = shop.ports[int(order[0])]
    style = {"pass_s": float(rng.uniform(8.0, 60.0)), "pause_s": float(rng.uniform(6.0, 40.0))}
    ready = t0 + float(np.round(rng.uniform(4.0, 25.0)))
    spans = [Span(t0, ready, True, (first.name,))]
    if len(shop.ports) == 1 or rng.random() > how.second_machine:
        spans.append(Span(ready, t0 + length, True, (first.name,), (cut_at(first, dust, **style),)))
    else:
        second = shop.ports[int(order[1])]
        change = ready + float(np.round((length - (ready - t0)) * rng.uniform(0.3, 0.7)))
        spans.append(Span(ready, change, True, (first.name,), (cut_at(first, dust, **style),)))
        both = (first.name, second.name)
        if rng.random() < how.together:
            spans.append(Span(change, t0 + length, True, both, (cut_at(first, dust, **style), cut_at(second, dust))))
        else:
            walked = change + float(np.round(rng.uniform(5.0, 40.0)))
            spans.append(Span(change, walked, True, both))
            spans.append(
                Span(walked, max(t0 + length, walked + 30.0), True, (second.name,), (cut_at(second, dust, **style),))
            )
    last = spans[-1]
    spans.append(Span(last.t1, last.t1 + float(np.round(rng.uniform(3.0, 30.0))), True, last.open_ports))
    return [span for span in spans if span.t1 > span.t0]
