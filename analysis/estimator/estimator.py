"""Estimator: frame by frame, what the shop is doing, what was expected, and the gap.

Two rates. Every frame a few multiplications carry the last operating point to the frame's readings. Every ten seconds a
block of frames moves the drag; where the readings stepped (or a run began) all gate sets are weighed anew, at once and
again as the stretch grows to a minute. Everything runs on the frames' own time.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from analysis.baseline.model import Baseline
from analysis.duct.design import DuctDesign
from analysis.estimates import Estimate, Expected, GateSet
from analysis.estimator.ambient import AirState, Ambient
from analysis.estimator.blocks import BLOCK_S, Blocks, Seen
from analysis.estimator.clean import CleanDrag
from analysis.estimator.gatesets import Habit, gate_sets
from analysis.estimator.priors import Stretch, drag_guesses, set_priors
from analysis.estimator.response import Response
from analysis.estimator.rezero import BOUNDS, Zero
from analysis.estimator.sensors import MEASURED, Sensors
from analysis.estimator.slow import Belief, Gains, absorb, gains
from analysis.estimator.uncertain import uncertain_parts
from analysis.estimator.weigh import Looks, Verdict, alternatives, judge
from analysis.events import EventKind, ShopEvent
from analysis.readings import Frame, RunState

DRAG_RATE = 6e-4
"""How fast the drag may wander: standard deviation of its logarithm per root second of running (1.5 % in ten
minutes)."""
DEPARTURE_RATE = 5e-4
"""The same for a departure along the curve."""
SMALL_SD, LARGE_SD = 0.012, 0.35
"""Departure of the flow that is ordinary (hoses lie differently, chips fly in them), and one that is a fault."""
GAP_S = 30.0
"""Frames missing for longer than this end a stretch."""
STOP_SD = 0.015
"""What the drag may lose when the fan stops: part of the cake falls off (ours)."""
MAINS_SD = 0.02
"""Relative swing of the line voltage where it is not measured (common practice, no source)."""
JUDGE_AT = (0, 1, 3, 6)
"""Number of blocks in a stretch at which the gate sets are weighed; after the last the weights stand."""
REFRESH_BLOCKS = 12
"""Blocks between two full updates of the slow state."""


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
        sets = gate_sets(gated)
        self.habit = Habit(sets, gated)
        self.clean = CleanDrag(design, baseline)
        self._sets = sets
        self._response: Response | None = None
        self._parts_key: tuple[float, float, float] | None = None
        self._belief: Belief | None = None
        self._drag_extra = 0.0
        self._pending: EventKind | None = None
        self._air = AirState(1.0, 1.0, design.air.density_kgm3, 0.03, ())
        self._shift = 0.0
        self._inverse = 1.0
        self._log_volts = 0.0
        self._volts_known = False
        self._stretch: Stretch | None = None
        self._prior: Belief | None = None
        self._gains: Gains | None = None
        self._last_t: float | None = None
        self._last_row: int | None = None
        self._gates: Mapping[str, bool] | None = None
        self._state = RunState.UNKNOWN
        self._offsets = [0.0, 0.0, 0.0, 0.0]
        self._forget_frame()
        self._standing = self._notes(())

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
            self._begin_stretch(t, False, widen_s=max(0.0, min(t - self._last_t, 3600.0)))
        self._last_t = t
        if frame.gates is not self._gates and frame.gates != self._gates:
            changed = self._gates is not None
            self._gates = frame.gates
            if self._stretch is not None:
                self._stretch.weighed = -1
                if changed:
                    self._begin_stretch(t, True)
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
                self._begin_stretch(t, True)
            else:
                self._block(t, frame)
        return self._estimate(t, (y0, y1, y2, y3))

    def event(self, event: ShopEvent) -> None:
        """Something was done to the unit: a cleaning or new bags widen what is believed of the drag."""
        kind = event.kind
        if kind in (EventKind.CLEANED, EventKind.REPLACED):
            self._pending = kind
            self.clean.event(kind)
        elif kind is EventKind.EMPTIED and self._belief is not None:
            self._belief.variance[0, 0] += 0.05**2
        if self._pending is not None and self._state is RunState.RUNNING and self._last_t is not None:
            self._begin_stretch(self._last_t, False)

    # -- stretches --------------------------------------------------------------------------------------------------

    def _start(self, t: float, frame: Frame) -> None:
        """A run begins: zeros and air of the day, then a stretch in which anything may be open."""
        self._state = RunState.RUNNING
        for zero in self.zeros.values():
            zero.running()
        self._take_air(frame)
        self._prepare()
        if self._belief is not None:
            self._belief.variance[0, 0] += STOP_SD**2
        self._gates = frame.gates
        self._begin_stretch(t, False)

    def _take_air(self, frame: Frame) -> None:
        self._air = air = self.ambient.at(frame.values)
        self._inverse = 1.0 / air.density_ratio
        self._shift = math.log(air.viscosity_ratio / air.density_ratio)
        volts = frame.values.get("line_v")
        motor = self.design.motor
        self._volts_known = volts is not None and motor is not None and volts > 0.5 * motor.voltage_v
        if self._volts_known and volts is not None and motor is not None:
            self._log_volts = math.log(volts / motor.voltage_v)
        else:
            self._log_volts = 0.0

    def _prepare(self) -> None:
        """Uncertain parts and the table, once their inputs are known; only covariances are made anew when they
        change."""
        zero_sd = [z.sd if (z := self.zeros.get(name)) is not None else 5.0 for name in ("inlet_pa", "filter_pa")]
        # In coarse steps, since a new key makes new covariances.
        key = (_coarse(zero_sd[0]), _coarse(zero_sd[1]), _coarse(self._air.density_sd))
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

    def _begin_stretch(self, t: float, stepped: bool, widen_s: float = 0.0) -> None:
        """What was measured up to here belongs to another setting of the gates."""
        stretch = self._stretch
        if stretch is not None:
            if stretch.verdict is not None and stretch.blocks >= 3:
                self.habit.learn(stretch.verdict.best, float(stretch.verdict.weight[stretch.verdict.best]))
                self._last_row = stretch.verdict.best
            if self._belief is not None:
                self._belief.variance[0, 0] += self._drag_extra
        self._drag_extra = 0.0
        if self._belief is not None:
            self._belief.wander(widen_s, DRAG_RATE, 0.0)
            self._prior = self._belief.copy()
        else:
            self._prior = None
        if not stepped:
            self.blocks.begin(t)
        self._stretch = Stretch(t, stepped, self._last_row)
        self._gains = None

    def _block(self, t: float, frame: Frame) -> None:
        """A block closed."""
        stretch, response = self._stretch, self._response
        if stretch is None or response is None:
            return
        blocks = self.blocks
        early = stretch.blocks == 0 and blocks.ended - blocks.began < 0.7 * BLOCK_S
        self._take_air(frame)
        stretch.take(blocks.mean, blocks.count, early)
        channels = self._channels(stretch.mean if stretch.blocks <= JUDGE_AT[-1] else blocks.mean)
        if not channels:
            self._gains = None
            return
        if self._belief is not None and not early:
            self._belief.wander(blocks.ended - blocks.began, DRAG_RATE, DEPARTURE_RATE)
        due = stretch.weighed < 0 or (stretch.blocks in JUDGE_AT and stretch.weighed != stretch.blocks)
        if due or self._gains is None:
            self._weigh(stretch, response, channels)
        else:
            self._follow(stretch, response, channels)
        self._after(t, stretch)

    def _channels(self, mean: Sequence[float | None]) -> tuple[int, ...]:
        response = self._response
        motor = response is not None and response.has_motor
        return tuple(
            i for i, name in enumerate(MEASURED)
            if mean[i] is not None and name in self.zeros and (i != 2 or motor))

    def _looks(self, mean: Sequence[float | None], channels: tuple[int, ...], blocks: float, single: bool) -> Looks:
        """Readings with their noise: of a stretch judged once (``single``), or of one block among many."""
        noise = []
        y = []
        for c in channels:
            value = mean[c]
            assert value is not None
            y.append(value)
            block = max(self.blocks.block_var[c], 0.1 * self.blocks.frame_var[c] / max(self.blocks.count, 1))
            variance = block / max(blocks, 0.3) + (0.0015 * value) ** 2 + (0.3 if c != 2 else 0.01) ** 2
            if c == 2 and not self._volts_known:
                # The mains swing slowly: among many blocks they count as if ten in a row were one.
                variance += (MAINS_SD * value) ** 2 * (1.0 if single else 10.0)
            elif c == 2:
                variance += (0.004 * value) ** 2 * (1.0 if single else 10.0)
            noise.append(variance)
        return Looks(
            np.array(channels, dtype=np.intp), np.array(y), np.array(noise), math.log(self._air.density_ratio),
            self._log_volts)

    def _weigh(self, stretch: Stretch, response: Response, channels: tuple[int, ...]) -> None:
        """Weigh all gate sets by the mean of the stretch, and take that mean into the state as it was before it."""
        looks = self._looks(stretch.mean, channels, max(stretch.blocks, 0.3), single=True)
        parts = len(response.uncertain.names)
        guesses = drag_guesses(
            self._prior, self.clean, self._pending, stretch.stepped, parts, self._shift, self.baseline,
            response.uncertain.names)
        self._know_gates(response)
        normal, departed = set_priors(response.sets, self.habit, stretch, self.design, self._gates)
        verdict = judge(response, looks, guesses, normal, departed, SMALL_SD, LARGE_SD)
        guess = guesses[verdict.guess]
        start = Belief(
            np.array([guess.mean - self._shift, 0.0]),
            np.diag([guess.variance, (LARGE_SD if verdict.departed else SMALL_SD) ** 2]),
            np.vstack([guess.cross, np.zeros(parts)]))
        self._belief = absorb(response, verdict.best, start, looks, self._shift)
        spread = verdict.log_drag - verdict.log_drag[verdict.best]
        self._drag_extra = float(verdict.weight @ spread**2)
        gap = verdict.log_flow - verdict.log_flow[verdict.best]
        self._flow_extra = float(verdict.weight @ gap**2)
        stretch.verdict, stretch.weighed = verdict, stretch.blocks
        if stretch.blocks >= JUDGE_AT[1] and self._pending is not None:
            self.clean.watch()
            self._pending = None
        self._last_mean: list[float | None] = list(stretch.mean)
        self._told_gates(response, verdict)
        self._regain(response, verdict.best, channels)

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

    def _follow(self, stretch: Stretch, response: Response, channels: tuple[int, ...]) -> None:
        """One more block of the same stretch: move the slow state by it."""
        gain, belief, blocks = self._gains, self._belief, self.blocks
        assert gain is not None
        assert belief is not None
        mean = blocks.mean
        moved = False
        for c in channels:
            now, before = mean[c], self._last_mean[c]
            if c != 2 and now is not None and before is not None:
                jump = (now - before) ** 2 / (2.0 * blocks.block_var[c] + (0.002 * now) ** 2)
                moved = moved or jump > 25.0
        self._last_mean = list(mean)
        stretch.since += 1
        same = gain.channels == channels and abs(float(belief.mean[0]) + self._shift - gain.log_drag) < 0.03
        if same and not moved and stretch.since < REFRESH_BLOCKS:
            ds = float(belief.mean[0]) + self._shift - gain.log_drag
            q = float(belief.mean[1])
            d_drag = d_departure = 0.0
            for k, c in enumerate(channels):
                value = mean[c]
                assert value is not None
                r = value - (gain.y[k] + gain.to_drag[k] * ds + gain.along[k] * q)
                d_drag += gain.drag[k] * r
                d_departure += gain.departure[k] * r
            belief.mean[0] += d_drag
            belief.mean[1] += d_departure
            return
        if moved:
            # Something moves faster than the usual wander: let the state follow.
            belief.variance[0, 0] += 0.02**2
            belief.variance[1, 1] += 0.02**2
        looks = self._looks(mean, channels, 1.0 if moved else max(stretch.since, 1), single=False)
        self._belief = absorb(response, gain.row, belief, looks, self._shift)
        self._regain(response, gain.row, channels)
        stretch.since = 0

    def _regain(self, response: Response, row: int, channels: tuple[int, ...]) -> None:
        """Gains for single blocks to come."""
        assert self._belief is not None
        ahead = self._belief.copy()
        ahead.wander(BLOCK_S, DRAG_RATE, DEPARTURE_RATE)
        looks = self._looks(self._last_mean, channels, 1.0, single=False)
        self._gains = gains(response, row, ahead, looks, self._shift)

    # -- what is told -----------------------------------------------------------------------------------------------

    def _forget_frame(self) -> None:
        self._flow_extra = 0.0
        self._flow_base = 0.0
        self._flow_gain: tuple[float, ...] = ()
        self._flow_rel = 0.0
        self._now: tuple[float, ...] = ()
        self._told: Estimate | None = None
        self._gate_words: tuple[tuple[str, ...] | None, float | None, tuple[GateSet, ...]] = (None, None, ())

    def _told_gates(self, response: Response, verdict: Verdict) -> None:
        names = self.design.port_names

        def opened(row: int) -> tuple[str, ...]:
            return tuple(n for n, o in zip(names, response.sets[row], strict=True) if o)

        best = verdict.best
        others = tuple(
            GateSet(opened(row), float(verdict.weight[row])) for row in alternatives(verdict.weight) if row != best)
        self._gate_words = (opened(best), float(verdict.weight[best]), others)

    def _after(self, t: float, stretch: Stretch) -> None:
        """The slow part of the estimate, as of the block just closed."""
        gain, belief, response = self._gains, self._belief, self._response
        assert gain is not None
        assert belief is not None
        assert response is not None
        blocks = self.blocks
        ds = float(belief.mean[0]) + self._shift - gain.log_drag
        q = float(belief.mean[1])
        mean = stretch.mean if stretch.blocks <= 1 else blocks.mean
        ratio = self._air.density_ratio
        expected: dict[str, Expected] = {}
        residual: dict[str, float] = {}
        now, gaps = [], []
        for k, c in enumerate(gain.channels):
            plain = gain.y[k] + gain.to_drag[k] * ds
            now.append(plain + gain.along[k] * q)
            scale = 1.0 if c == 2 else ratio
            expected[MEASURED[c]] = Expected(plain * scale, gain.expected_sd[k] * scale)
            value = mean[c]
            gap = 0.0 if value is None else value - plain
            gaps.append(gap)
            if value is not None:
                residual[MEASURED[c]] = gap * scale
        along = sum(g * r for g, r in zip(gain.along_gain, gaps, strict=True))
        whole = sum(
            a * sum(w * b for w, b in zip(row, gaps, strict=True)) for a, row in zip(gaps, gain.inverse, strict=True))
        off = None
        if len(gaps) > 1:
            off = math.sqrt(max(0.0, whole - (along / gain.along_sd) ** 2) / (len(gaps) - 1))
        self._now = tuple(now)
        self._flow_gain = gain.flow
        self._flow_base = gain.log_flow + gain.flow_to_drag * ds + q
        single = sum((g * g) * self.blocks.frame_var[c] for g, c in zip(gain.flow, gain.channels, strict=True))
        self._flow_rel = math.sqrt(gain.flow_var + self._flow_extra + single)
        drag = float(belief.mean[0])
        drag_sd = math.sqrt(belief.variance[0, 0] + self._drag_extra)
        self.clean.learn(drag, drag_sd, BLOCK_S)
        clean = self.clean.log_drag
        q_now = gain.log_flow + gain.flow_to_drag * ds
        if stretch.weighed == stretch.blocks or stretch.since == 0:
            stretch.clean_log_flow = math.log(response.flow_at(clean + self._shift, gain.row))
        gates, probability, others = self._gate_words
        actual = math.exp(drag) * self._air.viscosity_ratio
        known = drag_sd < 0.3 and 1 in gain.channels
        inlet = mean[0]
        surprises = (0.0 if (v := mean[c]) is None else v - e for c, e in zip(gain.channels, now, strict=True))
        flow = math.exp(self._flow_base + sum(g * r for g, r in zip(gain.flow, surprises, strict=True)))
        notes = self._notes(gain.channels)
        if not known:
            notes += ("filter drag is not known: " + (
                "no filter pressure is measured" if 1 not in gain.channels else "too little was seen yet"),)
        self._told = Estimate(
            t=t,
            filter_drag=actual if known else None,
            filter_drag_sd=actual * drag_sd if known else None,
            drag_ratio=math.exp(drag - clean) if known else None,
            flow_lost=1.0 - math.exp(q_now - stretch.clean_log_flow) if known else None,
            duct_resistance=None if inlet is None else -inlet * ratio / (flow * flow),
            gates=gates,
            gate_probability=probability,
            alternatives=others,
            expected=expected,
            residual=residual,
            along=along,
            along_sd=gain.along_sd,
            off=off,
            air_density_kgm3=self._air.density_kgm3,
            notes=notes,
        )

    def _estimate(self, t: float, y: tuple[float | None, float | None, float | None, float | None]) -> Estimate:
        told, gain = self._told, self._gains
        if told is None:
            notes = ("the first block is not complete", *self._standing)
            return Estimate(t, air_density_kgm3=self._air.density_kgm3, notes=notes)
        if gain is None:
            # The gates are moving: only the bags still tell the flow.
            flow = sd = None
            pressure = y[1]
            if pressure is not None and told.filter_drag is not None and pressure > 0.0:
                flow = pressure * self._air.density_ratio / told.filter_drag
                sd = flow * math.hypot(0.03, (told.filter_drag_sd or 0.0) / told.filter_drag)
            return Estimate(
                t, flow, sd, told.filter_drag, told.filter_drag_sd, told.drag_ratio,
                air_density_kgm3=told.air_density_kgm3, notes=("the gates are being judged anew", *self._standing))
        z = self._flow_base
        for g, c, e in zip(self._flow_gain, gain.channels, self._now):  # noqa: B905 (hot, lengths agree by construction)
            value = y[c]
            if value is not None:
                z += g * (value - e)
        flow = math.exp(z)
        return Estimate(
            t, flow, flow * self._flow_rel, told.filter_drag, told.filter_drag_sd, told.drag_ratio, told.flow_lost,
            told.duct_resistance, told.gates, told.gate_probability, told.alternatives, told.expected, told.residual,
            told.along, told.along_sd, told.off, told.air_density_kgm3, told.notes)

    def _still(self, frame: Frame) -> Estimate:
        """The fan is off, starting or coasting down."""
        state = frame.state
        if self._state is RunState.RUNNING:
            self._begin_stretch(frame.t, False)
            self._stretch = None
            self._gains = None
            self._told = None
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
        if self._belief is not None and self._belief.variance[0, 0] < 0.09 and "filter_pa" in self.zeros:
            log_drag = float(self._belief.mean[0])
            drag = math.exp(log_drag) * self._air.viscosity_ratio
            sd = drag * math.sqrt(self._belief.variance[0, 0])
            ratio = math.exp(log_drag - self.clean.log_drag)
        if state is RunState.OFF:
            return Estimate(t, 0.0, 0.0, drag, sd, ratio, notes=("the fan is off", *self._standing))
        why = {RunState.STARTING: "the fan is starting", RunState.STOPPING: "the fan is coasting down"}
        words = why.get(state, "it is not known whether the fan runs")
        return Estimate(t, None, None, drag, sd, ratio, notes=(words, *self._standing))

    def _notes(self, channels: tuple[int, ...]) -> tuple[str, ...]:
        notes = []
        if self.baseline is None:
            notes.append("no baseline tour yet: expectations are the design's alone, with wide uncertainties")
        missing = [MEASURED[i] for i in range(3) if channels and i not in channels]
        if missing:
            notes.append("missing or not in the design: " + ", ".join(missing) + "; the rest is less certain")
        if self._air.missing:
            notes.append("not measured: " + ", ".join(self._air.missing) + "; density is the design's, within "
                         f"{100.0 * self._air.density_sd:.1f} %")
        if channels and 2 in channels and not self._volts_known:
            notes.append("line voltage is not measured: the current counts for less")
        for name, zero in self.zeros.items():
            if zero.beyond:
                notes.append(f"the zero of {name} is further off than can be believed")
        return tuple(notes)

    # -- restart ----------------------------------------------------------------------------------------------------

    def snapshot(self) -> dict[str, object]:
        """What was learned, as plain JSON values."""
        return {
            "ports": list(self.design.port_names),
            "belief": None if self._belief is None else self._belief.snapshot(),
            "zeros": {name: zero.snapshot() for name, zero in self.zeros.items()},
            "noise": self.blocks.snapshot(),
            "habit": self.habit.snapshot(self.design.port_names),
            "clean": self.clean.snapshot(),
            "pending": None if self._pending is None else self._pending.value,
        }

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a :meth:`snapshot`. What does not fit (another design) is left out, and learned anew."""
        if data.get("ports") != list(self.design.port_names):
            return
        belief = data.get("belief")
        if isinstance(belief, Mapping):
            parts = len(uncertain_parts(
                self.design, self.baseline, zero_inlet_pa=1.0, zero_filter_pa=1.0, density_sd=0.03).names)
            self._belief = Belief.restored(belief, parts)
        zeros = data.get("zeros")
        if isinstance(zeros, Mapping):
            for name, zero in self.zeros.items():
                kept = zeros.get(name)
                if isinstance(kept, Mapping):
                    zero.restore(kept)
        self.blocks.restore(data.get("noise"))
        habit = data.get("habit")
        if isinstance(habit, list):
            self.habit.restore(self.design.port_names, habit)
        clean = data.get("clean")
        if isinstance(clean, Mapping):
            self.clean.restore(clean)
        pending = data.get("pending")
        if pending in (EventKind.CLEANED.value, EventKind.REPLACED.value):
            self._pending = EventKind(pending)


def _coarse(sd: float) -> float:
    """``sd`` rounded to the nearest power of 1.5."""
    return 1.5 ** round(math.log(max(sd, 1e-4)) / math.log(1.5))
