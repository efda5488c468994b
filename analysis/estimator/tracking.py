"""The slow state through stretches of steady gates: weighed at its beginning, followed block by block, believed after it.

Three things may happen to it. A stretch begins: all gate sets are weighed by the mean of what was seen so far, and that
mean is taken into what was believed before the stretch. A block closes: drag and departure follow what changed, by a
steady gain. The stretch ends: what was followed becomes what is believed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from analysis.estimator.blocks import BLOCK_S, Blocks
from analysis.estimator.carriage import Carriage
from analysis.estimator.clean import CleanDrag
from analysis.estimator.knowledge import Knowledge
from analysis.estimator.priors import Stretch, drag_guesses, set_priors
from analysis.estimator.response import Response
from analysis.estimator.sensors import MEASURED
from analysis.estimator.slow import (
    MOST_CLOSED,
    Belief,
    Gain,
    Point,
    Slope,
    absorb,
    first_gain,
    slope_at,
    steady_gain,
)
from analysis.estimator.told import Follower, Where, follower
from analysis.estimator.uncertain import OF_THE_DAY
from analysis.estimator.weigh import Looks, Verdict, judge
from analysis.events import EventKind

STOP_SD = 0.015
"""What the drag may lose when the fan stops: part of the cake falls off (ours)."""
DRAG_RATE = 6e-4
"""How fast the drag may wander: standard deviation of its logarithm per root second of running (1.5 % in ten
minutes)."""
DEPARTURE_RATE = 5e-4
"""The same for a departure along the curve."""
FAR_DEPARTURE = 0.1
"""Beyond this departure the ducts are not the ones known, and the drag is believed to stay as it was."""
IMPOSSIBLE_FIT = 100.0
"""Sum of squares of two to four channels beyond which no state of the shop explains the readings."""
RELINE = 0.02
"""Drag or departure may move this far before the model is taken anew."""
REFRESH_BLOCKS = 12
"""Blocks after which it is taken anew in any case (the noise, the air and the mains have moved)."""


class Tracking:
    """``belief`` about the drag between stretches; within one ``drag`` and ``departure`` as followed, on the line
    ``slope`` through the ``point`` that the stretch stands on (both None while nothing is followed). ``doubt`` is the
    channel that is left out, ``impossible`` whether the readings fit no state of the shop.
    """

    def __init__(self, knowledge: Knowledge, clean: CleanDrag, carriage: Carriage, blocks: Blocks) -> None:
        self._knowledge, self._clean, self._carriage, self._blocks = knowledge, clean, carriage, blocks
        self.belief: Belief | None = None
        self.doubt: int | None = None
        self.impossible = False
        self._prior: Belief | None = None
        self._drag_extra = self._flow_extra = 0.0
        self.stop()

    def stop(self) -> None:
        """Nothing is followed any more."""
        self.slope: Slope | None = None
        self.point: Point | None = None
        self.gain: Gain | None = None
        self.follow: Follower | None = None
        self.drag = self.departure = 0.0
        self._noise: list[float] = []
        self._since = 0
        self._clean_log_flow = 0.0

    def end(self) -> None:
        """What was followed becomes what is believed."""
        belief = self.belief
        if belief is not None and self.gain is not None:
            # A change that was followed may have been the other state's: a part of it stays open.
            change = self.drag - float(belief.mean[0])
            belief.mean[0], belief.mean[1] = self.drag, self.departure
            belief.variance[0, 0] += self._drag_extra + self.gain.drag_var + (0.2 * change) ** 2
        self._drag_extra = self._flow_extra = 0.0
        self.stop()

    def begin(self) -> None:
        """A stretch begins: it is weighed against what is believed now."""
        self._prior = None if self.belief is None else self.belief.copy()

    def start(self) -> None:
        """A run begins: its air and its zeros have nothing to do with those of the last one, and a stop sheds some cake."""
        belief, response = self.belief, self._knowledge.response
        if belief is not None and response is not None:
            belief.variance[0, 0] += STOP_SD**2
            belief.cross[:, [response.uncertain.index(name) for name in OF_THE_DAY]] = 0.0

    def weigh(
        self, stretch: Stretch, channels: tuple[int, ...], gates: Mapping[str, bool] | None, pending: EventKind | None
    ) -> Verdict | None:
        """Weigh all gate sets by the mean of the stretch, and take that mean into the state as it was before it.

        None where the readings are impossible: nothing is learned from what no state of the shop gives.
        """
        knowledge, carriage = self._knowledge, self._carriage
        response = knowledge.response
        assert response is not None
        old_shift = carriage.shift
        noise = self._variances(stretch.mean, channels, stretch.blocks)
        y = [v for c in channels if (v := stretch.mean[c]) is not None]
        if 2 in channels:
            noise[channels.index(2)] += (carriage.mains_sd * y[channels.index(2)]) ** 2
        looks = Looks(
            np.array(channels, dtype=np.intp), np.array(y), np.array(noise), carriage.log_power, carriage.log_volts)
        knowledge.reported(gates)
        parts = len(response.uncertain.names)
        if self._prior is not None:
            self._prior.sound(response.precision)
        guesses = drag_guesses(
            self._prior, self._clean, pending, parts, carriage.shift, knowledge.baseline, response.uncertain.names)
        priors = set_priors(response.sets, knowledge.habit, stretch, knowledge.design, gates)
        verdict = judge(response, looks, guesses, priors, carriage.log_speed, self.doubt)
        self.impossible = verdict.fit > IMPOSSIBLE_FIT
        if self.impossible:
            self.belief = None if self._prior is None else self._prior.copy()
            self.stop()
            return None
        guess = guesses[verdict.guess]
        if verdict.log_speed:
            looks = self._new_speed(stretch, looks, verdict.log_speed)
        self.doubt = verdict.doubt
        if verdict.doubt is not None:
            doubted = looks.channels == verdict.doubt
            looks = replace(looks, noise=np.where(doubted, (0.5 * looks.y) ** 2, looks.noise))
        start = Belief(
            np.array([guess.mean - old_shift, verdict.departure]),
            np.diag([guess.variance, verdict.departure_sd**2]), np.vstack([guess.cross, np.zeros(parts)]))
        self.belief, self.slope, self.point = absorb(response, verdict.best, start, looks, carriage.shift)
        self.drag, self.departure = float(self.belief.mean[0]), float(self.belief.mean[1])
        self._drag_extra = float(verdict.weight @ (verdict.log_drag - verdict.log_drag[verdict.best]) ** 2)
        self._flow_extra = float(verdict.weight @ (verdict.log_flow - verdict.log_flow[verdict.best]) ** 2)
        stretch.verdict, stretch.weighed = verdict, stretch.blocks
        return verdict

    def _new_speed(self, stretch: Stretch, looks: Looks, change: float) -> Looks:
        """The fan turns at another speed: carry what was seen in this stretch to it."""
        factor = self._carriage.change_speed(change)
        stretch.scale(factor)
        self._blocks.scale(factor)
        y = np.where(looks.channels == 2, looks.y, looks.y * factor)
        return replace(looks, y=y, log_density=self._carriage.log_power)

    def _variances(self, mean: Sequence[float | None], channels: tuple[int, ...], blocks: float) -> list[float]:
        """Noise variance of the mean of ``blocks`` blocks, per channel."""
        seen = self._blocks
        found = []
        for c in channels:
            value = mean[c] or 0.0
            block = max(seen.block_var[c], 0.1 * seen.frame_var[c] / max(seen.count, 1))
            found.append(block / max(blocks, 0.3) + (0.0015 * value) ** 2 + (0.09 if c != 2 else 1e-4))
        return found

    def steady(self) -> None:
        """The gain with which blocks to come are followed."""
        slope, point, response = self.slope, self.point, self._knowledge.response
        assert slope is not None
        assert point is not None
        assert response is not None
        channels = point.channels
        mean: list[float | None] = [None] * len(MEASURED)
        for c, value in zip(channels, slope.y, strict=True):
            mean[c] = value
        noise = self._variances(mean, channels, 1.0)
        if 2 in channels:
            # The mains swing slowly: among many blocks they count as if ten in a row were one.
            k = channels.index(2)
            noise[k] += 10.0 * (self._carriage.mains_sd * slope.y[k]) ** 2
        if self.doubt in channels:
            k = channels.index(self.doubt)
            noise[k] = (0.5 * slope.y[k]) ** 2
        self._noise = noise
        calm = 0.2 if abs(self.departure) > FAR_DEPARTURE else 1.0
        self.gain = steady_gain(slope, noise, (calm * DRAG_RATE) ** 2 * BLOCK_S, DEPARTURE_RATE**2 * BLOCK_S)
        self._since = 0
        self._clean_log_flow = math.log(response.flow_at(self._clean.log_drag + self._carriage.shift, point.row)[0])

    def move(self) -> None:
        """One more block of the same stretch: follow what changed."""
        slope, point, gain, mean, shift = self.slope, self.point, self.gain, self._blocks.mean, self._carriage.shift
        assert slope is not None
        assert point is not None
        assert gain is not None
        ds, dq = self.drag + shift - slope.log_drag, self.departure - slope.departure
        changes = []
        far = False
        for k, c in enumerate(point.channels):
            value = mean[c]
            assert value is not None
            r = value - slope.y[k] - slope.to_drag[k] * ds - slope.along[k] * dq - point.missed[k]
            far = far or (c != 2 and r * r > 25.0 * self._noise[k])
            changes.append(r)
        if far:
            # Something moves faster than the usual wander.
            gain = first_gain(slope, self._noise, 0.03**2, 0.03**2)
        response = self._knowledge.response
        assert response is not None
        self.drag = response.within(self.drag + shift + sum([g * r for g, r in zip(gain.drag, changes, strict=True)])) - shift
        self.departure = max(
            self.departure + sum([g * r for g, r in zip(gain.departure, changes, strict=True)]), MOST_CLOSED)
        self._since += 1
        ds, dq = self.drag + shift - slope.log_drag, self.departure - slope.departure
        if abs(ds) > RELINE or abs(dq) > RELINE or self._since >= REFRESH_BLOCKS:
            self.slope = self._slope_at(self.drag + shift, self.departure, self._carriage.log_power)
            self.steady()

    def _slope_at(self, log_drag: float, departure: float, log_power: float) -> Slope:
        point, response = self.point, self._knowledge.response
        assert point is not None
        assert response is not None
        nothing = np.zeros(len(point.channels))
        looks = Looks(np.array(point.channels, dtype=np.intp), nothing, nothing, log_power, self._carriage.log_volts)
        return slope_at(response, point.row, log_drag, departure, looks)

    def usual(self) -> tuple[float, ...] | None:
        """The readings that are expected at the fan's usual speed, where it is believed to turn slower; else None."""
        carriage = self._carriage
        if not carriage.log_speed:
            return None
        return self._slope_at(self.drag + carriage.shift + carriage.log_speed, 0.0, math.log(carriage.air.density_ratio)).y

    def stand(self) -> tuple[Where, Follower]:
        """The state as of the block just closed, and the numbers that carry it to the frames of the next."""
        slope, point, belief, gain = self.slope, self.point, self.belief, self.gain
        assert slope is not None
        assert point is not None
        assert belief is not None
        assert gain is not None
        drag_var = float(belief.variance[0, 0]) + self._drag_extra + gain.drag_var
        self._clean.learn(self.drag, math.sqrt(drag_var), BLOCK_S)
        where = Where(
            self.drag, drag_var, self.drag + self._carriage.shift, self.departure, self._clean.log_drag,
            self._clean_log_flow, self._carriage.log_speed)
        self.follow = follower(slope, point, where, self._blocks.frame_var, self._flow_extra, self.doubt)
        return where, self.follow

    def believed(self) -> Belief | None:
        """What would be believed of the drag if the run ended now, for a restart."""
        belief = None if self.belief is None else self.belief.copy()
        if belief is not None and self.gain is not None:
            belief.mean[0] = self.drag
        return belief


def opened(response: Response, row: int) -> tuple[str, ...]:
    """The names of the ports that are open in a gate set of the table."""
    return tuple(n for n, o in zip(response.design.port_names, response.sets[row], strict=True) if o)
