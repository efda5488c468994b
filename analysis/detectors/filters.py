"""The filter: loaded, blinded, cleaned; a bag that is loose or torn. All of it from one course of the drag."""

from __future__ import annotations

import math

from analysis.blocks import Block
from analysis.conditions import Condition
from analysis.detectors.air import AirBook
from analysis.detectors.budget import FALSE_ALARMS, STATISTICAL, certainty, needed
from analysis.detectors.channels import SensorFault
from analysis.detectors.core import KEPT_LOOKS, LEAST_FALL_SD, SHUT_SD, Core, Fall, Memory, mean_by_curve, mean_drag
from analysis.detectors.keeping import Keeping
from analysis.detectors.use import UseBook
from analysis.detectors.watch import Watch
from analysis.duct.filter import FilterStage
from analysis.events import EventKind, ShopEvent
from analysis.findings import UNDECIDED, Evidence, Finding

INTERVAL = 1.645
"""The forecast's interval holds nine out of ten."""
RATE_SD = 0.35
"""Relative standard deviation of a loading rate: boards, machines and weather differ (common practice, no source)."""
RELEASE = 0.02
"""A standing claim is kept until it is this unlikely: the bags stay loaded until somebody cleans them."""
TELL_EVERY_S = 120.0
LOADED_S, SETTLE_S = 900.0, 180.0
"""Running seen before anything is claimed of the load, and after each cleaning: loose dust settles first."""
BELOW_CLEAN = 0.16
"""No cleaning brings bags to a drag lower than that of clean bags by more than this (logarithm), nor by three standard
deviations of what clean is known to."""
TUBE_ODDS, REAL_ODDS = 3.0, 2.0
"""Log-odds by which the fan's pressure must side with a leaking tube, or with the bags themselves."""
EITHER_ACTION = (
    "Less pressure is read over the bags: a bag is loose or torn, or the sensor's tube leaks. Look at the bags, their clamps and"
    " the tube; keep out of the dust.")
LEAST_TEAR = 0.08
"""Fall of the drag (logarithm) while the fan runs that is told: less is weather, or cake that falls off."""
HOLE_LOOKS = 4
TILT_SD = 0.05
"""How far the drawing tilts the apparent drag between small and large flows without any hole, relative, for a unit of the
logarithm of one over the root of the pressure; what the shop shows before the fall narrows it (foreign shops: 2 to 3 %)."""
CLEANINGS = 10.0
"""Chances in 30 days to take a cleaning for a hole: two cleanings, each judged five times (common practice, no source)."""
OVER_LOOKS = 3
"""Looks back at the drag of before that end the question."""
LOOK_S = 300.0


def above(value: float, sd: float, limit: float) -> float:
    """Probability that a quantity known as ``value`` with ``sd`` is above ``limit`` (normal).

    >>> above(1.0, 0.1, 1.0)
    0.5
    """
    return 0.5 * math.erfc((limit - value) / (max(sd, 1e-9) * math.sqrt(2.0)))


