"""Readings -> frames: one frame per tick of event time, with the run state.

A frame's time is the start of its tick. Readings of a channel within one tick are averaged. A channel that brings
nothing in a tick keeps its last good value for ``hold_s``, then counts as silent.

:class:`Framer` takes a recording: the first reading of a later tick closes the one under way, and a gap without readings
makes no frames. Its clock may have been set back: the framer carries on at the earlier time once ``BACK_COUNT`` readings
in a row agree that it is more than ``BACK_S`` earlier; a single late reading is dropped and counted.

:class:`LiveFramer` goes by the daemon's clock instead: a tick is closed ``grace_s`` after its end, whoever has spoken by
then, and silence makes frames whose channels are silent. When the clock is set, it carries on at the new time at once;
no frames are made up for time that nobody saw, and no reading is lost.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from analysis.readings import Frame, Quality, Reading
from analysis.run_state import RunDetector
from daemon.calibrate import SensorSpec

BACK_S = 5.0
BACK_COUNT = 3
LATE_S = 30.0
"""Live: a reading that comes later than this is of no use any more. An earlier one counts to the tick under way: a node
whose clock is some seconds off is still heard."""
AHEAD_S = 15.0
"""Live: no reading is of a later time than this after now, for sources believe no clock that is ten seconds ahead."""
GATE_HOLD_S, GATE_LEAST_S = 4 * 3600.0, 15.0
UNSEEN_GRACES = 20.0
"""Live: after so many graces without a turn the machine slept, or its clock was set (10 s at the ordinary pace)."""

_Told = tuple[list[Reading], Mapping[str, bool] | None]


class Framer:
    """Collects readings into frames."""

    def __init__(self, specs: Iterable[SensorSpec], runs: RunDetector, *, period_s: float = 1.0) -> None:
        self._hold = {s.channel: s.hold_s for s in specs}
        self.runs = runs
        self._period = period_s
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
        period = self._period
        tick = math.floor(t / period) * period
        current = self._tick
        if current is None or tick == current:
            self._tick = tick
            self._collect(readings, gates)
            return []
        if tick > current:
            self._back = 0
        elif not self._stepped_back(current - tick):
            self.late += 1
            return []
        frame = self._close()
        if tick < current:
            self._forget_times()
        self._tick = tick
        self._collect(readings, gates)
        return [frame]

    def advance(self, now: float) -> list[Frame]:
        """Event time is ``now``, although perhaps nothing arrived: in a recording, time passes only with its readings."""
        return []

    def flush(self) -> list[Frame]:
        """Close the tick under way (end of a recording, or shutdown)."""
        if self._tick is None or not (self._sums or self._bad):
            return []
        frame = self._close()
        self._tick = None
        return [frame]

    def _collect(self, readings: list[Reading], gates: Mapping[str, bool] | None) -> None:
        """Count the readings to the tick under way."""
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
            value = sums.get(channel)
            if value is not None:
                count = counts[channel]
                if count != 1:
                    value /= count
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


@dataclass(slots=True)
class _GateWords:
    """When a gate was last heard of, and how often it says the same again."""

    t: float = -math.inf
    longest_s: float = 0.0
    repeats: int = 0

    @property
    def hold_s(self) -> float:
        """How long its word is good: ten times its usual pause, or four hours for one that speaks when it is moved."""
        return GATE_HOLD_S if self.repeats < 3 else min(GATE_HOLD_S, max(GATE_LEAST_S, 10.0 * self.longest_s))

    def told(self, t: float, moved: bool) -> None:
        """It has been heard of."""
        if not moved and t > self.t > -math.inf:
            self.repeats += 1
            self.longest_s = max(0.9 * self.longest_s, t - self.t)
        self.t = t


class LiveFramer(Framer):
    """Collects readings into frames by the daemon's clock. Readings wait with the others of their tick until
    :meth:`advance` closes it, so that a slow source, or one whose stamps run a little ahead, disturbs no other.
    """

    def __init__(
        self, specs: Iterable[SensorSpec], runs: RunDetector, *, period_s: float = 1.0, grace_s: float = 0.5
    ) -> None:
        super().__init__(specs, runs, period_s=period_s)
        self._grace = grace_s
        self._waiting: dict[float, list[_Told]] = {}
        self._gate_words: dict[str, _GateWords] = {}

    def set_gates(self, gates: Mapping[str, bool]) -> None:
        """Take in what gate sensors report. A state stands until the gate should long have been heard of again."""
        t = 0.0 if self._tick is None else self._tick
        for port, is_open in gates.items():
            words = self._gate_words.setdefault(port, _GateWords())
            words.told(t, is_open != (self._gates or {}).get(port, not is_open))
        super().set_gates(gates)

    def _close(self) -> Frame:
        if self._gates is not None:
            t = self._tick
            assert t is not None
            late = [port for port in self._gates if not 0.0 <= t - self._gate_words[port].t <= self._gate_words[port].hold_s]
            if late:
                self._gates = {port: is_open for port, is_open in self._gates.items() if port not in late} or None
        return super()._close()

    def _forget_times(self) -> None:
        super()._forget_times()
        if self._tick is not None:
            for words in self._gate_words.values():
                words.t = min(words.t, self._tick)

    def add(self, t: float, readings: list[Reading], gates: Mapping[str, bool] | None = None) -> list[Frame]:
        """Take in the readings of one instant; frames come of it with :meth:`advance`."""
        tick = math.floor(t / self._period) * self._period
        told = self._waiting.get(tick)
        if told is None:
            self._waiting[tick] = [(readings, gates)]
        else:
            told.append((readings, gates))
        return []

    def advance(self, now: float) -> list[Frame]:
        """Close every tick that ended more than the grace before ``now``."""
        frames: list[Frame] = []
        period, waiting = self._period, self._waiting
        newest = now - self._grace - period
        if self._tick is None:
            self._tick = math.floor(now / period) * period
        if now < self._tick - BACK_S:
            # What waits with a later time was stamped before the clock was set back.
            frames += self._close_spoken([tick for tick in waiting if tick > now + BACK_S])
            self.clock_steps_back += 1
            self._tick = math.floor(now / period) * period
            self._forget_times()
        elif newest - self._tick > UNSEEN_GRACES * self._grace:
            carry_on = math.floor(newest / period) * period
            frames += self._close_spoken([tick for tick in waiting if tick < carry_on])
            self._tick = carry_on
        for tick in [tick for tick in waiting if tick > now + AHEAD_S]:
            # Stamped before the clock was set back, and handed over after it: it is of this moment.
            self._hear(tick)
        while self._tick <= newest:
            for tick in sorted(tick for tick in waiting if tick <= self._tick):
                self._hear(tick)
            frames.append(self._close())
            self._tick += period
        return frames

    def flush(self) -> list[Frame]:
        """Close every tick that somebody has spoken in (shutdown)."""
        if self._tick is None and self._waiting:
            self._tick = min(self._waiting)
        frames = [] if self._tick is None else self._close_spoken(list(self._waiting))
        self._tick = None
        return frames

    def _close_spoken(self, ticks: list[float]) -> list[Frame]:
        """Close the tick under way and ``ticks`` after it, without frames for the silence between; nothing if all of
        them are silent."""
        frames: list[Frame] = []
        assert self._tick is not None
        for tick in sorted(ticks):
            if tick > self._tick:
                frames += self._close_if_spoken()
                self._tick = tick
            self._hear(tick)
        return frames + self._close_if_spoken()

    def _close_if_spoken(self) -> list[Frame]:
        return [self._close()] if self._sums or self._bad else []

    def _hear(self, tick: float) -> None:
        """Count what waits for ``tick`` to the tick under way, which is that one or, for what came late, a later one."""
        assert self._tick is not None
        told = self._waiting.pop(tick)
        if tick < self._tick - LATE_S:
            self.late += len(told)
            return
        for readings, gates in told:
            self._collect(readings, gates)
