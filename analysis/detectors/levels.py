"""The last minutes of steady running as levels that can be compared: for detectors that ask what has just changed."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from analysis.blocks import Block
from analysis.detectors.flow_meter import Change, FlowMeter
from analysis.detectors.numbers import number_list
from analysis.quick import quick

SETTLE_S = 20.0
"""Running before the first level counts."""
KEPT = 60
"""Levels kept: ten minutes."""


@quick
@dataclass(frozen=True, slots=True)
class Level:
    """Logarithms of filter pressure, total pressure and current, with the flow [m3/s] believed then; ``count`` blocks."""

    filter_log: float
    total_log: float
    current_log: float | None
    flow_m3s: float
    count: int = 1

    def plain(self) -> list[float]:
        """As a list of numbers for a snapshot."""
        tail = [] if self.current_log is None else [self.current_log]
        return [self.filter_log, self.total_log, self.flow_m3s, float(self.count), *tail]

    @classmethod
    def of(cls, value: object) -> Level | None:
        """The inverse of :meth:`plain`, None for anything else."""
        row = number_list(value)
        if row is None or len(row) not in (4, 5):
            return None
        return cls(row[0], row[1], row[4] if len(row) == 5 else None, row[2], max(int(row[3]), 1))


def level_of(block: Block) -> Level | None:
    """The level of one block of settled running; None where it tells nothing."""
    shape = block.shape
    if shape is None or block.run_s < SETTLE_S or block.seconds < 5.0:
        return None
    flow = block.flow.mean if block.flow is not None and block.flow.mean > 0.0 else 0.2
    return Level(shape.filter_log, shape.total_log, shape.current_log, flow)


def mean_level(levels: Sequence[Level]) -> Level:
    """The mean of some levels (at least one)."""
    n = len(levels)
    currents = [level.current_log for level in levels if level.current_log is not None]
    return Level(
        sum(level.filter_log for level in levels) / n,
        sum(level.total_log for level in levels) / n,
        sum(currents) / len(currents) if len(currents) == n else None,
        sum(level.flow_m3s for level in levels) / n,
        sum(level.count for level in levels),
    )


def compare(meter: FlowMeter, before: Level, after: Level, noise: float | None = None) -> Change:
    """What changed from one level to the other. ``noise`` None: by the number of blocks behind them."""
    if noise is None:
        noise = (1.5 / before.count + 1.5 / after.count) ** 0.5
    currents = before.current_log, after.current_log
    current = None if currents[0] is None or currents[1] is None else currents[1] - currents[0]
    return meter.change(
        before.flow_m3s, after.filter_log - before.filter_log, after.total_log - before.total_log, current, max(noise, 0.7))


def small_change(meter: FlowMeter, before: Level, after: Level) -> tuple[float, float]:
    """:meth:`.FlowMeter.small_change` between two levels: change of the logarithm of the flow, and the misfit."""
    currents = before.current_log, after.current_log
    current = None if currents[0] is None or currents[1] is None else currents[1] - currents[0]
    return meter.small_change(before.flow_m3s, after.total_log - before.total_log, current)


class Levels:
    """The levels of the present run, newest last."""

    def __init__(self, kept: int = KEPT) -> None:
        self._ring: deque[Level] = deque(maxlen=kept)
        self._run_s = 0.0

    def update(self, block: Block) -> Level | None:
        """Take in a block; the level it gave, if any. A stop clears the ring."""
        if not block.running or block.run_s < self._run_s:
            self._ring.clear()
        self._run_s = block.run_s
        level = level_of(block)
        if level is not None:
            self._ring.append(level)
        return level

    def __len__(self) -> int:
        return len(self._ring)

    def __iter__(self) -> Iterator[Level]:
        return iter(self._ring)

    def newest(self, count: int) -> Level:
        """The mean of the newest ``count``."""
        return self.span(0, count)

    def span(self, age: int, count: int) -> Level:
        """The mean of up to ``count`` levels that are ``age`` or more old (0: with the newest)."""
        ring = self._ring
        end = len(ring) - age
        return mean_level([ring[i] for i in range(max(0, end - count), end)])

    def filter_log(self, age: int) -> float:
        """The logarithm of the filter pressure ``age`` levels ago."""
        return self._ring[len(self._ring) - 1 - age].filter_log

    def clear(self) -> None:
        """Forget all."""
        self._ring.clear()

    def snapshot(self) -> dict[str, object]:
        """Plain JSON values."""
        return {"run_s": self._run_s, "levels": [level.plain() for level in self._ring]}

    def restore(self, data: object) -> None:
        """Take back a snapshot."""
        if not isinstance(data, dict):
            return
        run_s, rows = data.get("run_s"), data.get("levels")
        self._run_s = float(run_s) if isinstance(run_s, int | float) else 0.0
        for row in rows if isinstance(rows, list) else []:
            level = Level.of(row)
            if level is not None:
                self._ring.append(level)
