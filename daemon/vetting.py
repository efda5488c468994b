"""Which readings can be believed. A bad one keeps its place, loses its value and gains a quality word."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

from analysis.readings import Quality, Reading
from daemon.calibrate import SensorSpec

FAR = 0.02
"""A swing is a step by this share of the range that can be believed (of the suction: 300 Pa)."""
SWINGS, SWINGS_WITHIN_S = 8, 30.0


@dataclass(slots=True)
class _Channel:
    low: float
    high: float
    max_jump: float | None
    stuck_s: float | None
    last: float | None = None
    held: float | None = None
    same_since: float | None = None
    stuck: bool = False
    far: float = math.inf
    swings: list[tuple[float, float, float]] = field(default_factory=list)
    doubled_until: float = -math.inf
    counts: dict[str, int] = field(default_factory=dict)


class Vetter:
    """Judges each reading against its channel's range, the largest believable step and the longest believable repeat.

    A step larger than ``max_jump`` is held back for one reading and believed when the next one confirms it: a lone
    spike never passes, a real step arrives one reading late. ``counts`` tells how many of each were dropped.
    """

    def __init__(self, specs: Iterable[SensorSpec]) -> None:
        self._channels = {
            s.channel: _Channel(s.low, s.high, s.max_jump, s.stuck_s, far=FAR * (s.high - s.low)) for s in specs
        }

    @property
    def counts(self) -> dict[str, dict[str, int]]:
        """Channel -> quality word -> how many readings were dropped for it."""
        return {name: dict(channel.counts) for name, channel in self._channels.items() if channel.counts}

    def vet(self, readings: list[Reading], running: bool) -> list[Reading]:
        """The readings, with the bad ones replaced by valueless ones. ``running``: does the fan run (else nothing is
        stuck: a still unit gives still readings)?
        """
        channels = self._channels
        for at, reading in enumerate(readings):
            channel = channels.get(reading.channel)
            if channel is None:
                continue
            value, last = reading.value, channel.last
            if value is not None and last is not None and not -channel.far <= value - last <= channel.far:
                self._swung(channel, reading.t, last, value)
            # Nearly every reading is within its range, moves, and not far. The rest is judged by all the rules.
            if value is not None and last is not None and channel.low <= value <= channel.high and value != last and not (
                channel.swings
            ) and (
                channel.max_jump is None or -channel.max_jump <= value - last <= channel.max_jump
            ):
                channel.held = None
                channel.last, channel.same_since, channel.stuck = value, reading.t, False
                continue
            quality = self._judge(channel, reading, running)
            if quality is not Quality.GOOD:
                channel.counts[quality] = channel.counts.get(quality, 0) + 1
                readings[at] = Reading(reading.channel, reading.t, None, quality)
        return readings

    @staticmethod
    def _swung(channel: _Channel, t: float, last: float, value: float) -> None:
        """Note a swing. Two senders that speak for one channel by turns make many, to and fro between the same two places, within
        seconds; neither a fan nor a gate can."""
        swings = channel.swings = [swing for swing in channel.swings if 0.0 <= t - swing[0] <= SWINGS_WITHIN_S]
        swings.append((t, last, value))
        if len(swings) < SWINGS:
            return
        recent = swings[-SWINGS:]
        ups = [(low, high) for _, low, high in recent if high > low]
        downs = [(low, high) for _, high, low in recent if high > low]
        lows, highs = zip(*ups, *downs, strict=True)
        gap = min(highs) - max(lows)
        spread = max(max(lows) - min(lows), max(highs) - min(highs))
        if abs(len(ups) - len(downs)) <= 1 and gap > 2.0 * spread:
            channel.doubled_until = t + SWINGS_WITHIN_S

    @staticmethod
    def _judge(channel: _Channel, reading: Reading, running: bool) -> Quality:
        value = reading.value
        if value is None:
            return reading.quality
        if not channel.low <= value <= channel.high:
            return Quality.OUT_OF_RANGE
        last = channel.last
        if reading.t < channel.doubled_until:
            channel.last = value
            return Quality.DOUBLED
        if channel.swings and reading.t - channel.swings[-1][0] > SWINGS_WITHIN_S:
            channel.swings.clear()
        if last is not None and channel.max_jump is not None and abs(value - last) > channel.max_jump:
            held = channel.held
            if held is None or abs(value - held) > channel.max_jump:
                channel.held = value
                return Quality.JUMP
        channel.held = None
        # What was stuck far from zero stays so until it moves, even where it alone said that the fan runs.
        if value != last or not (running or (channel.stuck and abs(value) > channel.far)):
            channel.last, channel.same_since, channel.stuck = value, reading.t, False
        elif channel.stuck_s is not None and channel.same_since is not None:
            if reading.t < channel.same_since:
                channel.same_since = reading.t
            if channel.stuck or reading.t - channel.same_since >= channel.stuck_s:
                channel.stuck = True
                return Quality.STUCK
        return Quality.GOOD
