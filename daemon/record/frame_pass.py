"""One pass over a month's single frames: what each gate set read, what sensors read at rest, what was missing, and when
nobody watched. Memory does not grow with the number of frames.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from analysis.estimator.rezero import WAIT_S
from analysis.readings import RunState
from daemon.record.facts import Gap, Mean
from daemon.record.period import Month
from daemon.store.schema import FRAME_COLUMNS, STATE_CODES

GAP_S = 180.0
"""Idle frames are stored once a minute: a pause three times as long means that nobody watched."""
MOST_STEP_S = 10.0
"""A frame speaks for the time since the one before it, at most for this long [s]."""
AT_REST = ("inlet_pa", "filter_pa", "pitot_pa", "motor_a")
"""Channels that read zero while the fan stands still."""
COLUMNS = ("inlet_pa", "filter_pa", "motor_a", "flow_m3s", "flow_sd", "flow_lost", "air_density_kgm3")

_RUNNING, _OFF = STATE_CODES[RunState.RUNNING], STATE_CODES[RunState.OFF]
_AT = {name: FRAME_COLUMNS.index(name) for name in (*COLUMNS, *AT_REST)}
_COLUMNS_AT = tuple(_AT[name] for name in COLUMNS)
_REST_AT = tuple((name, _AT[name]) for name in AT_REST)


@dataclass(slots=True)
class Sums:
    """Number, sum and sum of squares about the first value (so that no digits are lost)."""

    n: int = 0
    first: float = 0.0
    total: float = 0.0
    squares: float = 0.0

    def add(self, value: float) -> None:
        """One more."""
        if self.n == 0:
            self.first = value
        self.n += 1
        gap = value - self.first
        self.total += gap
        self.squares += gap * gap

    def mean(self) -> Mean | None:
        """Mean and standard deviation; None of nothing."""
        if self.n == 0:
            return None
        centre = self.total / self.n
        spread = self.squares / self.n - centre * centre
        return Mean(self.n, self.first + centre, math.sqrt(max(0.0, spread)))


@dataclass(slots=True)
class GateSums:
    """One gate set: seconds of steady running and the sums of :data:`COLUMNS`."""

    seconds: float = 0.0
    sums: tuple[Sums, ...] = field(default_factory=lambda: tuple(Sums() for _ in COLUMNS))

    def mean(self, name: str) -> Mean | None:
        """Mean of one column."""
        return self.sums[COLUMNS.index(name)].mean()


@dataclass(slots=True)
class FramePass:
    """What a pass found. ``gates`` by the text of the store (None: not known); ``rest`` channel -> day -> sums;
    ``missing`` channel -> reason -> seconds of running; ``first_t`` and ``last_t`` of the frames [s]."""

    gates: dict[str | None, GateSums] = field(default_factory=dict)
    rest: dict[str, dict[int, Sums]] = field(default_factory=dict)
    missing: dict[str, dict[str, float]] = field(default_factory=dict)
    gaps: list[Gap] = field(default_factory=list)
    first_t: float | None = None
    last_t: float | None = None


def pass_over(rows: Iterable[tuple[Any, ...]], month: Month) -> FramePass:
    """Look at every row of ``frames`` (in time order, columns as in the store) once."""
    found = FramePass()
    before: float | None = None
    off_since: float | None = None
    for row in rows:
        t = row[0] / 1000.0
        if before is None:
            found.first_t = t
        elif t - before > GAP_S:
            found.gaps.append(Gap(before, t))
            off_since = None
        step = 0.0 if before is None else min(t - before, MOST_STEP_S)
        before = t
        state = row[1]
        if state == _RUNNING:
            off_since = None
            sums = found.gates.get(row[2])
            if sums is None:
                sums = found.gates[row[2]] = GateSums()
            sums.seconds += step
            for one, at in zip(sums.sums, _COLUMNS_AT, strict=True):
                value = row[at]
                if value is not None:
                    one.add(value)
            if row[3]:
                _miss(found.missing, row[3], step)
        elif state == _OFF:
            if off_since is None:
                off_since = t
            if t - off_since >= WAIT_S:
                day = month.day_of(t)
                for name, at in _REST_AT:
                    if row[at] is not None:
                        found.rest.setdefault(name, {}).setdefault(day, Sums()).add(row[at])
        else:
            off_since = None
    found.last_t = before
    return found


def _miss(missing: dict[str, dict[str, float]], quality: str, step: float) -> None:
    for part in quality.split(","):
        channel, _, word = part.partition("=")
        reasons = missing.setdefault(channel, {})
        reasons[word] = reasons.get(word, 0.0) + step


def joined(sums: Iterable[Sums]) -> Mean | None:
    """The mean of several sums together."""
    total = Sums()
    for one in sums:
        if one.n == 0:
            continue
        if total.n == 0:
            total.first = one.first
        shift = one.first - total.first
        total.n += one.n
        total.total += one.total + one.n * shift
        total.squares += one.squares + 2.0 * shift * one.total + one.n * shift * shift
    return total.mean()
