"""The motor is started more often in an hour than agreed."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping

from analysis.blocks import Block
from analysis.conditions import Condition
from analysis.detectors.numbers import number, number_list
from analysis.detectors.telling import Telling
from analysis.detectors.words import not_yet_known
from analysis.events import ShopEvent
from analysis.findings import Claim, Evidence, Finding

HOUR_S = 3600.0


class ShortCycling(Telling):
    """Counts starts over the last hour of event time. Each start heats the winding with several times its full-load
    current; small motors are commonly allowed six to twelve an hour (common practice, no source).
    """

    condition = Condition.SHORT_CYCLING

    def __init__(self, starts_per_hour: int = 10) -> None:
        super().__init__()
        self._limit = starts_per_hour
        self._starts: deque[float] = deque(maxlen=starts_per_hour + 50)
        self._seen = False
        self._since: float | None = None

    def update(self, block: Block) -> None:
        """Take in a block."""
        if self._seen and block.t < self._t - HOUR_S:
            self._starts.clear()  # the clock was set back: the old starts lie in a future that has not been
        self._t, self._seen = block.t, True
        if block.started:
            self._starts.append(block.began_t)
            self._changed()
        while self._starts and not -HOUR_S < self._starts[0] - block.t <= HOUR_S:
            self._starts.popleft()
        if self._since is None and len(self._starts) > self._limit:
            self._since = block.t
            self._changed()
        elif self._since is not None and len(self._starts) <= self._limit - 2:
            self._since = None
            self._changed()

    def event(self, event: ShopEvent) -> None:
        """Nothing that is done to the unit changes the count."""

    def _tell(self) -> tuple[Finding, ...]:
        if not self._seen:
            return (not_yet_known(0.0, self.condition, "nothing seen yet"),)
        present = self._since is not None
        return (
            Finding(
                t=self._t,
                condition=self.condition,
                claim=Claim.PRESENT if present else Claim.ABSENT,
                confidence=0.99,
                since=self._since,
                evidence={
                    "starts": Evidence(float(len(self._starts)), "count", "starts in the last hour"),
                    "limit": Evidence(float(self._limit), "count", "starts agreed to"),
                },
                could_be=("a loose contact in the remote switch", "an overload device that trips and resets by itself"),
            ),
        )

    def snapshot(self) -> dict[str, object]:
        """The starts of the last hour."""
        return {"starts": list(self._starts), "since": self._since, "t": self._t, "seen": self._seen}

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a snapshot."""
        starts = number_list(data.get("starts"))
        if starts is not None:
            self._starts.extend(starts)
        self._since = number(data.get("since"))
        self._t = number(data.get("t")) or 0.0
        self._seen = data.get("seen") is True
        self._changed()
