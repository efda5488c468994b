"""What sensors and converters make of the truth: turbulence with a memory, wander, steps, spikes, gaps, lag."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Board:
    """How a shop's board measures. ``rough`` is the turbulence of each channel relative to its value, ``memory`` [s] its
    correlation time, ``shared`` the share of its variance that both pressures have in common, ``slow`` the share of it
    that has ten times the memory, ``step`` the converter's steps, ``hiss`` its white noise, ``scale`` the error of its
    span, ``zero`` [SI] the wander of its zero, ``lag`` [frames], ``work`` the factor on turbulence while something cuts."""

    rough: dict[str, float]
    memory: float
    shared: float
    slow: float
    step: dict[str, float]
    hiss: dict[str, float]
    scale: dict[str, float]
    zero: dict[str, float]
    lag: dict[str, int]
    spikes: float
    missing: float
    jitter: float
    work: float
    full_scale: dict[str, tuple[float, float]]


def ar1(rng: np.random.Generator, n: int, memory: float, period: float = 1.0) -> Floats:
    """Unit noise whose correlation falls to 1/e in ``memory`` [s]; the first values are of the same law as the rest."""
    a = float(np.exp(-period / memory)) if memory > 0 else 0.0
    white = rng.standard_normal(n)
    if n:
        white[0] /= np.sqrt(1 - a * a)
    return np.asarray(lfilter([np.sqrt(1 - a * a)], [1.0, -a], white))


def turbulence(rng: np.random.Generator, board: Board, n: int) -> dict[str, Floats]:
    """Unit noise for each channel."""

    def one() -> Floats:
        quick = ar1(rng, n, board.memory)
        return np.asarray(
            quick * np.sqrt(1 - board.slow) + (ar1(rng, n, 10 * board.memory) * np.sqrt(board.slow) if board.slow else 0.0)
        )

    common = one()
    share, own = np.sqrt(board.shared), np.sqrt(1 - board.shared)
    return {"inlet_pa": share * common + own * one(), "filter_pa": share * common + own * one(), "motor_a": one()}


def wander(rng: np.random.Generator, t: Floats, size: float) -> Floats:
    """A zero that wanders over days, and with the warmth of each day."""
    days = int(t[-1] // 86400) + 2 if len(t) else 2
    steps = ar1(rng, days, 6.0)
    return np.asarray(
        size * (0.7 * np.interp(t / 86400.0, np.arange(days), steps) + 0.5 * np.sin(2 * np.pi * (t / 86400.0 - 0.4)))
    )


def measure(
    rng: np.random.Generator, board: Board, name: str, t: Floats, true: Floats, unit: Floats, rougher: Floats, still: Floats
) -> Floats:
    """What the channel tells. ``unit`` its turbulence, ``rougher`` a factor on that, ``still`` 1 where the fan rests."""
    if board.lag.get(name):
        true = np.concatenate([np.repeat(true[:1], board.lag[name]), true[: -board.lag[name]]])
    value = true * (1.0 + board.rough[name] * unit * rougher) * board.scale[name]
    value = value + wander(rng, t, board.zero[name]) + board.hiss[name] * rng.standard_normal(len(t))
    hit = (rng.random(len(t)) < board.spikes) & (still < 0.5)
    value = value + hit * rng.choice([-1.0, 1.0], len(t)) * np.abs(true) * rng.uniform(0.2, 0.9, len(t))
    low, high = board.full_scale[name]
    value = np.clip(value, low, high)
    return np.asarray(np.round(value / board.step[name]) * board.step[name]) if board.step[name] else value
