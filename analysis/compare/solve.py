"""One regularised least-squares fit to both periods at once: what they share, what changed, what was of the moment.

Maximum a posteriori by Gauss's and Newton's method on the logarithms of the stretch means; the inverse of the normal
matrix at the end is the covariance. The spread of a port's losses from run to run is not known beforehand: a few values
are weighed by how well they explain the data (their evidence), and everything that follows is the mixture. That gives
few runs the wide tails that Student's distribution gives a small sample.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from analysis.compare.fitted import HOSE_SDS, Fit
from analysis.compare.grid import Grid
from analysis.compare.problem import Problem
from analysis.compare.unknowns import HOSE_SD

Floats = npt.NDArray[np.float64]

GROUP_SD = 0.12
"""Usual spread where a group stands for several gates: which of them stood open counts as chance (ours)."""
HOSE_PRIOR_FACTOR = 1.8
"""Standard deviation, as a factor, of that spread before anything was seen (ours)."""
_MOST = 9


def solve(problem: Problem) -> Fit:
    """Gauss and Newton, then the spreads of the hoses weighed."""
    x = problem.start.copy()
    lay, ducts = problem.layout, problem.ducts
    sd = 1.0 / np.sqrt(np.diag(lay.precision))
    untouched = ducts.grid(x, 0)
    grids = (untouched, ducts.grid(x, 1, twin=untouched))
    steps = 0
    for steps in range(1, _MOST + 1):  # noqa: B007 (told in the fit)
        residual, slope = problem.whitened(x, grids)
        normal = slope.T @ slope + lay.precision
        step = np.linalg.solve(normal, slope.T @ residual - lay.precision @ (x - lay.mean))
        step = np.clip(step, -3.0 * sd, 3.0 * sd)
        step[lay.drag_of] = np.clip(step[lay.drag_of], -0.4, 0.4)
        x = x + step
        x[lay.leaks] = np.clip(x[lay.leaks], -60.0, 60.0)
        small = float(np.max(np.abs(step[lay.shared]) / sd[lay.shared]))
        if small < 0.003:
            break
        # Most of the work is in the derivatives, and near the end they hardly change.
        far = small > 0.25
        grids = (
            ducts.grid(x, 0, None if far else grids[0].slopes), ducts.grid(x, 1, None if far else grids[1].slopes))
    grids = (ducts.grid(x, 0), ducts.grid(x, 1))
    residual, slope = problem.whitened(x, grids)
    return _weighed(problem, x, grids, residual, slope, steps)


def _weighed(
    problem: Problem, x: Floats, grids: tuple[Grid, Grid], residual: Floats, slope: Floats, steps: int
) -> Fit:
    lay = problem.layout
    hoses = np.arange(lay.hoses.start, lay.hoses.stop)
    target = residual + slope @ x
    data = slope.T @ slope
    pull = slope.T @ target
    vectors, covariances, evidence = [], [], []
    usual = GROUP_SD if any(len(group) > 1 for group in problem.groups) else HOSE_SD
    for sd in HOSE_SDS:
        precision = lay.precision.copy()
        precision[hoses, hoses] = 1.0 / sd**2
        normal = data + precision
        vector = np.linalg.solve(normal, pull + precision @ lay.mean)
        gap = target - slope @ vector
        cost = float(gap @ gap + (vector - lay.mean) @ precision @ (vector - lay.mean))
        _, logdet = np.linalg.slogdet(normal)
        prior = -0.5 * (math.log(sd / usual) / math.log(HOSE_PRIOR_FACTOR)) ** 2
        evidence.append(prior - 0.5 * (cost + logdet) - len(hoses) * math.log(sd))
        vectors.append(vector)
        covariances.append(np.linalg.inv(normal))
    scaled = np.exp(np.array(evidence) - max(evidence))
    fixed = np.delete(np.arange(len(x)), hoses)
    _, prior_logdet = np.linalg.slogdet(lay.precision[np.ix_(fixed, fixed)])
    whole = max(evidence) + math.log(float(scaled.sum())) + 0.5 * float(prior_logdet)
    best = int(np.argmax(scaled))
    gap = target - slope @ vectors[best]
    local = np.arange(lay.shared.stop, len(x))
    shared = np.arange(lay.shared.stop)
    precision = lay.precision.copy()
    precision[hoses, hoses] = 1.0 / HOSE_SDS[best] ** 2
    normal = data + precision
    # What is of the moment is left to vary; it is tied to what is shared (a stretch's drag to its period's), also before
    # anything was seen.
    known = _marginal(precision, shared, local)
    information = _marginal(normal, shared, local) - known
    return Fit(
        problem.design, problem.baseline, lay, problem.axis, problem.groups, problem.stretches, problem.side, grids[0], grids[1],
        x, tuple(np.asarray(v, dtype=np.float64) for v in vectors),
        tuple(np.asarray(c, dtype=np.float64) for c in covariances), scaled / scaled.sum(), best, whole, known, information,
        math.sqrt(float(gap @ gap) / max(len(gap), 1)), steps=steps)


def _marginal(inverse: Floats, kept: npt.NDArray[np.intp], left: npt.NDArray[np.intp]) -> Floats:
    """Inverse covariance of some unknowns when the others are left to vary (Schur's complement)."""
    cross = inverse[np.ix_(kept, left)]
    return np.asarray(inverse[np.ix_(kept, kept)] - cross @ np.linalg.solve(inverse[np.ix_(left, left)], cross.T))
