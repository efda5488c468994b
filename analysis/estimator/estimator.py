"""Estimator: frame by frame, what the shop is doing, what was expected, and the gap.

Two rates. Every frame a few multiplications carry the last operating point to the frame's readings. Every ten seconds a
block of frames moves the drag; where the readings stepped (or a run began) all gate sets are weighed anew, at once and
again as the stretch grows to a minute. Everything runs on the frames' own time.

What is known of the shop stands in :mod:`.knowledge`, what carries a reading to the design's air in :mod:`.carriage`, the
slow state in :mod:`.tracking`. Here frames become blocks, runs and stretches, and all of it an estimate.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from analysis.baseline.model import Baseline
from analysis.duct.design import DuctDesign
from analysis.estimates import Estimate, GateSet
from analysis.estimator import restart
from analysis.estimator.blocks import BLOCK_S, Blocks, Seen
from analysis.estimator.carriage import Carriage
from analysis.estimator.clean import CleanDrag
from analysis.estimator.knowledge import Knowledge
from analysis.estimator.priors import Stretch
from analysis.estimator.sensors import Sensors
from analysis.estimator.told import KNOWN_SD, slow_part, standing_notes
from analysis.estimator.tracking import Tracking, opened
from analysis.estimator.weigh import Verdict, alternatives
from analysis.events import EventKind, ShopEvent
from analysis.readings import Frame, RunState

GAP_S = 30.0
"""Frames missing for longer than this end a stretch."""
EMPTYING_SD = 0.05
"""And when the chip bag is emptied: the bags are knocked, and what lay on their collar is gone (ours)."""
JUDGE_AT = (0, 1, 3, 6)
"""Number of blocks in a stretch at which the gate sets are weighed; after the last the weights stand."""
MOST_FLOW = 2.0
"""No flow beyond so many times what the drawn fan gives into free air is believed: the readings, or the drawing,
are wrong there."""
LEARN_BLOCKS = 3
"""Blocks of a stretch from which on its gates count as a habit."""
BETWEEN_SD = 0.04
"""How well the bags alone tell the flow of a single frame, relative, while the gates are being judged (ours)."""


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
        self.knowledge = Knowledge(design, baseline, self.sensors)
        self.blocks = Blocks(self.knowledge.frame_sd, self.sensors.period_s)
        self.clean = CleanDrag(design, baseline)
        self.carriage = Carriage(design)
        self.tracking = Tracking(self.knowledge, self.clean, self.carriage, self.blocks)
        self._most_log_flow = math.log(MOST_FLOW * design.fan.free_flow_m3s())
        self.pending: EventKind | None = None
        """A cleaning or new bags of which the readings have not told yet."""
        self._stretch: Stretch | None = None
        self._last_row: int | None = None
        self._state = RunState.UNKNOWN
        self._last_t: float | None = None
        self._gates: Mapping[str, bool] | None = None
        self._told: Estimate | None = None
        self._gate_words: tuple[tuple[str, ...] | None, float | None, tuple[GateSet, ...]] = (None, None, ())
        self._notes_key: tuple[object, ...] | None = None
        self._standing_notes: tuple[str, ...] = ()

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
        inverse, zero = self.carriage.inverse, self.knowledge.offsets
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
        follow, told = self.tracking.follow, self._told
        if follow is None or told is None:
            return self._between(t, y1)
        y = (y0, y1, y2, y3)
        z = follow.log_flow
        for g, c, e in zip(follow.gain, follow.channels, follow.now):  # noqa: B905 (hot; equal lengths by construction)
            value = y[c]
            if value is not None:
                z += g * (value - e)
        if z > self._most_log_flow:
            return self._between(t, None)
        flow = math.exp(z)
        return Estimate(
            t, flow, flow * follow.relative_sd, told.filter_drag, told.filter_drag_sd, told.drag_ratio, told.flow_lost,
            told.duct_resistance, told.gates, told.gate_probability, told.alternatives, told.expected, told.residual,
            told.along, told.along_sd, told.off, told.air_density_kgm3, told.notes, told.fan_strength, told.doubtful)

    def _between(self, t: float, filter_pa: float | None) -> Estimate:
        """The gates are moving, or a run is young: only the bags tell the flow."""
        belief, impossible = self.tracking.belief, self.tracking.impossible
        words = "the readings fit no state of this shop" if impossible else "the gates are being judged"
        notes = (words, *self._notes(()))
        carriage, zeros = self.carriage, self.knowledge.zeros
        density = carriage.air.density_kgm3
        if impossible or belief is None or belief.variance[0, 0] > 1.5 * KNOWN_SD**2 or "filter_pa" not in zeros:
            return Estimate(t, air_density_kgm3=density, notes=notes)
        relative = math.sqrt(belief.variance[0, 0])
        table = math.exp(float(belief.mean[0]) + carriage.shift)
        drag = math.exp(float(belief.mean[0])) * carriage.air.viscosity_ratio
        flow = None if filter_pa is None else max(0.0, filter_pa / table)
        sd = None if flow is None else flow * math.hypot(BETWEEN_SD, relative)
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
            for name, zero in self.knowledge.zeros.items():
                value = values.get(name)
                if value is not None:
                    zero.standing(t, value)
        else:
            for zero in self.knowledge.zeros.values():
                zero.running()
        self._last_t = t
        drag = ratio = sd = None
        belief = self.tracking.belief
        if belief is not None and belief.variance[0, 0] < KNOWN_SD**2 and "filter_pa" in self.knowledge.zeros:
            log_drag = float(belief.mean[0])
            drag = math.exp(log_drag) * self.carriage.air.viscosity_ratio
            sd = drag * math.sqrt(belief.variance[0, 0])
            ratio = math.exp(log_drag - self.clean.log_drag)
        if state is RunState.OFF:
            return Estimate(t, 0.0, 0.0, drag, sd, ratio, notes=("the fan is off",))
        why = {RunState.STARTING: "the fan is starting", RunState.STOPPING: "the fan is coasting down"}
        return Estimate(
            t, None, None, drag, sd, ratio, notes=(why.get(state, "it is not known whether the fan runs"),))

    def event(self, event: ShopEvent) -> None:
        """Something was done to the unit: a cleaning or new bags widen what is believed of the drag."""
        kind, belief = event.kind, self.tracking.belief
        if kind in (EventKind.CLEANED, EventKind.REPLACED):
            self.pending = kind
            self.clean.event(kind)
        elif kind is EventKind.EMPTIED and belief is not None:
            belief.variance[0, 0] += EMPTYING_SD**2
        if self.pending is not None and self._state is RunState.RUNNING and self._last_t is not None:
            self._begin_stretch(self._last_t, stepped=False)

    # -- stretches --------------------------------------------------------------------------------------------------

    def _start(self, t: float, frame: Frame) -> None:
        """A run begins: zeros and air of the day, then a stretch in which anything may be open."""
        self._state = RunState.RUNNING
        self.tracking.impossible = False
        for zero in self.knowledge.zeros.values():
            zero.running()
        self.carriage.take(frame.values)
        self.knowledge.prepare(t, self.carriage.air)
        self.tracking.start()
        self._gates = frame.gates
        self._begin_stretch(t, stepped=False)

    def _end_stretch(self) -> None:
        """What was followed becomes what is believed, and the gates a habit."""
        stretch = self._stretch
        if stretch is not None and stretch.verdict is not None and stretch.blocks >= LEARN_BLOCKS:
            best = stretch.verdict.best
            self.knowledge.habit.learn(best, float(stretch.verdict.weight[best]))
            self._last_row = best
        self.tracking.end()
        self._stretch = self._told = None

    def _begin_stretch(self, t: float, *, stepped: bool) -> None:
        """What was measured up to here belongs to another setting of the gates."""
        told = self._told
        self._end_stretch()
        self._told = told
        self.tracking.begin()
        if not stepped:
            self.blocks.begin(t)
        self._stretch = Stretch(t, stepped, self._last_row)

    def _block(self, t: float, frame: Frame) -> None:
        """A block closed."""
        stretch, tracking, blocks = self._stretch, self.tracking, self.blocks
        if stretch is None or self.knowledge.response is None:
            return
        early = stretch.blocks == 0 and blocks.ended - blocks.began < 0.7 * BLOCK_S
        self.carriage.take(frame.values)
        stretch.take(blocks.mean, blocks.count, early)
        young = stretch.blocks <= JUDGE_AT[-1]
        usable = self.knowledge.channels
        channels = usable(stretch.mean if young else blocks.mean)
        if not channels:
            tracking.stop()
            return
        point = tracking.point
        if point is not None and channels != point.channels and not young:
            # A channel fell silent, or came back: what the model misses is another thing now.
            self._begin_stretch(t, stepped=False)
            return
        # In a young stretch a block may lack a channel that an earlier one had, or bring one that was missing.
        same = point is not None and channels == point.channels == usable(blocks.mean)
        if not same or (stretch.blocks in JUDGE_AT and stretch.weighed != stretch.blocks):
            weighable = usable(stretch.mean)
            if not weighable:
                tracking.stop()
                return
            verdict = tracking.weigh(stretch, weighable, self._gates, self.pending)
            if verdict is not None:
                self._weighed(stretch, verdict)
        else:
            tracking.move()
        if tracking.point is not None:
            self._tell(t, stretch)

    def _weighed(self, stretch: Stretch, verdict: Verdict) -> None:
        """The gate sets were weighed: put the verdict into words, and follow from here."""
        if stretch.blocks >= JUDGE_AT[1] and self.pending is not None:
            self.clean.watch()
            self.pending = None
        response, best = self.knowledge.response, verdict.best
        assert response is not None
        others = tuple(
            GateSet(opened(response, row), float(verdict.weight[row]))
            for row in alternatives(verdict.weight) if row != best)
        self._gate_words = (opened(response, best), float(verdict.weight[best]), others)
        self.tracking.steady()

    # -- what is told -----------------------------------------------------------------------------------------------

    def _tell(self, t: float, stretch: Stretch) -> None:
        """The slow part of the estimate, as of the block just closed."""
        tracking = self.tracking
        where, follow = tracking.stand()
        slope, point = tracking.slope, tracking.point
        assert slope is not None
        assert point is not None
        mean = stretch.mean if stretch.blocks <= 1 else self.blocks.mean
        self._told = slow_part(
            t, slope, point, where, follow, mean, self.carriage.air, self._gate_words, self._notes(point.channels),
            tracking.usual(), tracking.doubt)

    def _notes(self, channels: tuple[int, ...]) -> tuple[str, ...]:
        """What the fitted set can and cannot tell; the same words until something about it changes."""
        air, volts, zeros = self.carriage.air, self.carriage.volts_known, self.knowledge.zeros
        key = (channels, air.missing, air.density_sd, volts, *[zero.beyond for zero in zeros.values()])
        if key != self._notes_key:
            self._notes_key = key
            self._standing_notes = standing_notes(self.baseline is not None, channels, air, volts, zeros)
        return self._standing_notes

    # -- restart ----------------------------------------------------------------------------------------------------

    def snapshot(self) -> dict[str, object]:
        """What was learned, as plain JSON values."""
        return restart.snapshot(self)

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a :meth:`snapshot`. What does not fit (another design or baseline) is left out, and learned anew."""
        restart.restore(self, data)

    def with_baseline(self, baseline: Baseline | None) -> Estimator:
        """A new estimator for another baseline, which keeps the zeros, the noise and the habits that were learned."""
        made = Estimator(self.design, baseline=baseline, sensors=self.sensors)
        made.restore({k: v for k, v in self.snapshot().items() if k in ("ports", "zeros", "noise", "habit")})
        return made
