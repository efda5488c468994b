"""Judges gate sets: how well each explains the readings, given what is known of the drag and of the shop.

For every gate set the expected readings are a Gaussian whose covariance holds the uncertain parts of the shop, the
drag, the noise, and a small departure along the curve that gate changes trace. Where no set explains the readings in
that usual way, the unusual is asked for too: the drag changed, or the flow departed far (a plug, a leak, a half-open
gate). The uncertain parts are the same in every block, so a stretch of steady readings is judged once by its mean,
never multiplied up block by block. """

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from analysis.estimator.response import Response
from analysis.quick import quick

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

USUAL_FIT = 6.0
"""Sum of squares (of two to four channels) up to which a gate set explains the readings."""
USUAL_PRIOR = -9.0
"""Logarithm of the probability from which on a gate set counts as one that is expected."""
FAR = (-0.8, -0.6, -0.4, -0.2, 0.12, 0.3)
"""Departures of the flow, relative, that stand for far ones."""
FAR_SD = 0.09
SLOWER = (0.97, 0.94, 0.90, 0.85)
"""Speeds of the fan, over the usual one, that stand for a weak fan."""
SLOWER_SD = 0.015
DOUBT_SHARE = 0.15
"""How far a channel may be off, relative, when it is the channel that is doubted."""
SMALL_SD = 0.012
"""Departure that is ordinary: hoses lie differently from day to day, chips fly in them."""


@quick
@dataclass(frozen=True, slots=True)
class DragGuess:
    """One belief about the drag: mean and variance of its logarithm (table drag), log weight, and its covariance with
    the uncertain parts. ``changed`` marks a drag that changed although nobody said so."""

    mean: float
    variance: float
    log_weight: float
    cross: Floats
    changed: bool = False


@quick
@dataclass(frozen=True, slots=True)
class SetPriors:
    """Log probability of each gate set (sets,): in the usual way, with a changed drag, with a far departure, and with a
    weak fan or a channel that reads wrong."""

    usual: Floats
    changed: Floats
    departed: Floats
    broken: Floats


@quick
@dataclass(frozen=True, slots=True)
class Verdict:
    """Probability of each gate set (``weight``) and the most probable one with the drag guess, the departure (mean and
    standard deviation), the fan's speed over the usual one and the doubted channel (place in ``MEASURED``) behind it;
    per set the posterior mean of the logarithms of drag and flow. ``fit`` is the sum of squares of the case behind the
    best set.
"""

    weight: Floats
    best: int
    guess: int
    departure: float
    departure_sd: float
    log_speed: float
    doubt: int | None
    log_drag: Floats
    log_flow: Floats
    fit: float


@quick
@dataclass(frozen=True, slots=True)
class Looks:
    """What was seen: the channels (places in ``MEASURED``), their readings in the design's air, their noise variances,
    and the logarithms of the density and voltage ratios that the motor saw."""

    channels: Ints
    y: Floats
    noise: Floats
    log_density: float = 0.0
    log_volts: float = 0.0


@quick
@dataclass(frozen=True, slots=True)
class _Case:
    guess: int
    departure: float
    departure_sd: float
    log_prior: Floats
    log_speed: float = 0.0
    doubt: int | None = None


@quick
@dataclass(frozen=True, slots=True)
class _Weighed:
    case: _Case
    fit: Floats
    log: Floats
    drag: Floats
    flow: Floats
    log_speed: Floats


def motor_shift(response: Response, log_drag: float, looks: Looks, rows: Ints | slice = slice(None)) -> Floats | float:
    """What density and line voltage add to the expected current [A]."""
    if not (looks.log_density or looks.log_volts) or 2 not in looks.channels:
        return 0.0
    column = response.column(response.node(log_drag))
    return np.asarray(column.to_power[rows] * looks.log_density + column.to_volts[rows] * looks.log_volts)


def judge(
    response: Response, looks: Looks, guesses: Sequence[DragGuess], priors: SetPriors, log_speed: float = 0.0,
    doubt: int | None = None,
) -> Verdict:
    """Weigh all gate sets of ``response``; the first of ``guesses`` is the one without surprise.

    ``log_speed`` is the fan's speed as it is believed now (0: the usual one): the looks are already carried to it, and
    a return to the usual speed is thought of. ``doubt`` is a channel that was doubted before, and may still read wrong.
    """
    channels = looks.channels.tolist()
    seen = [_weigh_case(response, looks, guesses[case.guess], case) for case in _usual(guesses, priors, channels, doubt)]
    if not any(bool((s.fit < USUAL_FIT)[s.case.log_prior > USUAL_PRIOR].any()) for s in seen):
        # Only where what is expected anyway does not explain the readings, what else could is asked for.
        unusual = _unusual(guesses, priors, channels, log_speed)
        seen += [_weigh_case(response, looks, guesses[case.guess], case) for case in unusual]
    table = np.array([s.log for s in seen])
    weight = np.exp(table - table.max())
    per_set = weight.sum(axis=0)
    best = int(np.argmax(per_set))
    chosen = seen[int(np.argmax(table[:, best]))]
    found = chosen.case
    share = weight / np.maximum(per_set, 1e-300)
    return Verdict(
        per_set / per_set.sum(), best, found.guess, found.departure, found.departure_sd,
        float(chosen.log_speed[best]), found.doubt,
        (share * np.array([s.drag for s in seen])).sum(axis=0), (share * np.array([s.flow for s in seen])).sum(axis=0),
        float(chosen.fit[best]))


