"""Readings -> frames: one frame per tick of event time, with the run state.

A frame's time is the start of its tick. Readings of a channel within one tick are averaged. A channel that brings
nothing in a tick keeps its last good value for ``hold_s``, then counts as silent. A tick is closed by the first reading
of a later tick (replay), or by :meth:`Framer.advance` (live, ``grace_s`` after its end, so that slower sources still
make it). A gap without readings makes no frames in a replay; live, it makes frames whose channels are silent.

The clock may jump. Forward, the framer carries on at the new time. Backward by more than ``BACK_S``, it carries on at
the earlier time once ``BACK_COUNT`` readings in a row agree; a single late reading is dropped and counted.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

from analysis.readings import Frame, Quality, Reading
from analysis.run_state import RunDetector
from daemon.calibrate import SensorSpec

BACK_S = 5.0
BACK_COUNT = 3


class Framer:
    """Collects readings into frames."""

    def __init__(
        self, specs: Iterable[SensorSpec], runs: RunDetector, *, period_s: float = 1.0, grace_s: float = 0.5
    ) -> None:
        self._hold = {s.channel: s.hold_s for s in specs}
        self.runs = runs
        self._period = period_s
        self._grace = grace_s
        self._tick: float | None = None
        self._sums: dict[str, float] = {}
        self._counts: dict[str, int] = {}
        self._bad: dict[str, Quality] = {}
        self._last: dict[str, tuple[float, float]] = {}
        self._gates: dict[str, bool] | None = None
        self._back = 0
        self.late = 0
        self.clock_steps_back = 0

    @property
    def gates(self) -> Mapping[str, bool] | None:
        """The gates as last reported, or None when nothing reports them."""
        return self._gates

    def set_gates(self, gates: Mapping[str, bool]) -> None:
        """Take in what gate sensors (or the recording) report; a gate keeps its state until told otherwise."""
        self._gates = dict(gates) if self._gates is None else {**self._gates, **gates}

    def add(self, t: float, readings: list[Reading], gates: Mapping[str, bool] | None = None) -> list[Frame]:
        """Take in the readings of one instant; returns the frames that this closes (mostly none or one)."""
        frames: list[Frame] = []
        period = self._period
        tick = math.floor(t / period) * period
        current = self._tick
        if current is None:
            self._tick = tick
        elif tick > current:
            frames.append(self._close())
            self._tick = tick
            self._back = 0
        elif tick < current:
            if not self._stepped_back(current - tick):
                self.late += 1
                return frames
            frames.append(self._close())
            self._forget_times()
            self._tick = tick
        if gates is not None:
            self.set_gates(gates)
        sums, counts = self._sums, self._counts
        for reading in readings:
            channel, value = reading.channel, reading.value
            if value is None:
                self._bad[channel] = reading.quality
            elif channel in sums:
                sums[channel] += value
                counts[channel] += 1
            else:
                sums[channel] = value
                counts[channel] = 1
        return frames

    def advance(self, now: float) -> list[Frame]:
        """Close every tick that ended more than the grace before ``now`` (live running only)."""
        frames: list[Frame] = []
        if self._tick is None:
            self._tick = math.floor(now / self._period) * self._period
            return frames
        if now < self._tick - BACK_S:
            # The clock was set back and nothing has arrived since: begin again there.
            frames.append(self._close())
            self._forget_times()
            self.clock_steps_back += 1
            self._tick = math.floor(now / self._period) * self._period
            return frames
        behind = now - self._grace - (self._tick + self._period)
        if behind > 60.0:  # the machine slept or the clock jumped: no frames are made up for the time between
            frames.append(self._close())
            self._tick = math.floor((now - self._grace) / self._period) * self._period
            return frames
        while self._tick + self._period + self._grace <= now:
            frames.append(self._close())
            self._tick += self._period
        return frames

    def flush(self) -> list[Frame]:
        """Close the tick under way (end of a recording, or shutdown)."""
        if self._tick is None or not (self._sums or self._bad):
            return []
        frame = self._close()
        self._tick = None
        return [frame]

    def _stepped_back(self, by: float) -> bool:
        if by <= BACK_S:
            return False
        self._back += 1
        if self._back < BACK_COUNT:
            return False
        self._back = 0
        self.clock_steps_back += 1
        return True

    def _forget_times(self) -> None:
        self._last.clear()

    def _close(self) -> Frame:
        t = self._tick
        assert t is not None
        sums, counts, bad, last = self._sums, self._counts, self._bad, self._last
        values: dict[str, float] = {}
        quality: dict[str, Quality] = {}
        for channel, hold in self._hold.items():
            if channel in sums:
                count = counts[channel]
                value = sums[channel] if count == 1 else sums[channel] / count
                values[channel] = value
                last[channel] = (t, value)
                continue
            reason = bad.get(channel)
            if reason is not None:
                quality[channel] = reason
                continue
            held = last.get(channel)
            if held is not None and 0.0 <= t - held[0] <= hold:
                values[channel] = held[1]
            else:
                quality[channel] = Quality.SILENT
        self._sums, self._counts = {}, {}
        if bad:
            self._bad = {}
        state = self.runs.update(t, values)
        return Frame(t, values, quality, self._gates, state, self.runs.run_s)
