"""What one step of a baseline tour measured, and how a stretch of frames becomes one."""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

BLOCK_S = 5.0
"""Frames are averaged over this long before they are judged [s]."""
SHORTEST_S = 40.0
"""A step is measured at least this long."""
WINDOW_S = 60.0
"""Only the last stretch of this length counts, so that what was unsteady at first is forgotten."""
LONGEST_S = 180.0
"""A step that still moves after this long is refused; one that only swings is taken, with the error that its mean then has."""

TREND_LIMIT = 0.02
"""Drift within the window, relative to the mean, that is too much when it is also beyond chance."""
MEAN_LIMIT = 0.006
"""Standard error of the mean, relative, that is good enough."""
JUMP_LIMIT, JUMP_SD = 0.06, 6.0
"""Two neighbouring blocks further apart than this, relative, and than so many standard deviations of such differences here:
something moved."""
SPIKE_SD = 6.0
"""A reading so many standard deviations from its block's others is a spike, and is left out."""
_FLOOR = {"inlet_pa": 3.0, "filter_pa": 2.0, "motor_a": 0.05, "pitot_pa": 3.0}
_NAMES = {
    "inlet_pa": "the inlet pressure", "filter_pa": "the filter pressure", "motor_a": "the motor current",
    "pitot_pa": "the velocity pressure",
}


@dataclass(frozen=True, slots=True)
class Measured:
    """Mean of one channel over a step and its standard error [SI]."""

    mean: float
    error: float