def _usual(guesses: Sequence[DragGuess], priors: SetPriors, channels: Sequence[int], doubt: int | None) -> list[_Case]:
    """What is expected anyway."""
    usual = [_Case(i, 0.0, SMALL_SD, priors.usual) for i, g in enumerate(guesses) if not g.changed]
    if doubt in channels and len(channels) > 2:
        usual += [replace(case, log_prior=case.log_prior - np.log(2.0), doubt=doubt) for case in usual]
    return usual


def _unusual(
    guesses: Sequence[DragGuess], priors: SetPriors, channels: Sequence[int], log_speed: float
) -> list[_Case]:
    """A drag that changed, a plug or a leak, a weak fan, a channel that reads wrong."""
    unusual = [_Case(i, 0.0, SMALL_SD, priors.changed) for i, g in enumerate(guesses) if g.changed]
    unusual += [_Case(0, departure, FAR_SD, priors.departed - np.log(len(FAR))) for departure in FAR]
    speeds = [float(np.log(n)) for n in SLOWER] + ([-log_speed] if log_speed else [])
    if len(channels) > 1:
        unusual += [_Case(0, 0.0, SMALL_SD, priors.broken - np.log(len(speeds)), log_speed=n) for n in speeds]
    if len(channels) > 2:
        unusual += [_Case(0, 0.0, SMALL_SD, priors.broken, doubt=c) for c in channels]
    return unusual


def _weigh_case(response: Response, looks: Looks, guess: DragGuess, case: _Case) -> _Weighed:
    ch = looks.channels
    n = case.log_speed
    # The fan laws: at another speed everything is as at the usual one with the drag over the speed.
    mean = guess.mean - n
    column = response.column(response.node(mean))
    local = response.at(mean)
    y, along = local.y, column.along
    if case.departure:
        y, along = response.curve(mean, local.flow * (1.0 + case.departure))
        along = along / (1.0 + case.departure)
    if 2 in ch:
        y = y.copy()
        y[:, 2] += motor_shift(response, mean, looks)
    if n:
        y = y * np.where(np.arange(y.shape[1]) == 2, 1.0, np.exp(2.0 * n))
        y[:, 2] += 3.0 * n * column.to_power
    gap, along, to_drag = looks.y - y[:, ch], along[:, ch], column.to_drag[:, ch]
    cross = column.to_parts[:, ch, :] @ guess.cross
    drag_cov = guess.variance * to_drag + cross
    variance = case.departure_sd**2
    noise = looks.noise
    if case.doubt is not None:
        noise = np.where(ch == case.doubt, noise + (DOUBT_SHARE * looks.y) ** 2, noise)
    total = column.spread[:, ch[:, None], ch] + np.diag(noise)
    total = total + to_drag[:, :, None] * drag_cov[:, None, :] + cross[:, :, None] * to_drag[:, None, :]
    total = total + variance * along[:, :, None] * along[:, None, :]
    to_speed = None
    if n:
        to_speed = np.where(ch == 2, 3.0 * column.to_power[:, None], 2.0 * y[:, ch])
        total = total + SLOWER_SD**2 * to_speed[:, :, None] * to_speed[:, None, :]
    flow_cov = column.flow_spread[:, ch] + column.flow_to_drag[:, None] * drag_cov
    flow_cov = flow_cov + (column.flow_to_parts @ guess.cross)[:, None] * to_drag
    flow_cov = flow_cov + variance / (1.0 + case.departure) * along
    weighted, log_det = _solve(total, gap)
    fit = np.einsum("ni,ni->n", gap, weighted)
    return _Weighed(
        case, fit, case.log_prior + guess.log_weight - 0.5 * (fit + log_det),
        guess.mean + np.einsum("ni,ni->n", drag_cov, weighted),
        np.log(local.flow * (1.0 + case.departure)) + n + np.einsum("ni,ni->n", flow_cov, weighted),
        np.zeros(len(fit)) if to_speed is None else n + SLOWER_SD**2 * np.einsum("ni,ni->n", to_speed, weighted))


def _solve(matrix: Floats, gap: Floats) -> tuple[Floats, Floats]:
    """``matrix^-1 gap`` and the log determinant for a stack of small symmetric matrices."""
    if matrix.shape[1] == 1:
        return gap / matrix[:, 0], np.log(matrix[:, 0, 0])
    solved: Floats = np.asarray(np.linalg.solve(matrix, gap[:, :, None])[:, :, 0])
    return solved, np.asarray(np.linalg.slogdet(matrix)[1])


def alternatives(weight: Floats, share: float = 0.97, most: int = 8) -> list[int]:
    """The fewest sets that together hold ``share`` of the probability, likeliest first, at most ``most``."""
    order = np.argsort(weight)[::-1][:most]
    total = 0.0
    chosen: list[int] = []
    for row in order.tolist():
        if total >= share:
            break
        chosen.append(row)
        total += float(weight[row])
    return chosen