class FilterLoading(Watch):
    """Present when one of the owner's criteria is more likely passed than not: the drag over the clean drag, the flow lost at
    the port that suffers most, the pressure over the bags at a reference flow. They mean different things and come at very
    different times: where the fan curve is steep, 1.75 times the clean drag may cost only 2-3 % of the flow. Before that it
    forecasts the running time left, by the shop's usual rate, whatever gate is open.
    """

    condition = Condition.FILTER_LOADING
    KEPT = ("_use", "_since")

    def __init__(self, core: Core, stage: FilterStage, book: AirBook) -> None:
        super().__init__()
        self._core, self._stage, self._book = core, stage, book
        self._use = UseBook()
        self._lost: tuple[str, float] | None = None
        self._lost_t: float | None = None

    def update(self, block: Block) -> None:
        """Take in a block."""
        self._t = block.t
        self._use.update(block)
        self._core.update(block)
        if not block.running:
            return
        self._unable = self._why_not()
        if self._unable:
            return
        ratio, sd = self.ratio()
        if self._lost_t is None or not 0.0 <= block.t - self._lost_t < TELL_EVERY_S:
            self._lost_t = block.t
            drag = math.exp(self._core.track.mean[0])
            self._lost = self._book.lost(drag, drag / ratio)
        likely = self._likely(ratio, sd)
        if self._since is None and likely >= 0.5 and self._core.track.running_s >= SETTLE_S:
            self._set(block.t)
        elif self._since is not None and likely < RELEASE:
            self._set(None)

    def ratio(self) -> tuple[float, float]:
        """Drag over clean drag, with one standard deviation."""
        track, clean = self._core.track, self._core.clean
        assert clean is not None
        ratio = math.exp(track.mean[0] - clean)
        return ratio, ratio * math.hypot(track.sd, self._core.clean_sd)

    def _why_not(self) -> str:
        if not self._core.track.known or self._core.clean is None:
            return "the drag of the bags is not known: it needs the pressure over the bags and a flow"
        if self._core.running_s < LOADED_S and self._since is None:
            return "some more running minutes are needed"
        return ""

    def event(self, event: ShopEvent) -> None:
        """A cleaning or new bags begin a new course of the drag."""
        if event.kind in (EventKind.CLEANED, EventKind.REPLACED):
            self._set(None)
            self._lost = self._lost_t = None
            self._told = None

    def _limits(self, clean: float) -> list[float]:
        """Drags [Pa s/m3] at which the owner's criteria are passed."""
        stage, found = self._stage, []
        if stage.clean_at_drag_ratio is not None:
            found.append(stage.clean_at_drag_ratio * clean)
        if stage.clean_at_flow_lost is not None and (drag := self._book.drag_for(stage.clean_at_flow_lost, clean)) is not None:
            found.append(drag)
        if stage.clean_at_drop_pa is not None and stage.clean_at_drop_flow_m3s is not None:
            found.append(stage.clean_at_drop_pa / stage.clean_at_drop_flow_m3s)
        return found

    def _likely(self, ratio: float, sd: float) -> float:
        stage, likely = self._stage, 0.0
        if stage.clean_at_drag_ratio is not None:
            likely = above(ratio, sd, stage.clean_at_drag_ratio)
        if stage.clean_at_flow_lost is not None and self._lost is not None and ratio > 1.0:
            likely = max(likely, above(self._lost[1], self._lost[1] * sd / (ratio - 1.0), stage.clean_at_flow_lost))
        if stage.clean_at_drop_pa is not None and stage.clean_at_drop_flow_m3s is not None:
            drop = math.exp(self._core.track.mean[0]) * stage.clean_at_drop_flow_m3s
            likely = max(likely, above(drop, drop * sd / ratio, stage.clean_at_drop_pa))
        return likely

    def _forecast(self, ratio: float) -> tuple[float, float, float] | None:
        """Running seconds to the nearest criterion: middle, low, high."""
        track = self._core.track
        drag = math.exp(track.mean[0])
        limits = self._limits(drag / ratio)
        if not limits or not self._core.settled:
            return None
        to_come = max(math.log(min(limits) / drag), 0.0)
        spread = INTERVAL * RATE_SD
        slack = INTERVAL * math.hypot(track.sd, self._core.clean_sd)
        rate = track.rate
        return to_come / rate, max(to_come - slack, 0.0) / rate * math.exp(-spread), (to_come + slack) / rate * math.exp(spread)

    def _tell(self) -> tuple[Finding, ...]:
        if self._unable and self._since is None:
            return (self.unknown(self._unable),)
        ratio, sd = self.ratio()
        likely, forecast = self._likely(ratio, sd), None if self.standing else self._forecast(ratio)
        evidence = {"drag_ratio": Evidence(ratio, "ratio", "drag of the bags over their clean drag")}
        if self._lost is not None:
            evidence["flow_lost"] = Evidence(
                self._lost[1], "fraction", f"air that cleaning would bring back at the {self._lost[0]}, which suffers most")
        evidence["running_since_cleaning"] = Evidence(
            self._core.track.running_s, "time", "running time since the last cleaning")
        use = self._use.per_day()
        if forecast is not None and use is not None:
            for name, seconds, words in zip(
                    ("days_left", "days_left_low", "days_left_high"), forecast,
                    ("time left at the present use", "at the least", "at the most"), strict=True):
                evidence[name] = Evidence(seconds * 86400.0 / use, "time", words)
        return (self._finding(
            likely if self.standing else 1.0 - likely, evidence,
            ("a chip bag so full that chips reach the filter", "a kinked or wet tube at the bags"), forecast=forecast),)


