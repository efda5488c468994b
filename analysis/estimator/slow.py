"""The slow state: drag of the bags, and a departure of the flow along the curve that gate changes trace.

Its absolute value comes from the first minute of a stretch, by a Kalman update beside the uncertain parts of the shop.
Those parts are the same in every block and are never learned here (a filter that learned them would learn a plugged run
away); but what they do to the drag is remembered as a covariance, so that a thousand blocks cannot make the drag look
surer than the shop is known. This is the "consider" filter of S. F. Schmidt (1966); the form is that of Jazwinski,
*Stochastic Processes and Filtering Theory* (1970), section 8.4 (from memory).

Within a stretch only changes count: what the model misses at this gate set (:attr:`Point.missed`) is taken off, and a
plain two-state filter with its steady gain follows what moves, to a fraction of a per cent.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.estimator.response import Response
from analysis.estimator.weigh import Looks
from analysis.quick import quick

Floats = npt.NDArray[np.float64]

MOST_CLOSED = -0.95
"""A departure can take the whole flow away, less this little, which keeps the logarithm finite."""

MOST_COMMON = 0.95
"""The most of the drag's variance that can come from the uncertain parts."""


@dataclass(slots=True)
class Belief:
    """Mean (log drag at the design's viscosity; departure, relative), covariance (2, 2) and covariance with the
    uncertain parts (2, k)."""

    mean: Floats
    variance: Floats
    cross: Floats

    def copy(self) -> Belief:
        """An independent copy."""
        return Belief(self.mean.copy(), self.variance.copy(), self.cross.copy())

    def sound(self, precision: Floats) -> Belief:
        """The same with no more in common with the uncertain parts than its variance allows: what a linear update, or parts
        that are better known by now, may leave over would make a covariance that is none."""
        common = float(self.cross[0] @ precision @ self.cross[0])
        if common > MOST_COMMON * self.variance[0, 0]:
            self.cross[0] *= math.sqrt(MOST_COMMON * self.variance[0, 0] / common)
        return self

    def snapshot(self) -> dict[str, object]:
        """Plain values for a restart."""
        return {"mean": self.mean.tolist(), "variance": self.variance.tolist(), "cross": self.cross.tolist()}

    @classmethod
    def restored(cls, data: Mapping[str, object], parts: int) -> Belief | None:
        """The inverse of :meth:`snapshot`, None if it does not belong to a shop of ``parts`` uncertain parts."""
        try:
            made = cls(*(np.asarray(data[key], dtype=np.float64) for key in ("mean", "variance", "cross")))
        except (KeyError, TypeError, ValueError):
            return None
        fits = made.mean.shape == (2,) and made.variance.shape == (2, 2) and made.cross.shape == (2, parts)
        return made if fits and all(np.isfinite(a).all() for a in (made.mean, made.variance, made.cross)) else None


@quick
@dataclass(frozen=True, slots=True)
class Slope:
    """The model at one point, as plain numbers: readings ``y`` with the departure and ``plain`` without, their change
    with the logarithm of the drag and with the departure, ``log_flow`` with the departure, ``plain_log_flow``
    without."""

    log_drag: float
    departure: float
    y: tuple[float, ...]
    plain: tuple[float, ...]
    to_drag: tuple[float, ...]
    along: tuple[float, ...]
    log_flow: float
    plain_log_flow: float
    flow_to_drag: float


@quick
@dataclass(frozen=True, slots=True)
class Point:
    """What a stretch stands on: gate set, channels, what the model ``missed`` there, and the spread that goes with it.

    ``flow_shift`` is what the missed part says about the logarithm of the flow, ``flow_var`` its variance;
    ``along_gain`` turns a residual into a departure (no prior on it), with ``along_sd``; ``inverse`` is the inverse
    covariance of residuals, ``expected_sd`` one standard deviation of each expected reading.
    """

    row: int
    channels: tuple[int, ...]
    missed: tuple[float, ...]
    flow_shift: float
    flow_var: float
    along_gain: tuple[float, ...]
    along_sd: float
    inverse: tuple[tuple[float, ...], ...]
    expected_sd: tuple[float, ...]


