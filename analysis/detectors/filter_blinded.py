"""Cleaning no longer brings the filter back: the drag that stays after each cleaning creeps up."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from analysis.baseline.model import Baseline
from analysis.blocks import Block
from analysis.conditions import Condition
from analysis.detectors.numbers import number
from analysis.detectors.telling import Telling
from analysis.detectors.words import not_yet_known, probability_above
from analysis.duct.filter import FilterStage
from analysis.events import EventKind, ShopEvent
from analysis.findings import Claim, Evidence, Finding

SETTLE_S, WATCH_S = 120.0, 480.0
"""Running after a cleaning before its drag counts, and over which it is then averaged."""
SAME_CLEANING_S = 1200.0
"""A second word of a cleaning within this much running is about the same one."""
MOST = 12
"""Cleanings remembered."""
ROOM = 0.5
"""Share of the room between clean and "clean the filter" that may be lost for good."""
USUAL_RATIO = 1.75
"""That room where the owner has no criterion of drag."""
LEAST_SD = 0.04
"""What one residual drag is known to, relative: cleanings differ, and gates are guessed (ours)."""
LIKELY, RELEASE = 0.8, 0.4


@dataclass(frozen=True, slots=True)
class Residual:
    """Drag [Pa s/m3] that stayed after a cleaning at ``t``, with one relative standard deviation."""

    t: float
    drag: float
    sd: float


class FilterBlinded(Telling):
    """Averages the drag over some minutes after each cleaning, told or recognised, and compares the last two with the
    clean drag: that of the baseline tour with clean bags, else that of the first cleaning seen. New or washed bags
    begin anew.

    The limit is half of the room between the clean drag and the drag at which the owner cleans: bags that keep more than
    that need cleaning twice as often.
    """

    condition = Condition.FILTER_BLINDED

    def __init__(self, stage: FilterStage, baseline: Baseline | None = None) -> None:
        super().__init__()
        ratio = stage.clean_at_drag_ratio or USUAL_RATIO
        self._limit = 1.0 + ROOM * (ratio - 1.0)
        self._first: Residual | None = None
        if baseline is not None and baseline.clean and baseline.drag_pasm3 is not None:
            sd = LEAST_SD if baseline.drag_sd is None else baseline.drag_sd / baseline.drag_pasm3
            self._first = Residual(baseline.t, baseline.drag_pasm3, max(sd, LEAST_SD))
        self._residuals: list[Residual] = []
        self._watched_s: float | None = None
        self._sum = self._weight = 0.0
        self._running_s = SAME_CLEANING_S
        self._cleaned_t = 0.0
        self._new = False
        self._since: float | None = None

    def update(self, block: Block) -> None:
        """Take in a block."""
        self._t = block.t
        if not block.running:
            return
        self._running_s += block.seconds
        if self._watched_s is None or block.drag is None or block.gates_moved or not block.drag.mean > 0.0:
            return
        self._watched_s += block.seconds
        if self._watched_s <= SETTLE_S:
            return
        self._sum += math.log(block.drag.mean) * block.seconds
        self._weight += block.seconds
        if self._weight >= WATCH_S:
            told = block.estimate
            relative = (told.filter_drag_sd or 0.0) / told.filter_drag if told.filter_drag else 0.0
            self._take(Residual(self._cleaned_t, math.exp(self._sum / self._weight), math.hypot(relative, LEAST_SD)))

    def _take(self, residual: Residual) -> None:
        """A cleaning has shown what stays."""
        self._watched_s, self._sum, self._weight = None, 0.0, 0.0
        if self._new or self._first is None:
            self._first, self._residuals, self._new = residual, [], False
        else:
            self._residuals = [*self._residuals[-(MOST - 1):], residual]
        likely = self._likely()
        if self._since is None and likely >= LIKELY and len(self._residuals) >= 1:
            self._since = self._t
        elif self._since is not None and likely < RELEASE:
            self._since = None
        self._changed()

    def _ratio(self) -> tuple[float, float] | None:
        """Mean of the last two residuals over the clean drag, with its standard deviation."""
        if self._first is None or not self._residuals:
            return None
        last = self._residuals[-2:]
        mean = sum(r.drag for r in last) / len(last)
        # What the shop is not known by is the same in all of them; what cleanings differ by is not.
        sd = math.hypot(LEAST_SD / math.sqrt(len(last)), LEAST_SD)
        return mean / self._first.drag, sd * mean / self._first.drag

    def clean_drag(self) -> float | None:
        """The least drag [Pa s/m3] that cleanings of these bags have left, None where none is known. Of three and more the
        least but one: one cleaning may have been followed by something else."""
        known = sorted(r.drag for r in (self._first, *self._residuals) if r is not None)
        return known[1] if len(known) >= 3 else known[0] if known else None

    def _likely(self) -> float:
        ratio = self._ratio()
        return 0.0 if ratio is None else probability_above(ratio[0], ratio[1], self._limit)

    def event(self, event: ShopEvent) -> None:
        """A cleaning is watched; new or washed bags begin anew."""
        if event.kind is EventKind.REPLACED:
            self._first, self._residuals, self._new, self._since = None, [], True, None
        elif event.kind is not EventKind.CLEANED or self._running_s < SAME_CLEANING_S:
            return
        self._running_s = 0.0
        self._cleaned_t = event.t
        self._watched_s, self._sum, self._weight = 0.0, 0.0, 0.0
        self._changed()

    def _tell(self) -> tuple[Finding, ...]:
        ratio = self._ratio()
        if ratio is None:
            need = "one cleaning" if self._first is not None else "two cleanings"
            return (not_yet_known(self._t, self.condition, f"{need} must be seen, told or recognised"),)
        likely = self._likely()
        evidence = {
            "residual_ratio": Evidence(ratio[0], "ratio", "drag that stays after cleaning, over the drag of clean bags"),
            "limit": Evidence(self._limit, "ratio", "allowed to stay"),
            "cleanings": Evidence(float(len(self._residuals)), "count", "cleanings that it rests on"),
        }
        present = self._since is not None
        return (
            Finding(
                t=self._t,
                condition=self.condition,
                claim=Claim.PRESENT if present else Claim.ABSENT,
                confidence=likely if present else 1.0 - likely,
                since=self._since,
                evidence=evidence,
                could_be=("a cleaning that was not thorough", "damp dust", "a chip bag that was overfull"),
            ),
        )

    def snapshot(self) -> dict[str, object]:
        """The cleanings."""
        return {
            "first": None if self._first is None else [self._first.t, self._first.drag, self._first.sd],
            "residuals": [[r.t, r.drag, r.sd] for r in self._residuals], "watched_s": self._watched_s,
            "sum": self._sum, "weight": self._weight, "running_s": self._running_s, "cleaned_t": self._cleaned_t,
            "new": self._new, "since": self._since,
        }

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a snapshot."""
        self._first = _residual(data.get("first")) or self._first
        rows = data.get("residuals")
        found = [_residual(row) for row in rows] if isinstance(rows, list) else []
        self._residuals = [r for r in found if r is not None][-MOST:]
        self._watched_s = number(data.get("watched_s"))
        self._sum, self._weight, self._cleaned_t = (number(data.get(k)) or 0.0 for k in ("sum", "weight", "cleaned_t"))
        running = number(data.get("running_s"))
        self._running_s = SAME_CLEANING_S if running is None else running
        self._new = data.get("new") is True
        self._since = number(data.get("since"))
        self._changed()


def _residual(row: object) -> Residual | None:
    values = [number(item) for item in row] if isinstance(row, list) else []
    if len(values) != 3 or any(value is None for value in values):
        return None
    t, drag, sd = (value for value in values if value is not None)
    return Residual(t, drag, sd)