@dataclass(frozen=True, slots=True)
class StepData:
    """One steady step: the open ports, what was measured (zeros taken off), and the air and mains of that minute.

    ``density_ratio`` and ``viscosity_ratio`` are against the design's air; ``log_volts`` is the logarithm of line
    voltage over the motor's, None where it is not measured. """

    open_ports: tuple[str, ...]
    t: float
    seconds: float
    channels: Mapping[str, Measured]
    density_ratio: float = 1.0
    viscosity_ratio: float = 1.0
    log_volts: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON values."""
        return {
            "open_ports": list(self.open_ports), "t": self.t, "seconds": self.seconds,
            "channels": {name: [m.mean, m.error] for name, m in self.channels.items()},
            "density_ratio": self.density_ratio, "viscosity_ratio": self.viscosity_ratio, "log_volts": self.log_volts,
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> StepData:
        """The inverse of :meth:`to_dict`."""
        return cls(
            tuple(map(str, data["open_ports"])), float(data["t"]), float(data["seconds"]),
            {str(n): Measured(float(v[0]), float(v[1])) for n, v in data["channels"].items()},
            float(data["density_ratio"]), float(data["viscosity_ratio"]),
            None if data["log_volts"] is None else float(data["log_volts"]))


@dataclass(frozen=True, slots=True)
class TourData:
    """All steps of a tour with what holds for all of them.

    ``zero_sd`` is how well each channel's zero was known [SI], ``density_sd`` relative; ``clean`` whether the owner
    says that the bags were just cleaned. """

    name: str
    t: float
    steps: tuple[StepData, ...]
    zero_sd: Mapping[str, float] = field(default_factory=dict)
    density_sd: float = 0.003
    clean: bool = False


@dataclass(frozen=True, slots=True)
class Judged:
    """Whether blocks are steady: ``steady`` True or False, or None while there is too little; ``reason`` in words."""

    steady: bool | None
    reason: str
    channels: Mapping[str, Measured] = field(default_factory=dict)


def block_mean(values: Sequence[float]) -> float:
    """Mean of the readings of one block, spikes left out.

    >>> block_mean([10.0, 11.0, 10.5, 60.0, 10.0])
    10.375
    """
    middle = statistics.median(values)
    width = 1.4826 * statistics.median([abs(v - middle) for v in values])
    kept = [v for v in values if abs(v - middle) <= SPIKE_SD * width] if width > 0.0 and len(values) > 3 else values
    return sum(kept) / len(kept)


def judge_steady(blocks: Mapping[str, Sequence[float]], *, last: bool = False) -> Judged:
    """Judge the block means (``BLOCK_S`` each, oldest first): the last ``WINDOW_S`` of them, else all of them.

    The whole stretch is the second chance of a step whose last minute wandered: slow pulsation does that by itself.
    ``last`` says that there will be no more: then a mean that is not known well is taken with the error that it has.
    """
    window = round(WINDOW_S / BLOCK_S)
    found = _judge({name: values[-window:] for name, values in blocks.items()}, MEAN_LIMIT)
    if found.steady is False and (last or any(len(values) > window for values in blocks.values())):
        whole = _judge(blocks, math.inf if last else MEAN_LIMIT)
        if last or whole.steady:
            return whole
    return found


def _judge(blocks: Mapping[str, Sequence[float]], limit: float) -> Judged:
    """Judge all the blocks given.

    A channel is steady when no two neighbouring blocks jump, when a straight line through the blocks rises by less than
    ``TREND_LIMIT`` or by no more than chance (3 standard errors, the blocks counted for what they are worth as
    correlated samples), and when the mean is known within ``limit``. The current is not asked to hold still beyond
    a jump, since the mains move it. Lag-one correlation is taken from the residuals of the line.
    """
    lengths = [len(b) for b in blocks.values()]
    if not lengths or min(lengths) * BLOCK_S < SHORTEST_S:
        return Judged(None, "not yet long enough")
    found: dict[str, Measured] = {}
    for name, values in blocks.items():
        x = np.asarray(values, dtype=np.float64)
        n = x.size
        mean = float(x.mean())
        floor = _FLOOR.get(name, 1e-9)
        size = max(abs(mean), floor)
        moves = np.abs(np.diff(x))
        jump, usual = float(moves.max()), float(np.median(moves)) / 0.6745
        words = _NAMES.get(name, name)
        if jump > max(JUMP_LIMIT * size, 3.0 * floor, JUMP_SD * usual):
            return Judged(False, f"{words} jumped by {100.0 * jump / size:.0f} %: did a gate or a machine move?")
        times = np.arange(n) - (n - 1) / 2.0
        slope = float(times @ x / (times @ times))
        rest = x - mean - slope * times
        rho = float(autocorrelation(rest, 1)[1]) if float(np.ptp(rest)) > 0.0 else 0.0
        independent = ar1_effective_size(float(n), rho)
        spread = float(rest @ rest) / max(n - 2, 1)
        drift = slope * (n - 1)
        drift_error = math.sqrt(spread / float(times @ times) * n / independent) * (n - 1)
        error = math.sqrt(spread / independent)
        if name != "motor_a":
            if abs(drift) > max(TREND_LIMIT * size, floor) and abs(drift) > 3.0 * drift_error:
                way = "rises" if (drift > 0.0) == (mean > 0.0) else "falls"
                rate = 100.0 * abs(drift) / size * 60.0 / ((n - 1) * BLOCK_S)
                return Judged(False, f"{words} still {way} by {rate:.1f} % a minute: wait until nothing changes")
            if error > max(limit * size, 0.5 * floor):
                return Judged(False, f"{words} swings too much: its mean is only known within {100.0 * error / size:.1f} %")
        found[name] = Measured(mean, math.sqrt(error**2 + (0.0005 * mean) ** 2))
    return Judged(True, "steady", found)


def autocorrelation(x: Sequence[float] | NDArray[np.float64], lags: int) -> NDArray[np.float64]:
    """Sample autocorrelation at lags 0..``lags`` (divisor n, the usual biased form).

    A row without any variation gives 1 at lag 0 and 0 elsewhere.

    >>> [round(float(r), 2) for r in autocorrelation([1.0, 2.0, 3.0, 4.0], 1)]
    [1.0, 0.25]
    """
    values = np.asarray(x, dtype=np.float64)
    n = values.size
    if n < 2:
        raise ValueError(f"{n} samples; at least 2 are needed")
    lags = min(lags, n - 1)
    values = values - values.mean()
    power = float(values @ values)
    result = np.zeros(lags + 1)
    result[0] = 1.0
    if power > 0.0:
        for lag in range(1, lags + 1):
            result[lag] = float(values[:-lag] @ values[lag:]) / power
    return result


def ar1_effective_size(n: float, rho: float) -> float:
    """Effective number of samples for a first-order process with lag-one correlation ``rho``: ``n (1-rho)/(1+rho)``.

    Valid for ``n`` much larger than ``1 / (1 - rho)``; never below 1 nor above n.

    >>> ar1_effective_size(300.0, 0.5)
    100.0
    """
    rho = min(max(rho, 0.0), 0.999)
    return min(n, max(1.0, n * (1.0 - rho) / (1.0 + rho)))