class FilterBlinded(Watch):
    """The drag that stays after each cleaning creeps up: the mean of the last two against the clean drag. The limit is half of
    the room between the clean drag and the drag at which the owner cleans: such bags need cleaning twice as often."""

    condition = Condition.FILTER_BLINDED
    KEPT = ("_first", "_after", "_sum", "_watched_s", "_since")
    SETTLE_S, WATCH_S, ROOM, USUAL_RATIO = 120.0, 600.0, 0.5, 1.75

    def __init__(self, core: Core, stage: FilterStage) -> None:
        super().__init__()
        self._core = core
        self._limit = math.log(1.0 + self.ROOM * ((stage.clean_at_drag_ratio or self.USUAL_RATIO) - 1.0))
        self._first: float | None = None
        self._after: list[list[float]] = []
        self._sum = [0.0, 0.0]
        self._watched_s: float | None = None
        self._unable = "no cleaning was seen yet"

    def update(self, block: Block) -> None:
        """Take in a block."""
        self._t = block.t
        self._core.update(block)
        if self._first is None and self._core.clean is not None and self._core.clean_sd <= 0.05:
            self._first = self._core.clean
        drag = self._core.track.log_drag
        if self._watched_s is None or not block.running or drag is None:
            return
        self._watched_s += block.seconds
        if self._watched_s > self.SETTLE_S:
            self._sum = [self._sum[0] + drag, self._sum[1] + 1.0]
        if self._watched_s < self.WATCH_S:
            return
        self._after = [*self._after[-11:], [block.t, self._sum[0] / self._sum[1]]]
        self._watched_s, self._told = None, None
        if self._first is None:
            self._first = self._after[0][1]
        sd = 0.04
        stays = sum(row[1] for row in self._after[-2:]) / min(len(self._after), 2) - self._first
        likely = above(stays, sd, self._limit)
        if len(self._after) >= 2 and likely >= 0.8:
            self._set(block.t if self._since is None else self._since)
        elif likely < 0.4:
            self._set(None)

    def event(self, event: ShopEvent) -> None:
        """A cleaning is to be judged; new or washed bags begin anew."""
        if event.kind is EventKind.REPLACED:
            self._first, self._after = None, []
            self._set(None)
        if event.kind in (EventKind.CLEANED, EventKind.REPLACED):
            self._watched_s, self._sum = 0.0, [0.0, 0.0]

    def _tell(self) -> tuple[Finding, ...]:
        self._unable = "" if self._after else "no cleaning was seen yet"
        if not self._after or self._first is None:
            return (self.unknown(self._unable),)
        stays = self._after[-1][1] - self._first
        return (self._finding(0.85, {
            "residual_ratio": Evidence(math.exp(stays), "ratio", "drag after the last cleaning over that of clean bags"),
            "limit": Evidence(math.exp(self._limit), "ratio", "from which on cleaning is needed twice as often"),
            "cleanings": Evidence(float(len(self._after)), "count", "cleanings seen"),
        }, ("cleanings that were cut short", "damp or resinous dust")),)


