"""Frames gathered into blocks of ten seconds, and steps seen within seconds.

Pressure samples are correlated by the pulsation of the fan; means over blocks are nearly independent, which is what
every statistic after them assumes. A step (a gate moved) cuts the block at once and, as soon as the readings are calm
again, closes an early block of a few seconds, so that nobody waits for the ten. """

from __future__ import annotations

import math
from enum import IntEnum

BLOCK_S = 10.0
"""Length of a block [s]; blocks are aligned to event time."""
EARLY_S = 3.0
"""Calm seconds after a step before an early block closes."""
SETTLE_LIMIT_S = 8.0
"""After this long a block closes even if the readings are not calm."""

_CHANNELS = 4
_FLOOR = (8.0, 4.0, 0.15, 4.0)
_LEAST_VAR = (0.25, 0.06, 1e-4, 0.06)
"""Noise variance of a frame is never taken for less, SI: readings that stand still are not therefore exact."""
_SHARE = (0.02, 0.02, 0.06, 0.05)


class Seen(IntEnum):
    """What the last frame brought about."""

    NOTHING = 0
    CLOSED = 1
    """A block closed: :attr:`Blocks.mean` and the rest are new."""
    STEP = 2
    """The readings stepped; a new stretch begins."""
    EARLY = 3
    """The readings are calm again after a step (or a start): an early block closed."""


