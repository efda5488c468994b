"""Runs a plant through a script: blocks of frames as the sensors give them, beside the truth of every second.

:func:`simulate` is the way in; :class:`analysis.plant.plant.Plant` does each run and each rest.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

import numpy as np

from analysis.plant.blocks import ALL_CHANNELS, USUAL_CHANNELS, Block, Event, Truth
from analysis.plant.day import Span
from analysis.plant.dust import DustState
from analysis.plant.faults import Fault, FaultBook, FaultKind
from analysis.plant.plant import COAST_TAIL_S, Plant
from analysis.plant.shop import PlantShop
from analysis.plant.weather import Weather


def simulate(
    shop: PlantShop,
    script: Iterable[Span],
    seed: int,
    faults: Sequence[Fault] | FaultBook = (),
    *,
    state: DustState | None = None,
    idle_step_s: float = 60.0,
    channels: Sequence[str] = USUAL_CHANNELS,
    dropout: float = 0.0,
    weather: Weather | None = None,
) -> Iterator[Block]:
    """Blocks of frames for a script: one a second while the fan runs and coasts, one each ``idle_step_s`` at rest.

    shop : usually from :func:`analysis.plant.asbuilt.as_built`.  script : spans without gaps (``analysis.plant.day``).
    seed : of work pattern within spans, weather, pulsation and noise; the same gives the same frames.
    faults : a list or an endless book of them.  state : dust at the start (:class:`DustState`; default all clean).
    channels : of ``analysis.readings.CHANNELS``.  dropout : chance that a channel sends nothing in a second.
    Raises :class:`ValueError` for faults, ports or channels that do not exist.
    """
    plant = Plant(
        shop, seed, faults, state=state, idle_step_s=idle_step_s, channels=channels, dropout=dropout, weather=weather
    )
    return blocks_of(plant, script)


def blocks_of(plant: Plant, script: Iterable[Span]) -> Iterator[Block]:
    """The blocks of a script on a plant that the caller keeps: it goes on with the dust that the script left."""
    running: list[Span] = []
    for span in reworked(script, plant.book):
        if span.fan:
            running.append(span)
            continue
        start = span.t0
        if running:
            tail = min(COAST_TAIL_S, span.t1 - span.t0)
            yield plant.run(running, tail)
            running = []
            start += tail
        if span.t1 > start:
            yield from plant.rest(start, span.t1, span.chores)
    if running:
        yield plant.run(running, 0.0)


def reworked(script: Iterable[Span], book: FaultBook) -> Iterator[Span]:
    """The script as it is when nobody switches off (left running) or when a switch cycles (short cycling)."""
    last: tuple[str, ...] = ()
    for span in script:
        left = [f for f in book.overlapping(span.t0, span.t1) if f.kind == FaultKind.LEFT_RUNNING]
        cycling = [f for f in book.overlapping(span.t0, span.t1) if f.kind == FaultKind.SHORT_CYCLING]
        if not span.fan and left:
            a, b = max(span.t0, left[0].start_t), min(span.t1, left[0].end_t)
            if a > span.t0:
                yield replace(span, t1=a)
            yield Span(a, b, True, last)
            if b < span.t1:
                yield Span(b, span.t1, False, chores=span.chores if a == span.t0 else ())
        elif span.fan and cycling:
            period = float(np.round(3600.0 / max(cycling[0].size, 1.0)))
            now = span.t0
            while now < span.t1:
                on = min(now + np.ceil(period * 0.55), span.t1)
                yield replace(span, t0=now, t1=float(on))
                now = min(now + period, span.t1)
                if now > on:
                    yield Span(float(on), now, False)
        else:
            yield span
        if span.fan:
            last = span.open_ports


__all__ = ["ALL_CHANNELS", "USUAL_CHANNELS", "Block", "DustState", "Event", "Truth", "blocks_of", "reworked", "simulate"]
