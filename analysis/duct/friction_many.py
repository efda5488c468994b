"""Friction of straight duct in arrays, for many gate sets: the Newton steps of :func:`analysis.duct.friction.friction_near`."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from analysis.duct.friction import BLEND, LAMINAR, OCTAVES, SMOOTH, START_X, TWO_LOG

Floats = npt.NDArray[np.float64]


class Friction:
    """Friction of a set of segments that keeps its 1/sqrt(f) from one Newton step to the next, in numbers of one ``kind``.

    It is kept as ``y`` = 1/(2 sqrt(f)) x ln 10, for which Colebrook's equation is y = -ln(rough + thin y).
    """

    def __init__(
        self, kind: npt.DTypeLike, friction: Sequence[float], rough: Sequence[float], reynolds: Sequence[float]
    ) -> None:
        lines = ([part / TWO_LOG**2 for part in friction], [part + SMOOTH for part in rough],
                 [part * TWO_LOG for part in reynolds])
        self.friction, self.rough, self.reynolds = (np.array(line, dtype=kind)[:, None] for line in lines)

    def begin(self, is_open: Floats, viscosity: float) -> None:
        """``is_open`` is 1 where the segment has friction, 0 behind a shut gate; ``viscosity`` is the kinematic [m2/s]."""
        self.y = np.full_like(is_open, START_X / TWO_LOG)
        self.factor = self.friction * is_open
        self.thin_flow = self.reynolds * viscosity * is_open

    def open_friction(self) -> Floats:
        """The segments' loss over q|q| for a friction factor of 1."""
        return self.factor * TWO_LOG**2

    def near(self, size: Floats) -> tuple[Floats, Floats]:
        """Loss over q|q| and its slope over |q|, after one Newton step on Colebrook; ``size`` is |q|, and is taken over."""
        thin = np.divide(self.thin_flow, size, out=size)
        g = np.minimum(thin, LAMINAR * TWO_LOG)
        inner = g * self.y
        inner += self.rough
        g /= inner
        np.log(inner, out=inner)
        inner += self.y
        g += 1.0
        inner /= g
        self.y -= inner
        loss = np.square(self.y, out=inner)
        np.divide(self.factor, loss, out=loss)
        slope = 2.0 / g
        slow = thin > BLEND * TWO_LOG
        if slow.any():
            where = np.nonzero(slow)
            factor = self.factor[where] * TWO_LOG**2
            turbulent = np.square(TWO_LOG * self.y[where]) ** -1.0
            blended, slope[where] = _blend(thin[where] / TWO_LOG, turbulent, g[where])
            loss[where] = blended * factor
        slope *= loss
        return loss, slope


def _blend(thin: Floats, turbulent: Floats, one_plus_g: Floats) -> tuple[Floats, Floats]:
    """Friction factor and exponent of the loss below Re 4000: see :func:`analysis.duct.friction.friction_near`."""
    laminar = 64.0 / 2.51 * thin
    s = np.clip(np.log(LAMINAR / thin) / OCTAVES, 0.0, 1.0)
    weight = s * s * (3.0 - 2.0 * s)
    drop = np.log(turbulent / laminar)
    slope = -(1.0 - weight) - weight * 2.0 * (one_plus_g - 1.0) / one_plus_g + drop * 6.0 * s * (1.0 - s) / OCTAVES
    return laminar * np.exp(weight * drop), 2.0 + slope