def slope_at(response: Response, row: int, log_drag: float, departure: float, looks: Looks) -> Slope:
    """The model of one gate set at a drag (table drag) and a departure."""
    ch: list[int] = looks.channels.tolist()
    column = response.column(response.node(log_drag))
    flow, flow_to_drag = response.flow_at(log_drag, row)
    y, along = response.curve_scalar(log_drag, flow * (1.0 + departure))
    plain = response.curve_scalar(log_drag, flow)[0] if departure else list(y)
    if 2 in ch and (looks.log_density or looks.log_volts):
        shift = float(column.to_power[row]) * looks.log_density + float(column.to_volts[row]) * looks.log_volts
        y[2] += shift
        plain[2] += shift
    at_flow = (y[1], y[1], 0.0, 0.0)  # change with the drag while the flow stays
    return Slope(
        log_drag, departure, tuple(y[c] for c in ch), tuple(plain[c] for c in ch),
        tuple(along[c] * flow_to_drag + at_flow[c] for c in ch), tuple(along[c] / (1.0 + departure) for c in ch),
        math.log(flow * (1.0 + departure)), math.log(flow), flow_to_drag)


def absorb(
    response: Response, row: int, prior: Belief, looks: Looks, shift: float, *, rounds: int = 4
) -> tuple[Belief, Slope, Point]:
    """Take the mean of a stretch into ``prior`` for gate set ``row``; ``shift`` is table drag less the belief's (air).

    Iterated: the model is taken anew at the point just found. Returns the new belief, the model there and what it
    misses. """
    ch = looks.channels
    at = prior.mean.copy()
    post, slope = prior, slope_at(response, row, float(at[0]) + shift, float(at[1]), looks)
    column = response.column(response.node(slope.log_drag))
    noise, square = np.diag(looks.noise), (ch[:, None], ch)
    for _ in range(rounds):
        column = response.column(response.node(slope.log_drag))
        a = np.array([*zip(slope.to_drag, slope.along, strict=True)])
        j = column.to_parts[row, ch, :]
        innovation = looks.y - np.array(slope.y) - a @ (prior.mean - at)
        p_h = prior.variance @ a.T + prior.cross @ j.T
        cross_h = a @ prior.cross @ j.T
        total = a @ prior.variance @ a.T + cross_h + cross_h.T + column.spread[row][square] + noise
        gain = np.linalg.solve(total, p_h.T).T
        mean = prior.mean + gain @ innovation
        mean[0], mean[1] = response.within(float(mean[0]) + shift) - shift, max(mean[1], MOST_CLOSED)
        post = Belief(
            mean, prior.variance - gain @ p_h.T,
            prior.cross - gain @ (a @ prior.cross + column.spread_half[row, ch, :]))
        near = abs(float(mean[0] - at[0])) < 2e-3 and abs(float(mean[1] - at[1])) < 2e-3
        at = mean
        slope = slope_at(response, row, float(at[0]) + shift, float(at[1]), looks)
        if near:
            break
    post.variance = 0.5 * (post.variance + post.variance.T)
    np.fill_diagonal(post.variance, np.maximum(np.diag(post.variance), 1e-8))
    return post, slope, _point(response, row, post, looks, slope)


def _sound(covariance: Floats) -> Floats:
    """The covariance without the negative directions that sensitivities kept in single precision may leave in it."""
    sizes, ways = np.linalg.eigh(covariance)
    return np.asarray((ways * np.maximum(sizes, 0.0)) @ ways.T)