class FilterBreach(Watch):
    """A bag that is loose or torn lets air past: the drag falls without a cleaning.

    While the fan runs, a fall is the bags (or their tube). Across a stop it may be a cleaning that nobody wrote down: then
    the drag says so only where it is now below that of clean bags; else a hole shows by its own law. Through cloth the pressure
    goes with the flow, through a hole with its square, so ``flow / pressure = 1/S + a / sqrt(pressure)``: the slope ``a`` over
    looks at large and small flows is the size of the hole. Until one of these is clear, the owner is asked. A fall that a leaking
    tube at the bags would show as well is told as the two things that it can be, and without a call to stop.
    """

    condition = Condition.FILTER_BREACH
    KEPT = ("_since", "_fall", "_sure", "_asked", "_hole", "_at_stop", "_curve_before", "_either")

    def __init__(self, core: Core, sensors: SensorFault) -> None:
        super().__init__()
        self.core, self._sensors = core, sensors
        self._fall: list[float] = []
        self._curve_before: float | None = None
        self._asked = self._at_stop = self._either = False
        self._sure = 0.0
        self._hole = 0.0
        self._threshold = math.log(CLEANINGS * STATISTICAL / FALSE_ALARMS)

    def update(self, block: Block) -> None:
        """Take in a block."""
        self._t = block.t
        self.core.update(block)
        self._unable = "" if self.core.settled else "the drag's own habits are still being learned"
        if self.core.blind:
            self._unable = "without the motor current a fall of the drag cannot be told from a gate that was shut"
        tearing, since, after = self.core.track.evidence("tearing")
        before = self.core.track.log_drag
        threshold = needed(60.0, 2)
        if tearing > threshold and self.core.settled and before is not None and not self.standing:
            earlier = self.core.looks_before(since, 6)
            level = mean_drag(earlier) if len(earlier) >= 3 else after
            least = max(LEAST_TEAR, LEAST_FALL_SD * self.core.track.habit_sd)
            if level - after > least and self._borne_out(since, level, after, 2):
                self._claim(since, level, after, certainty(tearing, threshold))
        if self.core.look is None or not self._fall or self.standing:
            return
        if self._is_over():
            self.over()
            return
        self._judge()
        if not self.standing:
            self._look_for_hole()

    def judge(self, fall: Fall) -> str:
        """What a fall of the drag was: "breach", "tube", "cleaned", or "" while it is not clear."""
        self._fall, self._at_stop = [fall.since, fall.before, fall.after], fall.at_stop
        self._curve_before = mean_by_curve(self.core.looks_before(fall.since, KEPT_LOOKS)[-12:])
        self._hole = 0.0
        odds = self._tube_odds(fall.since, fall.before, fall.after)
        if odds is not None and odds > TUBE_ODDS:
            self._sensors.leaking_tube(fall.since)
            return "tube"
        self._sure = certainty(fall.evidence, needed(LOOK_S, 3))
        self._judge()
        if self.standing:
            return "breach"
        self._asked, self._told, self.core.pending = True, None, True
        return ""

    def _judge(self) -> None:
        """A fall that no cleaning makes: while the fan ran, or to less than the drag of clean bags; once the fan's own curve has
        seen it too, since gates that were guessed wrong look like a fall."""
        since, before, after = self._fall
        if (not self._at_stop or self._below_clean()) and self._borne_out(since, before, after, 2):
            self._claim(since, before, after, self._sure)

    def _is_over(self) -> bool:
        """Whether the drag is what it was before: a tube or a sensor is well again, or a guess of the gates was wrong."""
        since, before, after = self._fall
        newest = [one for one in self.core.looks_after(since) if one.variance < SHUT_SD**2][-OVER_LOOKS:]
        now = [one.drag if one.by_curve is None else one.by_curve for one in newest]
        return len(now) == OVER_LOOKS and _mean(now) > 0.5 * (before + after)

    def _below_clean(self) -> bool:
        clean, now = self.core.clean, self.core.looks_after(self._fall[0])
        return clean is not None and bool(now) and (
            mean_drag(now) < clean - max(BELOW_CLEAN, 3.0 * math.hypot(self.core.clean_sd, self.core.track.habit_sd)))

    def settled_as_cleaning(self) -> bool:
        """Whether the fall that is being judged bears every mark of a cleaning: seen at several flows, no hole, and the fan's
        pressure moved as well."""
        if not self._fall or self.standing:
            return False
        since, before, after = self._fall
        later = self.core.looks_after(since)
        spread = max((one.filter for one in later), default=0.0) - min((one.filter for one in later), default=0.0)
        clear = len(later) >= 8 and spread > 0.3 and self._hole < -self._threshold and not self._below_clean()
        return clear and self._borne_out(since, before, after, 3)

    def _borne_out(self, since: float, before: float, after: float, looks: int) -> bool:
        """Whether the fan's own curve, which needs no gates, has seen at least half of the fall, and more than the drag usually
        wanders: by the curve before as well as after, where it told the drag then."""
        later = mean_by_curve(self.core.looks_after(since), looks)
        if later is None:
            return False
        fall = before - after
        least = max(0.5 * fall, LEAST_FALL_SD * self.core.track.habit_sd)
        seen = mean_by_curve(self.core.looks_before(since, 12)) if self._curve_before is None else self._curve_before
        return least < (before if seen is None else seen) - later < 1.5 * fall

    def over(self) -> None:
        """The fall was a cleaning."""
        self._fall, self._curve_before, self._asked, self.core.pending = [], None, False, False
        self._told = None

    def event(self, event: ShopEvent) -> None:
        """Somebody was at the bags: what was claimed is seen to."""
        if event.kind in (EventKind.CLEANED, EventKind.REPLACED) and event.by == "owner":
            self.over()
            self._set(None)
        elif event.kind is EventKind.CHANGED:
            self._set(None)

    def _claim(self, since: float, before: float, after: float, sure: float) -> None:
        self._fall, self._sure, self._asked, self.core.pending = [since, before, after], sure, False, False
        odds = self._tube_odds(since, before, after)
        self._either = odds is None or odds > -REAL_ODDS
        self.core.track.moved_to(after, 0.03)
        self._set(since)

    def _tube_odds(self, since: float, before: float, after: float) -> float | None:
        """Log-odds of a leaking tube against the bags: with the tube the fan's pressure seems to lack what the sensor lost."""
        earlier = [one for one in self.core.looks_before(since, 6) if one.pressure is not None]
        later = [one for one in self.core.looks_after(since) if one.pressure is not None]
        if len(earlier) < 3 or len(later) < 2:
            return None
        moved = _mean([one.pressure or 0.0 for one in later]) - _mean([one.pressure or 0.0 for one in earlier])
        look = self.core.look
        if look is None:
            return None
        true, seen = math.exp(look.filter + before - after), math.exp(look.filter)
        lost = math.log((math.exp(look.suction) + seen) / (math.exp(look.suction) + true))
        variance = self.core.isolation.pressure.variance * (1.0 / len(earlier) + 1.0 / len(later))
        return 0.5 * (moved**2 - (moved - lost) ** 2) / variance

    def _look_for_hole(self) -> None:
        """Two hypotheses: clean bags (the apparent drag is the same at every flow), or the bags as before with a hole
        through which the whole fall goes. Whichever look is left out, the evidence must hold: one may rest on a wrong guess of
        the gates."""
        since, before, after = self._fall
        later, earlier = self.core.looks_after(since), self.core.looks_before(since, 12)
        if len(later) < HOLE_LOOKS or not self.core.toured:
            return  # by the drawing alone the tilt between flows is not known well enough
        usual = _hole(earlier)
        odds = [self._hole_odds(later[:i] + later[i + 1:], usual, before) for i in range(len(later))]
        self._hole = max(min(odds), 0.0) + min(max(odds), 0.0)
        if self._hole > self._threshold and self._borne_out(since, before, after, 2):
            self._claim(since, before, after, certainty(self._hole, self._threshold))

    @staticmethod
    def _hole_odds(later: list[Memory], usual: tuple[float, float, float, float] | None, before: float) -> float:
        """Log-odds of a hole against clean bags; ``usual`` is the slope that the shop showed before."""
        now = _hole(later)
        if now is None:
            return 0.0
        slope, variance, root, flow = now
        tilt = (TILT_SD * flow / root) ** 2
        base, base_var = 0.0, tilt
        if usual is not None:
            base_var = 1.0 / (1.0 / tilt + 1.0 / usual[1])
            base = usual[0] * base_var / usual[1]
        whole = (flow - math.exp(-before)) / root
        return 0.5 * ((slope - base) ** 2 - (slope - base - whole) ** 2) / (variance + base_var)

    def _tell(self) -> tuple[Finding, ...]:
        if self._asked and not self.standing:
            share = 100.0 * -math.expm1(self._fall[2] - self._fall[1])
            return (self.unknown(
                f"the drag of the bags fell by {share:.0f} % while the fan was off. If you cleaned them, tap \"I cleaned it\"; if"
                " not, look at the bags and their clamps"),)
        evidence = {}
        if self.standing and self._fall:
            evidence = {
                "drag_fall": Evidence(-math.expm1(self._fall[2] - self._fall[1]), "fraction", "of the drag is gone"),
                "drag_after": Evidence(math.exp(self._fall[2]), "drag", "drag of the bags since"),
            }
        either = self.standing and self._either
        return (self._finding(UNDECIDED if either else self._sure if self.standing else 0.9, evidence, (
            "a cleaning that nobody wrote down", "a tube that came off or leaks at the bags", "a sensor whose scale changed"),
            action=EITHER_ACTION if either else ""),)