class Blocks:
    """One accumulator for the four measured channels (None where a channel is missing).

    After :attr:`Seen.CLOSED` or :attr:`Seen.EARLY`: ``mean`` per channel (None where nothing was seen), ``count``
    frames, ``began`` and ``ended`` the event times. ``frame_var`` is the running variance of single frames within
    blocks, ``block_var`` that of block means within a stretch. """

    __slots__ = (
        "_calm", "_end", "_far", "_last", "_limits", "_n", "_need", "_previous", "_settle_from", "_square", "_start",
        "_sum", "_times", "began", "block_var", "count", "ended", "frame_var", "mean", "settling")

    def __init__(self, frame_sd: tuple[float, ...], period_s: float) -> None:
        self.frame_var = [sd * sd for sd in frame_sd]
        self.block_var = [sd * sd * 0.3 for sd in frame_sd]
        self.mean: list[float | None] = [None] * _CHANNELS
        self.count = 0
        self.began = self.ended = 0.0
        self._need = 2 if period_s < EARLY_S else 1
        self._previous: list[float | None] = [None] * _CHANNELS
        self._limits: list[tuple[float, float]] | None = None
        self.begin(0.0)

    def begin(self, t: float) -> None:
        """A new stretch (a run began, or frames were missing): nothing before counts, and readings must calm first."""
        self._limits = None
        self._previous = [None] * _CHANNELS
        self._far = 0
        self._clear(t)
        self.settling = True
        self._settle_from = t
        self._last: tuple[float | None, ...] = (None,) * _CHANNELS

    def _clear(self, t: float) -> None:
        self._n = [0] * _CHANNELS
        self._sum = [0.0] * _CHANNELS
        self._square = [0.0] * _CHANNELS
        self._times = 0
        self._start = t
        self._end = (t // BLOCK_S + 1.0) * BLOCK_S

    def add(self, t: float, y0: float | None, y1: float | None, y2: float | None, y3: float | None) -> Seen:
        """Take in one frame."""
        if self.settling:
            return self._settle(t, (y0, y1, y2, y3))
        limits = self._limits
        if limits is not None:
            low, high = limits[0]
            far = y0 is not None and not low < y0 < high
            if not far and y1 is not None:
                low, high = limits[1]
                far = not low < y1 < high
            if not far and y2 is not None:
                low, high = limits[2]
                far = not low < y2 < high
            if far:
                self._far += 1
                if self._far >= self._need:
                    self._far = 0
                    self.settling = True
                    self._settle_from = t
                    self._last = (None,) * _CHANNELS
                    self._previous = [None] * _CHANNELS
                    self._settle(t, (y0, y1, y2, y3))
                    return Seen.STEP
                return Seen.NOTHING
            self._far = 0
        closed = Seen.NOTHING
        if t >= self._end:
            if self._times:
                self._close(t)
                closed = Seen.CLOSED
            self._clear(t)
        n, total, square = self._n, self._sum, self._square
        if y0 is not None:
            n[0] += 1
            total[0] += y0
            square[0] += y0 * y0
        if y1 is not None:
            n[1] += 1
            total[1] += y1
            square[1] += y1 * y1
        if y2 is not None:
            n[2] += 1
            total[2] += y2
            square[2] += y2 * y2
        if y3 is not None:
            n[3] += 1
            total[3] += y3
            square[3] += y3 * y3
        self._times += 1
        return closed

    def _settle(self, t: float, y: tuple[float | None, ...]) -> Seen:
        calm = True
        for c in (0, 1):
            now, before = y[c], self._last[c]
            if now is not None and (before is None or abs(now - before) > self._reach(c, now) * 0.7):
                calm = False
        self._last = y
        if not calm:
            self._clear(t)
        for c, value in enumerate(y):
            if value is not None:
                self._n[c] += 1
                self._sum[c] += value
                self._square[c] += value * value
        self._times += 1
        late = t - self._settle_from >= SETTLE_LIMIT_S
        if (calm and t - self._start >= EARLY_S) or (late and t > self._start):
            self._close(t)
            self.settling = False
            self._clear(t)
            return Seen.EARLY
        return Seen.NOTHING

    def _reach(self, channel: int, value: float) -> float:
        return max(6.0 * math.sqrt(self.frame_var[channel]), _SHARE[channel] * abs(value), _FLOOR[channel])

    def _close(self, t: float) -> None:
        self.count = self._times
        self.began, self.ended = self._start, t
        limits = []
        for c in range(_CHANNELS):
            n = self._n[c]
            if n == 0:
                self.mean[c] = None
                limits.append((-1e30, 1e30))
                continue
            mean = self._sum[c] / n
            self.mean[c] = mean
            if n >= 3:
                spread = max(0.0, (self._square[c] - n * mean * mean) / (n - 1))
                # Single wild blocks must not open the gate for steps to hide behind.
                spread = min(spread, 9.0 * self.frame_var[c] + _FLOOR[c] ** 2)
                self.frame_var[c] = max(0.9 * self.frame_var[c] + 0.1 * spread, _LEAST_VAR[c])
            before = self._previous[c]
            if before is not None and not self.settling:
                half = min(0.5 * (mean - before) ** 2, 9.0 * self.block_var[c])
                self.block_var[c] = max(0.9 * self.block_var[c] + 0.1 * half, 0.1 * _LEAST_VAR[c])
            self._previous[c] = mean
            reach = self._reach(c, mean)
            limits.append((mean - reach, mean + reach))
        self._limits = limits

    def scale(self, factor: float) -> None:
        """Pressures are from now on carried to another speed of the fan: what is kept must be as well."""
        for c in range(_CHANNELS):
            if c == 2:
                continue
            if (mean := self.mean[c]) is not None:
                self.mean[c] = mean * factor
            if (before := self._previous[c]) is not None:
                self._previous[c] = before * factor
            self._sum[c] *= factor
            self._square[c] *= factor * factor
            if self._limits is not None:
                low, high = self._limits[c]
                self._limits[c] = (min(low * factor, high * factor), max(low * factor, high * factor))

    def snapshot(self) -> dict[str, object]:
        """What was learned about noise, as plain values."""
        return {"frame_var": list(self.frame_var), "block_var": list(self.block_var)}

    def restore(self, data: object) -> None:
        """Take back a :meth:`snapshot`."""
        if not isinstance(data, dict):
            return
        for name in ("frame_var", "block_var"):
            values = data.get(name)
            if isinstance(values, list) and len(values) == _CHANNELS and all(
                    isinstance(v, int | float) and 0.0 < v < 1e9 for v in values):
                setattr(self, name, [float(v) for v in values])
