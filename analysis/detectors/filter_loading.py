"""The filter needs cleaning: by one of the owner's criteria its dust now costs too much."""

from __future__ import annotations

import math
from collections.abc import Mapping

from analysis.blocks import Block
from analysis.conditions import Condition
from analysis.detectors.growth import UNSURE, Growth
from analysis.detectors.loading_rate import LoadingRate
from analysis.detectors.numbers import number
from analysis.detectors.telling import Telling
from analysis.detectors.use_book import UseBook
from analysis.detectors.words import not_yet_known, probability_above
from analysis.detectors.worst_port import WorstPort
from analysis.duct.filter import FilterStage
from analysis.events import EventKind, ShopEvent
from analysis.findings import Claim, Evidence, Finding

GRACE_S = 180.0
"""Running time after a start or a cleaning until drag is believed to have settled."""
SMOOTH_S = 180.0
RELEASE = 0.35
"""A standing claim is kept until its probability falls below this (deadband)."""
INTERVAL = 1.645
"""The forecast's interval holds nine out of ten."""
KIND_S = 1800.0
"""Running at one kind of work until its own rate is told."""
MOST_KINDS = 3
WORST_EVERY_S = 120.0


class FilterLoading(Telling):
    """Says ``present`` when one of the owner's criteria is more likely passed than not: the drag over the clean drag, the
    flow lost at the port that suffers most, the pressure over the bags at a reference flow.

    They mean different things and come at very different times: where the fan curve is steep, a drag of 1.75 times clean
    may cost only 2-3 % of the flow. All stand in the evidence, with what cleaning would bring back. Before that it
    forecasts the running time left, and the days at the present use. It does not tell a loaded filter from an overfull
    chip bag: that is ``bag_full``'s part.
    """

    condition = Condition.FILTER_LOADING

    def __init__(self, stage: FilterStage, worst: WorstPort, growth: Growth) -> None:
        super().__init__()
        self._stage = stage
        self._worst_port = worst
        self._growth = growth
        self._rate = LoadingRate()
        self._use = UseBook()
        self._drag: float | None = None
        self._ratio: float | None = None
        self._ratio_sd = 0.0
        self._lost: tuple[str, float] | None = None
        self._lost_s = WORST_EVERY_S
        self._settled_s = 0.0
        self._since: float | None = None
        self._reason = "no running time seen yet"

    def update(self, block: Block) -> None:
        """Take in a block."""
        self._t = block.t
        self._use.update(block)
        self._rate.update(block)
        self._growth.update(block)
        if not block.running:
            return
        estimate = block.estimate
        if not estimate.drag_ratio or not estimate.filter_drag or min(estimate.drag_ratio, estimate.filter_drag) <= 0.0:
            self._reason = "filter drag is not known: it needs the filter pressure and a flow"
            return
        self._settled_s += block.seconds
        weight = 1.0 if self._ratio is None else 1.0 - math.exp(-block.seconds / SMOOTH_S)
        before = estimate.drag_ratio if self._ratio is None else self._ratio
        self._ratio = before + weight * (estimate.drag_ratio - before)
        drag = estimate.filter_drag if self._drag is None else self._drag
        self._drag = drag + weight * (estimate.filter_drag - drag)
        self._ratio_sd = self._ratio * (estimate.filter_drag_sd or 0.0) / estimate.filter_drag
        self._lost_s += block.seconds
        if self._lost_s >= WORST_EVERY_S and self._settled_s >= GRACE_S:
            self._lost, self._lost_s = self._worst_port.lost(self._drag, self._drag / self._ratio), 0.0
        likely = self._probability()
        if self._since is None and self._settled_s >= GRACE_S and likely >= 0.5:
            self._since = block.t
            self._changed()
        elif self._since is not None and likely < RELEASE:
            self._since = None
            self._changed()

    def event(self, event: ShopEvent) -> None:
        """A cleaning or new bags begin a new course of drag."""
        if event.kind in (EventKind.CLEANED, EventKind.REPLACED):
            self._rate.cleaned()
            self._ratio = self._drag = self._lost = self._since = None
            self._settled_s, self._lost_s = 0.0, WORST_EVERY_S
            self._reason = "the filter was just cleaned"
            self._changed()

    def _probability(self) -> float:
        """Probability that one of the criteria is passed."""
        if self._ratio is None or self._drag is None:
            return 0.0
        stage, likely = self._stage, 0.0
        if stage.clean_at_drag_ratio is not None:
            likely = probability_above(self._ratio, self._ratio_sd, stage.clean_at_drag_ratio)
        limit = self._drag_limit()
        if limit is not None:
            likely = max(likely, probability_above(self._drag, self._drag * self._ratio_sd / self._ratio, limit))
        if stage.clean_at_flow_lost is not None and self._lost is not None and self._ratio > 1.0:
            lost = self._lost[1]
            sd = lost * self._ratio_sd / (self._ratio - 1.0)
            likely = max(likely, probability_above(lost, sd, stage.clean_at_flow_lost))
        return likely

    def _drag_limit(self) -> float | None:
        """The drag at which the pressure at the reference flow is reached."""
        pressure, flow = self._stage.clean_at_drop_pa, self._stage.clean_at_drop_flow_m3s
        return None if pressure is None or flow is None else pressure / flow

    def _drag_to_come(self) -> float | None:
        """Drag [Pa s/m3] that is still missing to the nearest criterion."""
        assert self._ratio is not None
        assert self._drag is not None
        clean = self._drag / self._ratio
        limits = [self._drag_limit()]
        if self._stage.clean_at_drag_ratio is not None:
            limits.append(self._stage.clean_at_drag_ratio * clean)
        if self._stage.clean_at_flow_lost is not None:
            limits.append(self._worst_port.drag_for(self._stage.clean_at_flow_lost, clean))
        known = [limit for limit in limits if limit is not None]
        return max(0.0, min(known) - self._drag) if known else None

    def _forecast(self) -> tuple[float, float, float] | None:
        """Running seconds until the nearest criterion: middle, low, high; None while the rate is not known."""
        rate, to_come = self._rate.rate(), self._drag_to_come()
        if rate is None or to_come is None:
            return None
        middle = to_come / rate.value
        reach = math.exp(INTERVAL * min(rate.sd, 1.0))
        # What the drag itself is uncertain by counts as running time as well.
        assert self._drag is not None
        assert self._ratio is not None
        slack = INTERVAL * 0.5 * self._drag * self._ratio_sd / self._ratio / rate.value
        return middle, max(0.0, middle / reach - slack), middle * reach + slack

    def _tell(self) -> tuple[Finding, ...]:
        if self._ratio is None:
            return (not_yet_known(self._t, self.condition, self._reason),)
        if self._settled_s < GRACE_S and self._since is None:
            left = round((GRACE_S - self._settled_s) / 60.0, 1)
            return (not_yet_known(self._t, self.condition, f"{left:g} more running minutes are needed"),)
        forecast = self._forecast() if self._since is None else None
        likely = self._probability()
        return (
            Finding(
                t=self._t,
                condition=self.condition,
                claim=Claim.ABSENT if self._since is None else Claim.PRESENT,
                confidence=likely if self._since is not None else 1.0 - likely,
                since=self._since,
                evidence={**self._numbers(), **self._days(forecast), **self._kinds()},
                could_be=("a chip bag so full that chips reach the filter", "a kinked or wet tube at the bags"),
                forecast_s=None if forecast is None else forecast[0],
                forecast_low_s=None if forecast is None else forecast[1],
                forecast_high_s=None if forecast is None else forecast[2],
            ),
        )

    def _numbers(self) -> dict[str, Evidence]:
        assert self._ratio is not None
        assert self._drag is not None
        found = {"drag_ratio": Evidence(self._ratio, "ratio", "drag of the bags over their clean drag")}
        if self._lost is not None:
            found["flow_lost"] = Evidence(
                self._lost[1], "fraction", f"air that cleaning would bring back at the {self._lost[0]}, which suffers most")
        flow = self._stage.clean_at_drop_flow_m3s
        if flow is not None:
            found["reference_drop"] = Evidence(self._drag * flow, "pressure", "pressure over the bags at the reference flow")
        found["running_since_cleaning"] = Evidence(
            self._rate.trace.running_s, "time", "running time since the last cleaning")
        return found

    def _days(self, forecast: tuple[float, float, float] | None) -> dict[str, Evidence]:
        use = self._use.per_day()
        if forecast is None or use is None:
            return {}
        per_day, sd = use
        share = min(INTERVAL * sd / per_day, 0.9)
        to_days = 86400.0 / per_day
        return {
            "days_left": Evidence(forecast[0] * to_days, "time", "time left at the present use"),
            "days_left_low": Evidence(forecast[1] * to_days / (1.0 + share), "time", "at the least"),
            "days_left_high": Evidence(forecast[2] * to_days / (1.0 - share), "time", "at the most"),
        }

    def _kinds(self) -> dict[str, Evidence]:
        """How fast each kind of work loads the bags, the fastest first."""
        rates = [
            (self._growth.rate(kind), kind) for kind, (_, seconds) in self._growth.rates.items()
            if seconds >= KIND_S and kind != UNSURE
        ]
        return {
            f"rate {kind}": Evidence(rate * 3600.0, "fraction", f"of the clean drag added in an hour at the {kind}")
            for rate, kind in sorted(rates, reverse=True)[:MOST_KINDS]
        }

    def snapshot(self) -> dict[str, object]:
        """What was learned."""
        return {
            "rate": self._rate.snapshot(), "use": self._use.snapshot(), "growth": self._growth.snapshot(),
            "drag": self._drag, "ratio": self._ratio, "ratio_sd": self._ratio_sd,
            "lost": None if self._lost is None else list(self._lost), "lost_s": self._lost_s,
            "settled_s": self._settled_s, "since": self._since,
        }

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a snapshot."""
        self._rate.restore(data.get("rate"))
        self._use.restore(data.get("use"))
        self._growth.restore(data.get("growth"))
        self._drag, self._ratio = number(data.get("drag")), number(data.get("ratio"))
        if not self._drag or not self._ratio or min(self._drag, self._ratio) <= 0.0:
            self._drag = self._ratio = self._lost = None
        self._ratio_sd = number(data.get("ratio_sd")) or 0.0
        lost = data.get("lost") if self._ratio is not None else None
        if isinstance(lost, list) and len(lost) == 2 and (share := number(lost[1])) is not None:
            self._lost = str(lost[0]), share
        self._lost_s = number(data.get("lost_s")) or 0.0
        self._settled_s = number(data.get("settled_s")) or 0.0
        self._since = number(data.get("since"))
        self._changed()