def _point(response: Response, row: int, belief: Belief, looks: Looks, slope: Slope) -> Point:
    ch = looks.channels
    column = response.column(response.node(slope.log_drag))
    a = np.array([*zip(slope.to_drag, slope.along, strict=True)])
    j = column.to_parts[row, ch, :]
    spread, noise = column.spread[row][ch[:, None], ch], np.diag(looks.noise)
    p_h = belief.variance @ a.T + belief.cross @ j.T
    cross_h = a @ belief.cross @ j.T
    total = _sound(a @ belief.variance @ a.T + cross_h + cross_h.T + spread) + noise
    to_flow = np.array([slope.flow_to_drag, 1.0 / (1.0 + slope.departure)])
    parts = column.flow_to_parts[row]
    flow_h = to_flow @ p_h + (parts @ belief.cross.T) @ a.T + column.flow_half[row] @ j.T
    flow_gain = np.linalg.solve(total, flow_h)
    before = to_flow @ belief.variance @ to_flow + 2.0 * (to_flow @ belief.cross @ parts) + column.flow_half[row] @ parts
    missed = looks.y - np.array(slope.y)
    # The whole departure, whatever the filter has taken in: no prior on it, so the second state is left out.
    d, c = a[:, 0], j @ belief.cross[0]
    model = spread + belief.variance[0, 0] * (d[:, None] * d) + d[:, None] * c + c[:, None] * d
    inverse = np.linalg.inv(_sound(model) + noise)
    along = a[:, 1]
    strength = float(along @ inverse @ along)
    return Point(
        row, tuple(ch.tolist()), tuple(missed.tolist()), float(flow_gain @ missed),
        max(float(before - flow_gain @ flow_h), 1e-8), tuple((inverse @ along / strength).tolist()), strength**-0.5,
        tuple(map(tuple, inverse.tolist())), tuple(np.sqrt(np.maximum(np.diag(model), 0.0)).tolist()))


@quick
@dataclass(frozen=True, slots=True)
class Gain:
    """Gains of drag and departure on what changed, per channel, and the variances of both after the update."""

    drag: tuple[float, ...]
    departure: tuple[float, ...]
    drag_var: float
    departure_var: float


def steady_gain(slope: Slope, noise: Sequence[float], drag_wander: float, departure_wander: float) -> Gain:
    """Gain of the two-state random walk seen through independent ``noise`` (variances), when it has settled.

    ``drag_wander``/``departure_wander`` are the variances of the steps between two blocks. The Riccati recursion in
    information form, two by two, run to rest.
    """
    m11 = m12 = m22 = 0.0
    for d, a, v in zip(slope.to_drag, slope.along, noise, strict=True):
        m11 += d * d / v
        m12 += d * a / v
        m22 += a * a / v
    p11, p12, p22 = 25.0 * drag_wander, 0.0, 25.0 * departure_wander
    for _ in range(60):
        before = p11
        p11 += drag_wander
        p22 += departure_wander
        det = p11 * p22 - p12 * p12
        i11, i12, i22 = p22 / det + m11, -p12 / det + m12, p11 / det + m22
        det = i11 * i22 - i12 * i12
        p11, p12, p22 = i22 / det, -i12 / det, i11 / det
        if abs(p11 - before) < 1e-3 * p11:
            break
    return Gain(
        tuple((p11 * d + p12 * a) / v for d, a, v in zip(slope.to_drag, slope.along, noise, strict=True)),
        tuple((p12 * d + p22 * a) / v for d, a, v in zip(slope.to_drag, slope.along, noise, strict=True)), p11, p22)


def first_gain(slope: Slope, noise: Sequence[float], drag_var: float, departure_var: float) -> Gain:
    """Gain of a single update with these prior variances."""
    m11, m12, m22 = 1.0 / drag_var, 0.0, 1.0 / departure_var
    rows = [*zip(slope.to_drag, slope.along, noise, strict=True)]
    for d, a, v in rows:
        m11 += d * d / v
        m12 += d * a / v
        m22 += a * a / v
    det = m11 * m22 - m12 * m12
    p11, p12, p22 = m22 / det, -m12 / det, m11 / det
    return Gain(
        tuple([(p11 * d + p12 * a) / v for d, a, v in rows]), tuple([(p12 * d + p22 * a) / v for d, a, v in rows]), p11, p22)
