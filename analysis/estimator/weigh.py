"""Judges gate sets: how well each explains the readings, given what is known of the drag and of the shop.

For every gate set the expected readings are a Gaussian whose covariance holds the uncertain parts of the shop, the
drag, the noise, and a small departure along the curve that gate changes trace. Beside it stands the same set with a
large departure: a plug, a leak or a half-open gate that no gate set explains. The uncertain parts are the same in
every block, so a stretch of steady readings is judged once by its mean, never multiplied up block by block. """

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.estimator.response import Response

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]


USUAL_FIT = 6.0
"""Sum of squares (of two to four channels) up to which a gate set explains the readings."""
USUAL_PRIOR = -9.0
"""Logarithm of the probability from which on a gate set counts as one that is expected."""


@dataclass(frozen=True, slots=True)
class DragGuess:
    """One belief about the drag: mean and variance of its logarithm (table drag), log weight, and its covariance with
    the uncertain parts."""

    mean: float
    variance: float
    log_weight: float
    cross: Floats


@dataclass(frozen=True, slots=True)
class Verdict:
    """Probability of each gate set (``weight``), the most probable one, the drag guess and whether the departure was
    large behind it, and per set the posterior mean of the logarithms of drag and flow."""

    weight: Floats
    best: int
    guess: int
    departed: bool
    log_drag: Floats
    log_flow: Floats
    log_evidence: float


@dataclass(frozen=True, slots=True)
class Looks:
    """What was seen: the channels (places in ``MEASURED``), their readings in the design's air, their noise variances,
    and the logarithms of the density and voltage ratios that the motor saw."""

    channels: Ints
    y: Floats
    noise: Floats
    log_density: float = 0.0
    log_volts: float = 0.0


def expected(
    response: Response, log_drag: float, looks: Looks, rows: Ints | slice = slice(None)
) -> tuple[Floats, Floats]:
    """Expected readings (rows, channels) of the looks' channels and the logarithm of the flow (rows,)."""
    local = response.at(log_drag, rows)
    y = local.y
    if 2 in looks.channels and (looks.log_density or looks.log_volts):
        column = response.column(response.node(log_drag))
        y = y.copy()
        y[:, 2] += column.to_power[rows] * looks.log_density + column.to_volts[rows] * looks.log_volts
    return y[:, looks.channels], np.log(local.flow)


def judge(
    response: Response, looks: Looks, guesses: Sequence[DragGuess], log_prior: Floats, log_departed: Floats,
    small_sd: float, large_sd: float,
) -> Verdict:
    """Weigh all gate sets of ``response``.

    ``log_prior`` and ``log_departed`` (sets,) are the logs of the probability of each set with a small and with a large
    departure, ``small_sd``/``large_sd`` the standard deviations of those departures (logarithm of flow).
    """
    ch = looks.channels
    pick = np.ix_(ch, ch)
    logs, drags, flows = [], [], []
    plain = False
    for guess in guesses:
        column = response.column(response.node(guess.mean))
        y, log_flow = expected(response, guess.mean, looks)
        gap = looks.y - y
        to_drag, along = column.to_drag[:, ch], column.along[:, ch]
        cross = column.to_parts[:, ch, :] @ guess.cross
        drag_cov = guess.variance * to_drag + cross
        total = column.spread[:, pick[0], pick[1]] + np.diag(looks.noise)
        total = total + to_drag[:, :, None] * drag_cov[:, None, :] + cross[:, :, None] * to_drag[:, None, :]
        flow_cov = column.flow_spread[:, ch]
        flow_cov = flow_cov + column.flow_to_drag[:, None] * drag_cov
        flow_cov = flow_cov + (column.flow_to_parts @ guess.cross)[:, None] * to_drag
        for sd, prior in ((small_sd, log_prior), (large_sd, log_departed)):
            whole = total + sd * sd * along[:, :, None] * along[:, None, :]
            weighted, log_det = _solve(whole, gap)
            fit = np.einsum("ni,ni->n", gap, weighted)
            logs.append(prior + guess.log_weight - 0.5 * (fit + log_det))
            drags.append(guess.mean + np.einsum("ni,ni->n", drag_cov, weighted))
            flows.append(log_flow + np.einsum("ni,ni->n", flow_cov + sd * sd * along, weighted))
            plain = plain or bool((fit < USUAL_FIT)[prior > USUAL_PRIOR].any())
        if plain and guess.log_weight > -0.5:
            # What is expected anyway explains the readings: no need to ask what else could.
            break
    table = np.array(logs)
    top = float(table.max())
    weight = np.exp(table - top)
    per_set = weight.sum(axis=0)
    whole_weight = float(per_set.sum())
    best = int(np.argmax(per_set))
    kind = int(np.argmax(table[:, best]))
    share = weight / np.maximum(per_set, 1e-300)
    return Verdict(
        per_set / whole_weight, best, kind // 2, kind % 2 == 1, (share * np.array(drags)).sum(axis=0),
        (share * np.array(flows)).sum(axis=0), top + float(np.log(whole_weight)))


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
