"""Average run length of the two charts, for independent normal samples: how long until a (false) alarm.

Both integral equations are solved by Gauss-Legendre nodes (Nystroem). Sources: Brook and Evans, Biometrika 59 (1972)
539-549 for the CUSUM; S. V. Crowder, Technometrics 29 (1987) 401-407 for the EWMA.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

_ROOT2 = math.sqrt(2.0)
_ROOT2PI = math.sqrt(2.0 * math.pi)


def _density(x: NDArray[np.float64]) -> NDArray[np.float64]:
    result: NDArray[np.float64] = np.exp(-0.5 * x * x) / _ROOT2PI
    return result


def _below(x: float) -> float:
    return 0.5 * math.erfc(-x / _ROOT2)


def cusum_arl(shift: float, k: float, h: float, *, two_sided: bool = True, nodes: int = 60) -> float:
    """Mean number of samples until a CUSUM with slack ``k`` and limit ``h`` signals [samples].

    ``shift``, ``k`` and ``h`` are in standard deviations; the chart starts at zero. The two one-sided lengths combine
    as ``1/L = 1/L_up + 1/L_down`` (exact for this chart). Valid for ``h`` from about 1 to 12.

    >>> round(cusum_arl(1.0, 0.5, 5.0), 2)
    10.38
    """
    up = _one_sided(shift, k, h, nodes)
    if not two_sided:
        return up
    down = _one_sided(-shift, k, h, nodes)
    return 1.0 / (1.0 / up + 1.0 / down)


def _one_sided(shift: float, k: float, h: float, nodes: int) -> float:
    x, w = np.polynomial.legendre.leggauss(nodes)
    s = 0.5 * h * (x + 1.0)
    w = 0.5 * h * w
    # L(u) = 1 + L(0) P(x <= k - u) + integral over 0..h of L(s) f(s + k - u) ds, with L(0) as one more unknown.
    size = nodes + 1
    matrix = np.eye(size)
    starts = np.concatenate(([0.0], s))
    for row, u in enumerate(starts):
        matrix[row, 0] -= _below(k - u - shift)
        matrix[row, 1:] -= w * _density(s + k - u - shift)
    return float(np.linalg.solve(matrix, np.ones(size))[0])


def ewma_arl(shift: float, share: float, width: float, nodes: int = 60) -> float:
    """Mean number of samples until a two-sided EWMA chart with fixed limits signals [samples].

    ``shift`` in standard deviations, ``share`` (lambda) 0.03..1, ``width`` (L) in standard deviations of the average.

    >>> round(ewma_arl(0.0, 0.3, 3.0), 1)
    465.6
    """
    limit = width * math.sqrt(share / (2.0 - share))
    x, w = np.polynomial.legendre.leggauss(nodes)
    s, w = limit * x, limit * w
    kernel = _density((s[None, :] - (1.0 - share) * s[:, None]) / share - shift) * w[None, :] / share
    lengths = np.linalg.solve(np.eye(nodes) - kernel, np.ones(nodes))
    start = _density(s / share - shift) * w / share
    return float(1.0 + start @ lengths)
