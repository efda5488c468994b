"""The invented shop as an ordinary source: live by a clock, or offline as blocks.

Live, it makes one sample a second of event time and puts those that are due, as one list, on the queue: ten times a
second at the demonstration's pace. It goes on day after day. Started anew, it works through what has happened since
``opens_t`` without sending it, so it goes on where the same shop would be.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass

from analysis.plant import demo
from analysis.plant.asbuilt import as_built
from analysis.plant.blocks import USUAL_CHANNELS, Block
from analysis.plant.shop import PlantShop
from analysis.plant.simulate import simulate
from analysis.plant.weather import Weather
from daemon.clock import Clock
from daemon.sources.contract import Sample, SampleQueue, SourceHealth, play

TICK_S = 0.1
"""Pause between two puts."""
LONGEST_CATCH_UP_S = 40 * 86400.0
"""A shop that was left longer than this ago is opened anew."""


@dataclass(frozen=True, slots=True)
class SimulatorSettings:
    """What the live simulator needs.

    ``shop`` is the shop as drawn (:func:`analysis.plant.convert.from_design`, or the barn); ``seed`` draws what was
    built of it and all that happens. ``opens_t`` is the event time at which the first day opens, 06:40 by the shop's
    clock (None: the latest 06:40 of a working day at the start). ``utc_offset_s`` is the shop's clock less UTC.
    """

    shop: PlantShop
    name: str = "simulator"
    seed: int = 1
    opens_t: float | None = None
    utc_offset_s: float = 0.0
    channels: tuple[str, ...] = USUAL_CHANNELS


class SimulatedSource:
    """A live source that needs no hardware."""

    def __init__(self, settings: SimulatorSettings, clock: Clock) -> None:
        self.settings = settings
        self.clock = clock
        self._health = SourceHealth(settings.name, "simulator")

    @property
    def health(self) -> SourceHealth:
        """Its health, updated in place."""
        return self._health

    def run(self, out: SampleQueue, stop: threading.Event) -> None:
        """Puts the samples that are due into ``out`` until ``stop`` is set."""
        health = self._health
        health.state, health.connected = "running", True
        health.opened += 1
        play(self._samples(float(int(self.clock.now()))), out, stop, self.clock, health, TICK_S)
        health.state, health.connected = "stopped", False

    def _samples(self, start: float) -> Iterator[Sample]:
        settings = self.settings
        opened = opened_at(settings, start)
        for block in demo_blocks(settings, start):
            if float(block.t[-1]) < start:
                continue
            for t, values, _gates in block.frames():
                if t >= start:
                    self._health.state = demo.story(t - opened)
                    yield Sample(settings.name, t, values)


def opened_at(settings: SimulatorSettings, start: float) -> float:
    """When the first day of the demonstration that belongs to ``start`` opened [s]."""
    opens = settings.opens_t
    if opens is None or not opens <= start <= opens + LONGEST_CATCH_UP_S:
        opens = demo.opening(start, settings.utc_offset_s)
    return opens


def demo_blocks(settings: SimulatorSettings, start: float) -> Iterator[Block]:
    """The blocks of the demonstration's script from its opening on (the one that belongs to ``start``), without end."""
    opens = opened_at(settings, start)
    drawn = settings.shop
    shop = as_built(drawn, settings.seed)
    return simulate(
        shop,
        demo.script(shop, settings.seed, opens, settings.utc_offset_s),
        settings.seed,
        demo.DemoFaults(shop, opens, settings.utc_offset_s),
        state=demo.first_state(shop),
        idle_step_s=1.0,
        channels=settings.channels,
        weather=Weather(settings.seed, shop.mean_air_c, shop.site_pressure_pa, settings.utc_offset_s),
    )
