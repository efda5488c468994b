"""What every detector shares: its findings are made anew only when something changed, or when they grow stale."""

from __future__ import annotations

from abc import ABC, abstractmethod

from analysis.findings import Finding

TELL_EVERY_S = 60.0
"""Age at which findings are made anew although nothing was raised or cleared [s of event time]."""
TELL_BLOCKS, SLOWEST_S = 6, 60.0
"""Where blocks come more seldom than every ten seconds (a line a minute while the fan is off), so many of them, each counted
as this long at most, must have passed."""


class Telling(ABC):
    """A base of detectors: :meth:`findings` keeps the last telling.

    ``update`` sets ``_t`` to the time of its block and calls :meth:`_changed` where a claim was raised or taken back.
    Making findings costs more than looking at a block, and most blocks say nothing new.
    """

    def __init__(self) -> None:
        self._at = self._step = 0.0
        self._told: tuple[Finding, ...] | None = None
        self._told_t = 0.0

    @property
    def _t(self) -> float:
        return self._at

    @_t.setter
    def _t(self, t: float) -> None:
        self._step, self._at = t - self._at, t

    def findings(self) -> tuple[Finding, ...]:
        """The claims as of the last block."""
        told = self._told
        age = self._at - self._told_t
        if told is None or age < 0.0 or age >= max(TELL_EVERY_S, TELL_BLOCKS * min(self._step, SLOWEST_S)):
            told = self._told = self._tell()
            self._told_t = self._at
        return told

    def _changed(self) -> None:
        """The last telling no longer holds."""
        self._told = None

    @abstractmethod
    def _tell(self) -> tuple[Finding, ...]:
        """Make the findings."""
