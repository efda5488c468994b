"""The filter needs cleaning: its dust costs the agreed share of flow, or its drag has reached the agreed ratio."""

from __future__ import annotations

import math
from collections.abc import Mapping

from analysis.blocks import Block
from analysis.conditions import Condition
from analysis.detectors.drag_trace import DragTrace
from analysis.detectors.numbers import number
from analysis.detectors.words import not_yet_known, probability_above
from analysis.duct.filter import FilterStage
from analysis.events import EventKind, ShopEvent
from analysis.findings import Claim, Evidence, Finding

GRACE_S = 180.0
"""Running time after a start or a cleaning until drag is believed to have settled."""
SMOOTH_S = 180.0
FORECAST_EVERY = 5
"""Running minutes between two looks ahead."""
RELEASE = 0.35
"""A standing claim is kept until its probability falls below this (deadband)."""


class FilterLoading:
    """Says ``present`` when either criterion of the owner is more likely passed than not.

    The two criteria mean different things and come at very different times: where the fan curve is steep, a drag of
    1.75 times clean may cost only 2-3 % of flow. Both stand in the evidence, with what cleaning would bring back.
    Before that it forecasts the running time left from the robust growth of drag since the last cleaning. It does not
    tell a loaded filter from an overfull chip bag: that is ``bag_full``'s part.
    """

    condition = Condition.FILTER_LOADING

    def __init__(self, stage: FilterStage) -> None:
        self._ratio_limit = stage.clean_at_drag_ratio
        self._lost_limit = stage.clean_at_flow_lost
        self._trace = DragTrace()
        self._ratio: float | None = None
        self._ratio_sd = 0.0
        self._lost: float | None = None
        self._settled_s = 0.0
        self._since: float | None = None
        self._forecast: tuple[float, float | None, float | None] | None = None
        self._t = 0.0
        self._reason = "no running time seen yet"

    def update(self, block: Block) -> None:
        """Take in a block."""
        self._t = block.t
        if self._trace.update(block) and len(self._trace.times) % FORECAST_EVERY == 0:
            self._forecast = self._look_ahead()
        if not block.running:
            return
        estimate = block.estimate
        if estimate.drag_ratio is None or estimate.filter_drag is None:
            self._reason = "filter drag is not known: it needs the filter pressure and a flow"
            return
        self._settled_s += block.seconds
        weight = 1.0 if self._ratio is None else 1.0 - math.exp(-block.seconds / SMOOTH_S)
        before = estimate.drag_ratio if self._ratio is None else self._ratio
        self._ratio = before + weight * (estimate.drag_ratio - before)
        relative = (estimate.filter_drag_sd or 0.0) / estimate.filter_drag if estimate.filter_drag > 0.0 else 0.0
        self._ratio_sd = self._ratio * relative
        if estimate.flow_lost is not None:
            lost = estimate.flow_lost if self._lost is None else self._lost
            self._lost = lost + weight * (estimate.flow_lost - lost)
        likely = self._probability()
        if self._since is None and self._settled_s >= GRACE_S and likely >= 0.5:
            self._since = block.t
        elif self._since is not None and likely < RELEASE:
            self._since = None

    def event(self, event: ShopEvent) -> None:
        """A cleaning or new bags begin a new course of drag."""
        if event.kind in (EventKind.CLEANED, EventKind.REPLACED):
            self._trace.clear()
            self._ratio = self._lost = self._since = self._forecast = None
            self._settled_s = 0.0
            self._reason = "the filter was just cleaned"

    def findings(self) -> tuple[Finding, ...]:
        """One claim for the whole unit."""
        if self._ratio is None:
            return (not_yet_known(self._t, self.condition, self._reason),)
        if self._settled_s < GRACE_S and self._since is None:
            left = round((GRACE_S - self._settled_s) / 60.0, 1)
            return (not_yet_known(self._t, self.condition, f"{left:g} more running minutes are needed"),)
        evidence = {"drag_ratio": Evidence(self._ratio, "ratio", "drag of the bags over their clean drag")}
        if self._lost is not None:
            evidence["flow_lost"] = Evidence(self._lost, "fraction", "air that cleaning the filter would bring back")
        evidence["running_since_cleaning"] = Evidence(
            self._trace.running_s, "time", "running time since the last cleaning"
        )
        forecast = self._forecast if self._since is None else None
        likely = self._probability()
        return (
            Finding(
                t=self._t,
                condition=self.condition,
                claim=Claim.ABSENT if self._since is None else Claim.PRESENT,
                confidence=likely if self._since is not None else 1.0 - likely,
                since=self._since,
                evidence=evidence,
                could_be=("a chip bag so full that chips reach the filter", "a kinked or wet tube at the bags"),
                forecast_s=None if forecast is None else forecast[0],
                forecast_low_s=None if forecast is None else forecast[1],
                forecast_high_s=None if forecast is None else forecast[2],
            ),
        )

    def _probability(self) -> float:
        likely = 0.0
        if self._ratio is not None and self._ratio_limit is not None:
            likely = probability_above(self._ratio, self._ratio_sd, self._ratio_limit)
        if self._lost is not None and self._lost_limit is not None and self._ratio is not None and self._ratio > 1.0:
            sd = self._lost * self._ratio_sd / (self._ratio - 1.0)
            likely = max(likely, probability_above(self._lost, sd, self._lost_limit))
        return likely

    def _look_ahead(self) -> tuple[float, float | None, float | None] | None:
        """Running seconds until the nearer criterion: middle, low, high; None while drag does not clearly grow."""
        line = self._trace.line()
        if line is None or self._ratio is None or line.slope_low <= 0.0:
            return None
        logs = []
        if self._ratio_limit is not None:
            logs.append(math.log(self._ratio_limit / self._ratio))
        if self._lost_limit is not None and self._lost is not None and self._lost > 0.0 and self._ratio > 1.0:
            # Flow lost grows nearly in proportion to the drag added.
            at_limit = 1.0 + (self._ratio - 1.0) * self._lost_limit / self._lost
            logs.append(math.log(at_limit / self._ratio))
        if not logs:
            return None
        to_go = max(0.0, min(logs))
        return to_go / line.slope, to_go / line.slope_high, to_go / line.slope_low

    def snapshot(self) -> dict[str, object]:
        """What was learned."""
        return {
            "trace": self._trace.snapshot(), "ratio": self._ratio, "ratio_sd": self._ratio_sd, "lost": self._lost,
            "settled_s": self._settled_s, "since": self._since,
        }

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a snapshot."""
        trace = data.get("trace")
        if isinstance(trace, Mapping):
            self._trace.restore(trace)
        self._ratio = number(data.get("ratio"))
        self._ratio_sd = number(data.get("ratio_sd")) or 0.0
        self._lost = number(data.get("lost"))
        self._settled_s = number(data.get("settled_s")) or 0.0
        self._since = number(data.get("since"))

