"""The slow state: drag of the bags, and a departure of the flow along the curve that gate changes trace.

A Kalman filter of two states beside the uncertain parts of the shop. Those parts are the same in every block and are
never learned here (a filter that learned them would learn a plugged run away); but what they do to the drag is
remembered as a covariance, so that a thousand blocks cannot make the drag look surer than the shop is known, while
changes of the drag are still seen to a fraction of a per cent. This is the "consider" filter of S. F. Schmidt (1966);
the form is that of Jazwinski, *Stochastic Processes and Filtering Theory* (1970), section 8.4 (from memory). """

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.estimator.response import Response
from analysis.estimator.weigh import Looks, expected

Floats = npt.NDArray[np.float64]


@dataclass(slots=True)
class Belief:
    """Mean (log drag at the design's viscosity, departure), covariance (2, 2) and covariance with the parts (2, k)."""

    mean: Floats
    variance: Floats
    cross: Floats

    def copy(self) -> Belief:
        """An independent copy."""
        return Belief(self.mean.copy(), self.variance.copy(), self.cross.copy())

    def wander(self, seconds: float, drag_rate: float, departure_rate: float) -> None:
        """Let time pass: both states take random steps, ``rate`` [1/sqrt(s)]."""
        self.variance[0, 0] += drag_rate * drag_rate * seconds
        self.variance[1, 1] += departure_rate * departure_rate * seconds

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


@dataclass(frozen=True, slots=True)
class Gains:
    """The filter's answer at one operating point as plain numbers, for use block by block and frame by frame.

    ``channels`` the places in ``MEASURED``; ``y`` the expected readings at ``log_drag`` (table drag) and no departure,
    in the design's air; ``to_drag``/``along`` their change with either state. ``drag``, ``departure`` and ``flow`` are
    gains on the innovation, ``along_gain`` that of the whole departure from the expected readings with ``along_sd``;
    ``inverse`` the inverse covariance of that departure's residual. ``expected_sd`` per channel. """

    row: int
    channels: tuple[int, ...]
    log_drag: float
    log_flow: float
    flow_to_drag: float
    y: tuple[float, ...]
    to_drag: tuple[float, ...]
    along: tuple[float, ...]
    drag: tuple[float, ...]
    departure: tuple[float, ...]
    flow: tuple[float, ...]
    flow_var: float
    along_gain: tuple[float, ...]
    along_sd: float
    inverse: tuple[tuple[float, ...], ...]
    expected_sd: tuple[float, ...]


def absorb(
    response: Response, row: int, belief: Belief, looks: Looks, shift: float, *, rounds: int = 2
) -> Belief:
    """Take readings into ``belief`` for gate set ``row``; ``shift`` is table drag less the belief's drag (air).

    Iterated: the expected readings are taken anew at the drag just found. Returns the new belief.
    """
    ch = looks.channels
    here = np.array([row])
    log_drag = float(belief.mean[0])
    prior = belief
    post = belief
    for _ in range(rounds):
        column = response.column(response.node(log_drag + shift))
        y, _ = expected(response, log_drag + shift, looks, here)
        a = np.stack([column.to_drag[row, ch], column.along[row, ch]], axis=1)
        j = column.to_parts[row, ch, :]
        innovation = looks.y - y[0] - a[:, 0] * (prior.mean[0] - log_drag) - a[:, 1] * prior.mean[1]
        p_h = prior.variance @ a.T + prior.cross @ j.T
        cross_h = a @ prior.cross @ j.T
        spread = column.spread[row][np.ix_(ch, ch)]
        total = a @ prior.variance @ a.T + cross_h + cross_h.T + spread + np.diag(looks.noise)
        gain = np.linalg.solve(total, p_h.T).T
        post = Belief(
            prior.mean + gain @ innovation,
            prior.variance - gain @ p_h.T,
            prior.cross - gain @ (a @ prior.cross + column.spread_half[row, ch, :]))
        if abs(post.mean[0] - log_drag) < 1e-4:
            log_drag = float(post.mean[0])
            break
        log_drag = float(post.mean[0])
    post.variance = 0.5 * (post.variance + post.variance.T)
    np.fill_diagonal(post.variance, np.maximum(np.diag(post.variance), 1e-8))
    return post


def gains(response: Response, row: int, belief: Belief, looks: Looks, shift: float) -> Gains:
    """Gains for the next blocks, the belief being ``belief`` with one block's wander already in it."""
    ch = looks.channels
    log_drag = float(belief.mean[0]) + shift
    column = response.column(response.node(log_drag))
    y, log_flow = expected(response, log_drag, looks, np.array([row]))
    a = np.stack([column.to_drag[row, ch], column.along[row, ch]], axis=1)
    j = column.to_parts[row, ch, :]
    spread = column.spread[row][np.ix_(ch, ch)]
    p_h = belief.variance @ a.T + belief.cross @ j.T
    cross_h = a @ belief.cross @ j.T
    noise = np.diag(looks.noise)
    total = a @ belief.variance @ a.T + cross_h + cross_h.T + spread + noise
    inverse = np.linalg.inv(total)
    gain = p_h @ inverse
    to_flow = np.array([column.flow_to_drag[row], 1.0])
    flow_parts = column.flow_to_parts[row]
    flow_h = to_flow @ p_h + (flow_parts @ belief.cross.T) @ a.T + column.flow_half[row] @ j.T
    flow_gain = flow_h @ inverse
    flow_prior = float(
        to_flow @ belief.variance @ to_flow + 2.0 * (to_flow @ belief.cross @ flow_parts)
        + column.flow_half[row] @ flow_parts)
    flow_var = max(flow_prior - float(flow_gain @ flow_h), 1e-8)
    # The whole departure along the curve, whatever the filter has taken in: the second state left out, a flat prior.
    p0 = belief.variance[0, 0]
    d, c = a[:, 0], j @ belief.cross[0]
    model = spread + p0 * np.outer(d, d) + np.outer(d, c) + np.outer(c, d)
    open_inverse = np.linalg.inv(model + noise)
    along = a[:, 1]
    strength = float(along @ open_inverse @ along)
    return Gains(
        row, tuple(ch.tolist()), log_drag, float(log_flow[0]), float(column.flow_to_drag[row]), tuple(y[0].tolist()),
        tuple(d.tolist()), tuple(along.tolist()), tuple(gain[0].tolist()), tuple(gain[1].tolist()),
        tuple(flow_gain.tolist()), flow_var, tuple((open_inverse @ along / strength).tolist()), strength**-0.5,
        tuple(map(tuple, open_inverse.tolist())), tuple(np.sqrt(np.maximum(np.diag(model), 0.0)).tolist()))