class Cleaning(Keeping):
    """Recognises a cleaning that nobody wrote down, once every channel bears it out; and sends a fall that was none to
    :class:`FilterBreach`."""

    KEPT = ("_pending",)

    def __init__(self, breach: FilterBreach) -> None:
        self._core, self._breach = breach.core, breach
        self._pending: list[float] = []

    def update(self, block: Block) -> tuple[ShopEvent, ...]:
        """Take in one block; the cleaning, once it is certain."""
        self._core.update(block)
        fall = self._core.fall
        if fall is not None and self._breach.judge(fall) == "":
            self._pending = [fall.since, fall.before, fall.after]
        if not self._pending or self._core.look is None:
            return ()
        if self._breach.standing:
            self._pending = []
            return ()
        if not self._breach.settled_as_cleaning():
            return ()
        since, before, after = self._pending
        self._pending = []
        self._breach.over()
        return (ShopEvent(
            since, EventKind.CLEANED, by="ductwarden",
            text=f"The drag of the filter bags fell by {100.0 * -math.expm1(after - before):.0f} % while the fan was off,"
                 " at large and small flows alike: a cleaning."),)

    def event(self, event: ShopEvent) -> None:
        """The owner wrote it down: nothing is left to recognise."""
        if event.kind in (EventKind.CLEANED, EventKind.REPLACED):
            self._pending = []


def _mean(values: list[float]) -> float:
    return sum(values) / len(values)


def _hole(looks: list[Memory]) -> tuple[float, float, float, float] | None:
    """Slope of flow over pressure against one over the root of the pressure, its variance, and the means of both."""
    if len(looks) < 3:
        return None
    rows = [(math.exp(-0.5 * one.filter), math.exp(-one.drag), math.exp(-2.0 * one.drag) * one.variance) for one in looks]
    total = sum(1.0 / v for _, _, v in rows)
    x, y = (sum(row[i] / row[2] for row in rows) / total for i in (0, 1))
    spread = sum((a - x) ** 2 / v for a, _, v in rows)
    if spread * (0.1 * x) ** 2 < 1e-9 * total * x * x:
        return None
    return sum((a - x) * (b - y) / v for a, b, v in rows) / spread, 1.0 / spread, x, y
