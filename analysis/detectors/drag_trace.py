"""The course of filter drag over running time since the last cleaning, in constant memory."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from analysis.blocks import Block
from analysis.stats.theil_sen import Line, theil_sen

POINT_S = 60.0
MOST_POINTS = 240


@dataclass
class DragTrace:
    """Logarithm of drag against running time: one point a minute, thinned by halves when the memory is full.

    A block counts when the fan ran steadily, the gates did not move, and the drag is known. ``running_s`` is the
    running time since :meth:`clear`. Logarithms, because dust that makes a bag resist more also makes each further gram
    count against a larger drag: shares compare, differences do not.
    """

    running_s: float = 0.0
    times: list[float] = field(default_factory=list)
    logs: list[float] = field(default_factory=list)
    _sum: float = 0.0
    _weight: float = 0.0

    def update(self, block: Block) -> bool:
        """Take in a block; True when a point was completed."""
        if not block.running:
            return False
        self.running_s += block.seconds
        if block.drag is None or block.gates_moved or not block.drag.mean > 0.0:
            return False
        self._sum += math.log(block.drag.mean) * block.seconds
        self._weight += block.seconds
        if self._weight < POINT_S:
            return False
        self.times.append(self.running_s)
        self.logs.append(self._sum / self._weight)
        self._sum = self._weight = 0.0
        if len(self.times) >= MOST_POINTS:
            half = MOST_POINTS // 2
            self.times = self.times[:half:2] + self.times[half:]
            self.logs = self.logs[:half:2] + self.logs[half:]
        return True

    def clear(self) -> None:
        """Begin anew (after a cleaning)."""
        self.running_s = 0.0
        self.times.clear()
        self.logs.clear()
        self._sum = self._weight = 0.0

    def line(self, newest: int | None = None, before: int = 0) -> Line | None:
        """A robust line through the ``newest`` points (None: all) that are older than the last ``before``; None with
        fewer than five.
        """
        end = len(self.times) - before
        begin = 0 if newest is None else max(0, end - newest)
        if end - begin < 5:
            return None
        return theil_sen(self.logs[begin:end], self.times[begin:end], limit=120)

    def spread(self, line: Line, before: int = 0) -> float:
        """Robust standard deviation of the points about ``line`` (1.4826 x median absolute deviation)."""
        end = len(self.times) - before
        return robust_sd([self.logs[at] - line.at(self.times[at]) for at in range(end)])

    def snapshot(self) -> dict[str, object]:
        """Plain JSON values."""
        return {"running_s": self.running_s, "times": list(self.times), "logs": list(self.logs)}

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a snapshot; anything unexpected leaves the trace empty."""
        running, times, logs = data.get("running_s"), data.get("times"), data.get("logs")
        if not isinstance(running, int | float) or not isinstance(times, list) or not isinstance(logs, list):
            return
        if len(times) != len(logs) or not all(isinstance(x, int | float) for x in (*times, *logs)):
            return
        self.running_s = float(running)
        self.times = [float(x) for x in times][-MOST_POINTS:]
        self.logs = [float(x) for x in logs][-MOST_POINTS:]


def robust_sd(deviations: Sequence[float]) -> float:
    """1.4826 times the median absolute value: the standard deviation of a normal sample, whatever a third of it does.

    >>> round(robust_sd([-1.0, 0.0, 1.0, 100.0, -1.0]), 4)
    1.4826
    """
    if not deviations:
        return 0.0
    ordered = sorted(abs(d) for d in deviations)
    middle = len(ordered) // 2
    median = ordered[middle] if len(ordered) % 2 else 0.5 * (ordered[middle - 1] + ordered[middle])
    return 1.4826 * median
