"""A filter bag is loose or torn: its drag fell while the fan ran, when nobody can have cleaned it, or below that of clean
bags."""

from __future__ import annotations

import math
from collections.abc import Mapping

from analysis.blocks import Block
from analysis.conditions import Condition
from analysis.detectors.fan_line import FanWatch
from analysis.detectors.flow_meter import Change, FlowMeter
from analysis.detectors.levels import Level, Levels, compare
from analysis.detectors.numbers import number, number_list
from analysis.detectors.telling import Telling
from analysis.detectors.words import not_yet_known, probability_above
from analysis.events import EventKind, ShopEvent
from analysis.findings import Claim, Evidence, Finding

NEWEST = 2
LOOK_BACK = ((4, 4), (9, 4))
"""Age and number of the levels that the newest two are compared with: a tear of up to a minute is seen."""
WORTH_A_LOOK = 0.07
"""Fall of the logarithm of the filter pressure that is looked into."""
LEAST_FALL = 0.12
"""Fall of the logarithm of the drag that is a tear: inflated bags shed less than that by themselves (ours)."""
SURE, VERY_SURE = 4.0, 7.0
"""Standard deviations that the fall must have in two looks in a row, or in one."""
MISFIT = 12.0
"""Above this sum of squares pressure and current do not lie on one fan curve: a sensor or the fan, no bag."""
LEAST_FLOW, MOST_FLOW = -0.04, 0.25
"""Less drag never brings less air: a flow that fell is gates or a plug. One that rose by more is gates as well."""
OFF_LINE = 0.08
"""With the fan this far off its own line its curve says nothing of the flow."""
HEALED, HEALED_BLOCKS = 0.5, 12
"""Share of the fall that must have come back for the claim to be taken back, and for how many blocks in a row."""


class FilterBreach(Telling):
    """Compares the last twenty seconds with the minute before, by the fan's own curve (:mod:`.flow_meter`): what the
    pressure over the bags fell by beyond what the flow did is a fall of the drag. A gate, a plug, a slow fan leave the
    drag as it is. A cleaning happens with the fan off, so across a stop only a fall below the drag of clean bags counts: the
    recogniser of cleanings tells of it (:meth:`found_after_rest`).

    The claim stays until the bags are cleaned, replaced or changed by somebody's word, or their drag has come back.
    """

    condition = Condition.FILTER_BREACH

    def __init__(self, meter: FlowMeter, watch: FanWatch) -> None:
        super().__init__()
        self._meter = meter
        self._watch = watch
        self._levels = Levels(16)
        self._seen = False
        self._looks = 0
        self._since: float | None = None
        self._intact: Level | None = None
        self._change: Change | None = None
        self._healed = 0
        self._after_rest = False

    def update(self, block: Block) -> None:
        """Take in a block."""
        self._t = block.t
        self._watch.update(block)
        level = self._levels.update(block)
        if level is None:
            self._looks = 0
            return
        self._seen = self._seen or len(self._levels) >= NEWEST + LOOK_BACK[0][0]
        if self._since is not None:
            self._watch_tear(level)
            return
        found = None if self._watch.off_line(OFF_LINE) else self._fallen()
        if found is None:
            self._looks = 0
            return
        before, change = found
        self._looks += 1
        if self._looks >= 2 or -change.drag >= VERY_SURE * change.drag_sd:
            self._since, self._intact, self._change = block.t, before, change
            self._changed()

    def found_after_rest(self, t: float, before: Level, change: Change) -> None:
        """Since a stop the drag is lower than that of clean bags; ``before`` is the level before the stop."""
        if self._since is None:
            self._since, self._intact, self._change, self._after_rest = t, before, change, True
            self._changed()

    def _fallen(self) -> tuple[Level, Change] | None:
        """What the levels were before a fall of the drag that is beyond doubt, and the change; None without one."""
        levels = self._levels
        now = levels.filter_log(0)
        for age, count in LOOK_BACK:
            if len(levels) < age + NEWEST or now - levels.filter_log(age) > -WORTH_A_LOOK:
                continue
            before = levels.span(age, count)
            change = compare(self._meter, before, levels.newest(NEWEST))
            fallen = change.drag < -max(LEAST_FALL, SURE * change.drag_sd)
            if fallen and change.misfit < MISFIT and LEAST_FLOW < change.flow < MOST_FLOW:
                return before, change
        return None

    def _watch_tear(self, level: Level) -> None:
        """Has the drag come back (a strap put on again, or it was something else)?"""
        if self._intact is None or self._change is None:
            return
        change = compare(self._meter, self._intact, level)
        if change.drag < self._change.drag - self._change.drag_sd and LEAST_FLOW < change.flow < MOST_FLOW:
            self._change = change  # it has torn further, or the first look fell into the tear
            self._changed()
        healed = change.drag > HEALED * self._change.drag and change.drag_sd < 0.3
        self._healed = self._healed + 1 if healed else 0
        if self._healed >= HEALED_BLOCKS:
            self._forget()

    def _forget(self) -> None:
        self._since = self._intact = self._change = None
        self._healed = self._looks = 0
        self._after_rest = False
        self._levels.clear()
        self._changed()

    def event(self, event: ShopEvent) -> None:
        """Whoever cleaned, replaced or changed something has looked at the bags."""
        if event.kind in (EventKind.CLEANED, EventKind.REPLACED, EventKind.CHANGED):
            self._forget()

    def _tell(self) -> tuple[Finding, ...]:
        if not self._seen and self._since is None:
            reason = "a minute of running with both pressures is needed"
            return (not_yet_known(self._t, self.condition, reason),)
        evidence = {}
        confidence = 0.95
        if self._change is not None:
            words = "while running" if not self._after_rest else "since a stop, to below that of clean bags"
            evidence["drag_fell"] = Evidence(
                1.0 - math.exp(self._change.drag), "fraction", f"share of the filter drag that was lost {words}")
            evidence["flow_changed"] = Evidence(
                math.expm1(self._change.flow), "fraction", "change of the flow with it")
            confidence = min(0.98, probability_above(-self._change.drag, self._change.drag_sd, 0.5 * LEAST_FALL))
        return (
            Finding(
                t=self._t,
                condition=self.condition,
                claim=Claim.ABSENT if self._since is None else Claim.PRESENT,
                confidence=confidence,
                since=self._since,
                evidence=evidence,
                could_be=(
                    "the tube at the filter bags came off or leaks", "a cake of dust that fell off by itself",
                    "the chip bag came loose from its collar",
                    *(("new or washed bags that the journal does not know of",) if self._after_rest else ()),
                ),
            ),
        )

    def snapshot(self) -> dict[str, object]:
        """The claim with what it rests on."""
        change = self._change
        return {
            "watch": self._watch.snapshot(), "seen": self._seen, "since": self._since, "looks": self._looks,
            "healed": self._healed, "after_rest": self._after_rest,
            "levels": self._levels.snapshot(),
            "intact": None if self._intact is None else self._intact.plain(),
            "change": None if change is None else [
                change.flow, change.flow_sd, change.drag, change.drag_sd, change.misfit],
        }

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a snapshot."""
        self._watch.restore(data.get("watch"))
        self._seen = data.get("seen") is True
        self._since = number(data.get("since"))
        self._looks = int(number(data.get("looks")) or 0)
        self._healed = int(number(data.get("healed")) or 0)
        self._after_rest = data.get("after_rest") is True
        self._levels.restore(data.get("levels"))
        self._intact = Level.of(data.get("intact"))
        row = number_list(data.get("change"))
        self._change = Change(*row) if row is not None and len(row) == 5 else None
        self._changed()
