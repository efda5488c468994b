"""Friction of many segments under many gate sets, one Newton step on Colebrook's equation at a time."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.duct.friction import LAMINAR_BELOW, TURBULENT_ABOVE
from analysis.duct.single import START_X

Floats = npt.NDArray[np.float64]

_TWO_LOG = 2.0 / np.log(10.0)
_BLEND = 2.51 / TURBULENT_ABOVE
_LAMINAR = 2.51 / LAMINAR_BELOW
_OCTAVES = float(np.log(TURBULENT_ABOVE / LAMINAR_BELOW))


def column(values: tuple[float, ...]) -> Floats:
    """A table's column as an array (rows, 1), to go with arrays (rows, gate sets)."""
    return np.array(values)[:, None]


class Friction:
    """Friction of a set of segments that keeps its 1/sqrt(f) from one Newton step to the next."""

    def __init__(self, friction: tuple[float, ...], rough: tuple[float, ...], reynolds: tuple[float, ...]) -> None:
        self.friction, self.rough, self.reynolds = column(friction), column(rough), column(reynolds)

    def begin(self, is_open: Floats) -> None:
        """``is_open`` is 1 where the segment has friction, 0 behind a shut gate."""
        self.x = np.full(is_open.shape, START_X)
        self.factor = self.friction * is_open

    def near(self, thin: Floats) -> tuple[Floats, Floats]:
        """Loss over q|q| and its slope over |q|, after one Newton step on Colebrook; ``thin`` is viscosity / |q|."""
        thin = thin * self.reynolds
        turbulent = np.minimum(thin, _LAMINAR)
        inner = turbulent * self.x
        inner += self.rough
        g = np.divide(turbulent, inner, out=turbulent)
        g *= _TWO_LOG
        np.log(inner, out=inner)
        inner *= _TWO_LOG
        inner += self.x
        g += 1.0
        inner /= g
        self.x -= inner
        loss = 1.0 / np.square(self.x)
        slope = 2.0 / g
        slow = (thin > _BLEND) & (self.factor > 0.0)
        if slow.any():
            where = np.nonzero(slow)
            loss[where], slope[where] = _blend(thin[where], loss[where], g[where])
        loss *= self.factor
        slope *= loss
        return loss, slope


def _blend(thin: Floats, turbulent: Floats, one_plus_g: Floats) -> tuple[Floats, Floats]:
    """Friction factor and exponent of the loss below Re 4000: see ``single.friction_near``."""
    laminar = 64.0 / 2.51 * thin
    s = np.clip(np.log(_LAMINAR / thin) / _OCTAVES, 0.0, 1.0)
    weight = s * s * (3.0 - 2.0 * s)
    drop = np.log(turbulent / laminar)
    slope = -(1.0 - weight) - weight * 2.0 * (one_plus_g - 1.0) / one_plus_g + drop * 6.0 * s * (1.0 - s) / _OCTAVES
    return laminar * np.exp(weight * drop), 2.0 + slope
