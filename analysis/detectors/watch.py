"""The base of every detector: findings are made anew only when a claim changed, or when they grow stale."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping

from analysis.blocks import Block
from analysis.conditions import Condition
from analysis.detectors.keeping import Keeping
from analysis.events import ShopEvent
from analysis.findings import Claim, Evidence, Finding

STALE_S = 60.0
"""Age at which findings are made anew although no claim changed [s of event time]; with a line a minute, every sixth."""


class Watch(Keeping, ABC):
    """Subclasses set ``self._t`` in ``update`` and call :meth:`_set` with the time since which the claim holds, or None.

    ``_unable`` is the sentence that says why nothing can be judged here (and what would change that); "" where it can.
    """

    condition: Condition

    def __init__(self) -> None:
        self._t = self._told_t = 0.0
        self._count = 0
        self._since: float | None = None
        self._told: tuple[Finding, ...] | None = None
        self._unable = "no running time seen yet"

    @abstractmethod
    def update(self, block: Block) -> None:
        """Take in a block."""

    @abstractmethod
    def _tell(self) -> tuple[Finding, ...]:
        """Make the findings."""

    def event(self, event: ShopEvent) -> None:
        """What is done to the unit matters to few; they take it in."""

    @property
    def standing(self) -> bool:
        """Whether the claim holds."""
        return self._since is not None

    def findings(self) -> tuple[Finding, ...]:
        """The claims as of the last block."""
        age = self._t - self._told_t
        self._count += 1
        if self._told is None or age < 0.0 or (age >= STALE_S and self._count >= 6):
            self._told, self._told_t, self._count = self._tell(), self._t, 0
        return self._told

    def restore(self, data: Mapping[str, object]) -> None:
        """As :meth:`Keeping.restore`; what was told before is told anew."""
        super().restore(data)
        self._told = None

    def _set(self, since: float | None) -> None:
        if (since is None) is not (self._since is None):
            self._since, self._told = since, None

    def _finding(
        self, confidence: float, evidence: Mapping[str, Evidence], could_be: tuple[str, ...] = (), *, where: str = "",
        forecast: tuple[float, float, float] | None = None, action: str = "", reason: str = "",
    ) -> Finding:
        """The claim as it is now."""
        if self._unable and not self.standing:
            return self.unknown(self._unable, where)
        low_high = forecast or (None, None, None)
        return Finding(
            t=self._t, condition=self.condition, claim=Claim.PRESENT if self.standing else Claim.ABSENT, where=where,
            confidence=confidence, since=self._since, evidence=evidence, could_be=could_be, action=action, reason=reason,
            forecast_s=low_high[0], forecast_low_s=low_high[1], forecast_high_s=low_high[2])

    def unknown(self, reason: str, where: str = "") -> Finding:
        """The claim that nothing can be told, with the reason."""
        return Finding(t=self._t, condition=self.condition, claim=Claim.NOT_YET_KNOWN, where=where, reason=reason)
