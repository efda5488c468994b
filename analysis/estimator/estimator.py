"""Estimator: frame by frame, what the shop is doing, what was expected, and the gap.

Two rates. Every frame a few multiplications carry the last operating point to the frame's readings. Every ten seconds a
block of frames moves the drag; where the readings stepped (or a run began) all gate sets are weighed anew, at once and
again as the stretch grows to a minute. Everything runs on the frames' own time.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from analysis.baseline.model import Baseline
from analysis.duct.design import DuctDesign
from analysis.estimates import Estimate, GateSet
from analysis.estimator.ambient import AirState, Ambient, change_since
from analysis.estimator.blocks import BLOCK_S, Blocks, Seen
from analysis.estimator.clean import CleanDrag
from analysis.estimator.gatesets import Habit, gate_sets
from analysis.estimator.priors import Stretch, drag_guesses, set_priors
from analysis.estimator.response import Response
from analysis.estimator.rezero import BOUNDS, Zero
from analysis.estimator.sensors import MEASURED, Sensors
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
from analysis.estimator.told import KNOWN_SD, Follower, Where, follower, slow_part, standing_notes
from analysis.estimator.uncertain import uncertain_parts
from analysis.estimator.weigh import Looks, Verdict, alternatives, judge
from analysis.events import EventKind, ShopEvent
from analysis.readings import Frame, RunState

DRAG_RATE = 6e-4
"""How fast the drag may wander: standard deviation of its logarithm per root second of running (1.5 % in ten
minutes)."""
DEPARTURE_RATE = 5e-4
"""The same for a departure along the curve."""
FAR_DEPARTURE = 0.1
"""Beyond this departure the ducts are not the ones known, and the drag is believed to stay as it was."""
GAP_S = 30.0
"""Frames missing for longer than this end a stretch."""
STOP_SD = 0.015
"""What the drag may lose when the fan stops: part of the cake falls off (ours)."""
MAINS_SD = 0.02
"""Relative swing of the line voltage where it is not measured (common practice, no source)."""
JUDGE_AT = (0, 1, 3, 6)
"""Number of blocks in a stretch at which the gate sets are weighed; after the last the weights stand."""
IMPOSSIBLE_FIT = 100.0
"""Sum of squares of two to four channels beyond which no state of the shop explains the readings."""
RELINE = 0.02
"""Drag or departure may move this far before the model is taken anew."""
REFRESH_BLOCKS = 12
"""Blocks after which it is taken anew in any case (the noise, the air and the mains have moved)."""


class Estimator:
    """Flow, drag, gates and gaps of one shop.

    ``design`` as drawn, ``baseline`` as measured (None: the design alone, with wide uncertainties, which ``notes``
    says), ``sensors`` the fitted channels. Raises ValueError for a baseline of other ports. Nothing is solved before
    the first frame with a running fan. """

    def __init__(self, design: DuctDesign, *, baseline: Baseline | None = None, sensors: Sensors | None = None) -> None:
        if baseline is not None and (why := baseline.fits(design)) is not None:
            raise ValueError(why)
        self.design, self.baseline = design, baseline
        self.sensors = Sensors() if sensors is None else sensors
        self.ambient = Ambient(design.air)
        sd = self.sensors.sd
        usual = (10.0, 5.0, 0.1, 5.0)
        self.zeros = {
            name: Zero(BOUNDS[name], 0.5 * sd.get(name, usual[i])) for i, name in enumerate(MEASURED) if name in sd}
        frame_sd = tuple(0.5 * sd.get(n, u) for n, u in zip(MEASURED, usual, strict=True))
        self.blocks = Blocks(frame_sd, self.sensors.period_s)
        gated = [port.has_gate for port in design.ports]
        self._sets = gate_sets(gated)
        self.habit = Habit(self._sets, gated)
        self.clean = CleanDrag(design, baseline)
        self._response: Response | None = None
        self._parts_key: tuple[float, float, float] | None = None
        self._pending: EventKind | None = None
        self._air = AirState(1.0, 1.0, design.air.density_kgm3, 0.03, ())
        self._shift = 0.0
        self._inverse = 1.0
        self._log_volts = 0.0
        self._volts_known = False
        self._log_speed = 0.0
        self._doubt: int | None = None
        self._impossible = False
        self._offsets = [0.0, 0.0, 0.0, 0.0]
        self._belief: Belief | None = None
        self._prior: Belief | None = None
        self._drag_extra = self._flow_extra = 0.0
        self._stretch: Stretch | None = None
        self._last_row: int | None = None
        self._state = RunState.UNKNOWN
        self._last_t: float | None = None
        self._gates: Mapping[str, bool] | None = None
        self._told: Estimate | None = None
        self._gate_words: tuple[tuple[str, ...] | None, float | None, tuple[GateSet, ...]] = (None, None, ())
        self._stop_following()

    def _stop_following(self) -> None:
        self._slope: Slope | None = None
        self._point: Point | None = None
        self._gain: Gain | None = None
        self._follow: Follower | None = None
        self._noise: list[float] = []
        self._s = self._q = 0.0
        self._since = 0
        self._clean_log_flow = 0.0

    # -- frames -----------------------------------------------------------------------------------------------------

    def update(self, frame: Frame) -> Estimate:
        """The state of the shop at this frame."""
        if frame.state is not RunState.RUNNING:
            return self._still(frame)
        t = frame.t
        get = frame.values.get
        if self._state is not RunState.RUNNING:
            self._start(t, frame)
        elif self._last_t is not None and not 0.0 <= t - self._last_t <= GAP_S:
            self._begin_stretch(t, stepped=False)
        self._last_t = t
        if frame.gates is not self._gates and frame.gates != self._gates:
            self._gates = frame.gates
            self._begin_stretch(t, stepped=True)
        inverse, zero = self._inverse, self._offsets
        y0, y1, y2, y3 = get("inlet_pa"), get("filter_pa"), get("motor_a"), get("pitot_pa")
        if y0 is not None:
            y0 = (y0 - zero[0]) * inverse
        if y1 is not None:
            y1 = (y1 - zero[1]) * inverse
        if y2 is not None:
            y2 = y2 - zero[2]
        if y3 is not None:
            y3 = (y3 - zero[3]) * inverse
        seen = self.blocks.add(t, y0, y1, y2, y3)
        if seen:
            if seen is Seen.STEP:
                self._begin_stretch(t, stepped=True)
            else:
                self._block(t, frame)
        follow, told = self._follow, self._told
        if follow is None or told is None:
            return self._between(t, y1)
        y = (y0, y1, y2, y3)
        z = follow.log_flow
        for g, c, e in zip(follow.gain, follow.channels, follow.now):  # noqa: B905 (hot; equal lengths by construction)
            value = y[c]
            if value is not None:
                z += g * (value - e)
        flow = math.exp(z)
        return Estimate(
            t, flow, flow * follow.relative_sd, told.filter_drag, told.filter_drag_sd, told.drag_ratio, told.flow_lost,
            told.duct_resistance, told.gates, told.gate_probability, told.alternatives, told.expected, told.residual,
            told.along, told.along_sd, told.off, told.air_density_kgm3, told.notes, told.fan_strength, told.doubtful)

    def _between(self, t: float, filter_pa: float | None) -> Estimate:
        """The gates are moving, or a run is young: only the bags tell the flow."""
        belief = self._belief
        words = "the readings fit no state of this shop" if self._impossible else "the gates are being judged"
        notes = (words, *self._notes(()))
        density = self._air.density_kgm3
        if self._impossible or belief is None or belief.variance[0, 0] > 1.5 * KNOWN_SD**2 or "filter_pa" not in self.zeros:
            return Estimate(t, air_density_kgm3=density, notes=notes)
        relative = math.sqrt(belief.variance[0, 0])
        table = math.exp(float(belief.mean[0]) + self._shift)
        drag = math.exp(float(belief.mean[0])) * self._air.viscosity_ratio
        flow = None if filter_pa is None else max(0.0, filter_pa / table)
        sd = None if flow is None else flow * math.hypot(0.04, relative)
        return Estimate(
            t, flow, sd, drag, drag * relative, math.exp(float(belief.mean[0]) - self.clean.log_drag),
            air_density_kgm3=density, notes=notes)

    def _still(self, frame: Frame) -> Estimate:
        """The fan is off, starting or coasting down."""
        state = frame.state
        if self._state is RunState.RUNNING:
            self._end_stretch()
        self._state = state
        t, values = frame.t, frame.values
        if state is RunState.OFF:
            for name, zero in self.zeros.items():
                value = values.get(name)
                if value is not None:
                    zero.standing(t, value)
        else:
            for zero in self.zeros.values():
                zero.running()
        self._last_t = t
        drag = ratio = sd = None
        belief = self._belief
        if belief is not None and belief.variance[0, 0] < KNOWN_SD**2 and "filter_pa" in self.zeros:
            log_drag = float(belief.mean[0])
            drag = math.exp(log_drag) * self._air.viscosity_ratio
            sd = drag * math.sqrt(belief.variance[0, 0])
            ratio = math.exp(log_drag - self.clean.log_drag)
        if state is RunState.OFF:
            return Estimate(t, 0.0, 0.0, drag, sd, ratio, notes=("the fan is off",))
        why = {RunState.STARTING: "the fan is starting", RunState.STOPPING: "the fan is coasting down"}
        return Estimate(
            t, None, None, drag, sd, ratio, notes=(why.get(state, "it is not known whether the fan runs"),))

    def event(self, event: ShopEvent) -> None:
        """Something was done to the unit: a cleaning or new bags widen what is believed of the drag."""
        kind = event.kind
        if kind in (EventKind.CLEANED, EventKind.REPLACED):
            self._pending = kind
            self.clean.event(kind)
        elif kind is EventKind.EMPTIED and self._belief is not None:
            self._belief.variance[0, 0] += 0.05**2
        if self._pending is not None and self._state is RunState.RUNNING and self._last_t is not None:
            self._begin_stretch(self._last_t, stepped=False)

    # -- stretches --------------------------------------------------------------------------------------------------

    def _start(self, t: float, frame: Frame) -> None:
        """A run begins: zeros and air of the day, then a stretch in which anything may be open."""
        self._state = RunState.RUNNING
        self._impossible = False
        for zero in self.zeros.values():
            zero.running()
        self._take_air(frame)
        self._prepare(t)
        if self._belief is not None:
            self._belief.variance[0, 0] += STOP_SD**2
        self._gates = frame.gates
        self._begin_stretch(t, stepped=False)

    def _take_air(self, frame: Frame) -> None:
        self._air = air = self.ambient.at(frame.values)
        # A slower fan is like thinner air: pressures go with the square of its speed, the drag over the speed.
        self._inverse = math.exp(-2.0 * self._log_speed) / air.density_ratio
        self._shift = math.log(air.viscosity_ratio / air.density_ratio) - self._log_speed
        volts, motor = frame.values.get("line_v"), self.design.motor
        self._log_volts, self._volts_known = 0.0, False
        if volts is not None and motor is not None and volts > 0.5 * motor.voltage_v:
            self._log_volts, self._volts_known = math.log(volts / motor.voltage_v), True

    def _prepare(self, t: float) -> None:
        """Uncertain parts and the table; only covariances are made anew when a zero or the air became better known."""
        zero_sd = [z.sd if (z := self.zeros.get(name)) is not None else 5.0 for name in ("inlet_pa", "filter_pa")]
        # In coarse steps, since a new key makes new covariances.
        density_sd = self._air.density_sd
        if self.baseline is not None and self._air.missing:
            # The tour's own air went into the baseline: only what changed since then counts.
            density_sd = min(density_sd, change_since(t - self.baseline.t))
        key = (_coarse(zero_sd[0]), _coarse(zero_sd[1]), _coarse(density_sd))
        self._offsets = [z.offset if (z := self.zeros.get(name)) is not None else 0.0 for name in MEASURED]
        if key == self._parts_key:
            return
        self._parts_key = key
        parts = uncertain_parts(
            self.design, self.baseline, zero_inlet_pa=key[0], zero_filter_pa=key[1], density_sd=key[2])
        if self._response is None:
            self._response = Response(self.design, self.baseline, parts, self._sets)
        else:
            self._response.set_uncertain(parts)

    def _end_stretch(self) -> None:
        """What was followed becomes what is believed."""
        stretch, belief = self._stretch, self._belief
        if stretch is not None and stretch.verdict is not None and stretch.blocks >= 3:
            best = stretch.verdict.best
            self.habit.learn(best, float(stretch.verdict.weight[best]))
            self._last_row = best
        if belief is not None and self._gain is not None:
            # A change that was followed may have been the other state's: a part of it stays open.
            change = self._s - float(belief.mean[0])
            belief.mean[0], belief.mean[1] = self._s, self._q
            belief.variance[0, 0] += self._drag_extra + self._gain.drag_var + (0.2 * change) ** 2
        self._drag_extra = self._flow_extra = 0.0
        self._stretch = self._told = None
        self._stop_following()

    def _begin_stretch(self, t: float, *, stepped: bool) -> None:
        """What was measured up to here belongs to another setting of the gates."""
        told = self._told
        self._end_stretch()
        self._told = told
        self._prior = None if self._belief is None else self._belief.copy()
        if not stepped:
            self.blocks.begin(t)
        self._stretch = Stretch(t, stepped, self._last_row)

    def _block(self, t: float, frame: Frame) -> None:
        """A block closed."""
        stretch, response = self._stretch, self._response
        if stretch is None or response is None:
            return
        blocks = self.blocks
        early = stretch.blocks == 0 and blocks.ended - blocks.began < 0.7 * BLOCK_S
        self._take_air(frame)
        stretch.take(blocks.mean, blocks.count, early)
        young = stretch.blocks <= JUDGE_AT[-1]
        channels = self._channels(stretch.mean if young else blocks.mean)
        if not channels:
            self._stop_following()
            return
        if self._point is not None and channels != self._point.channels and not young:
            # A channel fell silent, or came back: what the model misses is another thing now.
            self._begin_stretch(t, stepped=False)
            return
        # In a young stretch a block may lack a channel that an earlier one had, or bring one that was missing.
        same = self._point is not None and channels == self._point.channels == self._channels(blocks.mean)
        if not same or (stretch.blocks in JUDGE_AT and stretch.weighed != stretch.blocks):
            weighable = self._channels(stretch.mean)
            if not weighable:
                self._stop_following()
                return
            self._weigh(stretch, response, weighable)
        else:
            self._move(response, channels)
        if self._point is not None:
            self._tell(t, stretch, response)

    def _channels(self, mean: Sequence[float | None]) -> tuple[int, ...]:
        response = self._response
        motor = response is not None and response.has_motor
        return tuple(
            i for i, name in enumerate(MEASURED)
            if mean[i] is not None and name in self.zeros and (i != 2 or motor))

    def _variances(self, mean: Sequence[float | None], channels: tuple[int, ...], blocks: float) -> list[float]:
        """Noise variance of the mean of ``blocks`` blocks, per channel."""
        found = []
        for c in channels:
            value = mean[c] or 0.0
            block = max(self.blocks.block_var[c], 0.1 * self.blocks.frame_var[c] / max(self.blocks.count, 1))
            found.append(block / max(blocks, 0.3) + (0.0015 * value) ** 2 + (0.09 if c != 2 else 1e-4))
        return found

    def _weigh(self, stretch: Stretch, response: Response, channels: tuple[int, ...]) -> None:
        """Weigh all gate sets by the mean of the stretch, and take that mean into the state as it was before it."""
        old_shift = self._shift
        noise = self._variances(stretch.mean, channels, stretch.blocks)
        y = [v for c in channels if (v := stretch.mean[c]) is not None]
        if 2 in channels:
            noise[channels.index(2)] += ((0.004 if self._volts_known else MAINS_SD) * y[channels.index(2)]) ** 2
        looks = Looks(
            np.array(channels, dtype=np.intp), np.array(y), np.array(noise), self._log_power(), self._log_volts)
        self._know_gates(response)
        parts = len(response.uncertain.names)
        guesses = drag_guesses(
            self._prior, self.clean, self._pending, parts, self._shift, self.baseline, response.uncertain.names)
        priors = set_priors(response.sets, self.habit, stretch, self.design, self._gates)
        verdict = judge(response, looks, guesses, priors, self._log_speed, self._doubt)
        self._impossible = verdict.fit > IMPOSSIBLE_FIT
        if self._impossible:
            # Nothing is learned from readings that no state of the shop gives.
            self._belief = None if self._prior is None else self._prior.copy()
            self._stop_following()
            return
        guess = guesses[verdict.guess]
        if verdict.log_speed:
            looks = self._new_speed(stretch, looks, verdict.log_speed)
        self._doubt = verdict.doubt
        if verdict.doubt is not None:
            doubted = looks.channels == verdict.doubt
            looks = replace(looks, noise=np.where(doubted, (0.5 * looks.y) ** 2, looks.noise))
        start = Belief(
            np.array([guess.mean - old_shift, verdict.departure]),
            np.diag([guess.variance, verdict.departure_sd**2]), np.vstack([guess.cross, np.zeros(parts)]))
        self._belief, self._slope, self._point = absorb(response, verdict.best, start, looks, self._shift)
        self._s, self._q = float(self._belief.mean[0]), float(self._belief.mean[1])
        self._drag_extra = float(verdict.weight @ (verdict.log_drag - verdict.log_drag[verdict.best]) ** 2)
        self._flow_extra = float(verdict.weight @ (verdict.log_flow - verdict.log_flow[verdict.best]) ** 2)
        stretch.verdict, stretch.weighed = verdict, stretch.blocks
        if stretch.blocks >= JUDGE_AT[1] and self._pending is not None:
            self.clean.watch()
            self._pending = None
        self._told_gates(response, verdict)
        self._steady(response, channels)

    def _log_power(self) -> float:
        """Logarithm of what air and fan speed make of the shaft power at the same point of the table."""
        return math.log(self._air.density_ratio) + 3.0 * self._log_speed

    def _new_speed(self, stretch: Stretch, looks: Looks, change: float) -> Looks:
        """The fan turns at another speed: carry what was seen in this stretch to it."""
        self._log_speed += change
        if abs(self._log_speed) < 0.012:
            change -= self._log_speed
            self._log_speed = 0.0
        factor = math.exp(-2.0 * change)
        self._inverse *= factor
        self._shift -= change
        stretch.scale(factor)
        self.blocks.scale(factor)
        y = np.where(looks.channels == 2, looks.y, looks.y * factor)
        return replace(looks, y=y, log_density=self._log_power())

    def _steady(self, response: Response, channels: tuple[int, ...]) -> None:
        """The gain with which blocks to come are followed."""
        slope = self._slope
        assert slope is not None
        mean: list[float | None] = [None] * len(MEASURED)
        for c, value in zip(channels, slope.y, strict=True):
            mean[c] = value
        noise = self._variances(mean, channels, 1.0)
        if 2 in channels:
            # The mains swing slowly: among many blocks they count as if ten in a row were one.
            k = channels.index(2)
            noise[k] += 10.0 * ((0.004 if self._volts_known else MAINS_SD) * slope.y[k]) ** 2
        if self._doubt in channels:
            k = channels.index(self._doubt)
            noise[k] = (0.5 * slope.y[k]) ** 2
        self._noise = noise
        calm = 0.2 if abs(self._q) > FAR_DEPARTURE else 1.0
        self._gain = steady_gain(slope, noise, (calm * DRAG_RATE) ** 2 * BLOCK_S, DEPARTURE_RATE**2 * BLOCK_S)
        self._since = 0
        self._clean_log_flow = math.log(response.flow_at(self.clean.log_drag + self._shift, self._row())[0])

    def _row(self) -> int:
        assert self._point is not None
        return self._point.row

    def _know_gates(self, response: Response) -> None:
        """Gate sensors may show a set that nobody thought of: think of it from now on."""
        gates = self._gates
        if gates is None or any(port.has_gate and port.name not in gates for port in self.design.ports):
            return
        row = np.array([not p.has_gate or bool(gates[p.name]) for p in self.design.ports], dtype=bool)
        if not (response.sets == row).all(axis=1).any():
            response.add(row)
            self._sets = response.sets
            self.habit.extend(response.sets)

    def _move(self, response: Response, channels: tuple[int, ...]) -> None:
        """One more block of the same stretch: follow what changed."""
        slope, point, gain, mean = self._slope, self._point, self._gain, self.blocks.mean
        assert slope is not None
        assert point is not None
        assert gain is not None
        ds, dq = self._s + self._shift - slope.log_drag, self._q - slope.departure
        changes = []
        far = False
        for k, c in enumerate(channels):
            value = mean[c]
            assert value is not None
            r = value - slope.y[k] - slope.to_drag[k] * ds - slope.along[k] * dq - point.missed[k]
            far = far or (c != 2 and r * r > 25.0 * self._noise[k])
            changes.append(r)
        if far:
            # Something moves faster than the usual wander.
            gain = first_gain(slope, self._noise, 0.03**2, 0.03**2)
        self._s += sum(g * r for g, r in zip(gain.drag, changes, strict=True))
        self._q = max(self._q + sum(g * r for g, r in zip(gain.departure, changes, strict=True)), MOST_CLOSED)
        self._since += 1
        ds, dq = self._s + self._shift - slope.log_drag, self._q - slope.departure
        if abs(ds) > RELINE or abs(dq) > RELINE or self._since >= REFRESH_BLOCKS:
            looks = Looks(
                np.array(channels, dtype=np.intp), np.zeros(len(channels)), np.zeros(len(channels)), self._log_power(),
                self._log_volts)
            self._slope = slope_at(response, point.row, self._s + self._shift, self._q, looks)
            self._steady(response, channels)

    # -- what is told -----------------------------------------------------------------------------------------------

    def _told_gates(self, response: Response, verdict: Verdict) -> None:
        names = self.design.port_names

        def opened(row: int) -> tuple[str, ...]:
            return tuple(n for n, o in zip(names, response.sets[row], strict=True) if o)

        best = verdict.best
        others = tuple(
            GateSet(opened(row), float(verdict.weight[row])) for row in alternatives(verdict.weight) if row != best)
        self._gate_words = (opened(best), float(verdict.weight[best]), others)

    def _tell(self, t: float, stretch: Stretch, response: Response) -> None:
        """The slow part of the estimate, as of the block just closed."""
        slope, point, belief, gain = self._slope, self._point, self._belief, self._gain
        assert slope is not None
        assert point is not None
        assert belief is not None
        assert gain is not None
        drag_var = float(belief.variance[0, 0]) + self._drag_extra + gain.drag_var
        self.clean.learn(self._s, math.sqrt(drag_var), BLOCK_S)
        where = Where(
            self._s, drag_var, self._s + self._shift, self._q, self.clean.log_drag, self._clean_log_flow, self._log_speed)
        self._follow = follower(slope, point, where, self.blocks.frame_var, self._flow_extra, self._doubt)
        mean = stretch.mean if stretch.blocks <= 1 else self.blocks.mean
        usual = None
        if self._log_speed:
            looks = Looks(
                np.array(point.channels, dtype=np.intp), np.zeros(0), np.zeros(0), math.log(self._air.density_ratio),
                self._log_volts)
            usual = slope_at(response, point.row, self._s + self._shift + self._log_speed, 0.0, looks).y
        self._told = slow_part(
            t, slope, point, where, self._follow, mean, self._air, self._gate_words, self._notes(point.channels),
            usual, self._doubt)

    def _notes(self, channels: tuple[int, ...]) -> tuple[str, ...]:
        return standing_notes(self.baseline is not None, channels, self._air, self._volts_known, self.zeros)

    # -- restart ----------------------------------------------------------------------------------------------------

    def snapshot(self) -> dict[str, object]:
        """What was learned, as plain JSON values."""
        belief = None if self._belief is None else self._belief.copy()
        if belief is not None and self._gain is not None:
            belief.mean[0] = self._s
        return {
            "ports": list(self.design.port_names),
            "baseline": self._baseline_key(),
            "belief": None if belief is None else belief.snapshot(),
            "zeros": {name: zero.snapshot() for name, zero in self.zeros.items()},
            "noise": self.blocks.snapshot(),
            "habit": self.habit.snapshot(self.design.port_names),
            "clean": self.clean.snapshot(),
            "log_speed": self._log_speed,
            "pending": None if self._pending is None else self._pending.value,
        }

    def with_baseline(self, baseline: Baseline | None) -> Estimator:
        """A new estimator for another baseline, which keeps the zeros, the noise and the habits that were learned."""
        made = Estimator(self.design, baseline=baseline, sensors=self.sensors)
        made.restore({k: v for k, v in self.snapshot().items() if k in ("ports", "zeros", "noise", "habit")})
        return made

    def _baseline_key(self) -> list[object] | None:
        return None if self.baseline is None else [self.baseline.name, self.baseline.t]

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a :meth:`snapshot`. What does not fit (another design or baseline) is left out, and learned anew."""
        if data.get("ports") != list(self.design.port_names):
            return
        belief, zeros, habit, clean = (data.get(key) for key in ("belief", "zeros", "habit", "clean"))
        if isinstance(belief, Mapping) and data.get("baseline") == self._baseline_key():
            # Another baseline has other uncertain parts: a drag believed beside the old ones means nothing there.
            parts = uncertain_parts(self.design, self.baseline, zero_inlet_pa=1.0, zero_filter_pa=1.0, density_sd=0.03)
            self._belief = Belief.restored(belief, len(parts.names))
        if isinstance(zeros, Mapping):
            for name, zero in self.zeros.items():
                if isinstance(kept := zeros.get(name), Mapping):
                    zero.restore(kept)
        self.blocks.restore(data.get("noise"))
        if isinstance(habit, list):
            self.habit.restore(self.design.port_names, habit)
        if isinstance(clean, Mapping):
            self.clean.restore(clean)
        if isinstance(speed := data.get("log_speed"), float) and -0.5 < speed <= 0.1:
            self._log_speed = speed
        pending = data.get("pending")
        if pending in (EventKind.CLEANED.value, EventKind.REPLACED.value):
            self._pending = EventKind(pending)


def _coarse(sd: float) -> float:
    """``sd`` rounded to the nearest power of 1.5."""
    return float(1.5 ** round(math.log(max(sd, 1e-4)) / math.log(1.5)))
