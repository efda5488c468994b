"""What every detector shares: its findings are made anew only when something changed, or when they grow stale."""

from __future__ import annotations

from abc import ABC, abstractmethod

from analysis.findings import Finding

TELL_EVERY_S = 60.0
"""Age at which findings are made anew although nothing was raised or cleared [s of event time]."""


class Telling(ABC):
    """A base of detectors: :meth:`findings` keeps the last telling.

    ``update`` sets ``_t`` to the time of its block and calls :meth:`_changed` where a claim was raised or taken back.
    Making findings costs more than looking at a block, and most blocks say nothing new.
    """

    def __init__(self) -> None:
        self._t = 0.0
        self._told: tuple[Finding, ...] | None = None
        self._told_t = 0.0

    def findings(self) -> tuple[Finding, ...]:
        """The claims as of the last block."""
        told = self._told
        if told is None or not 0.0 <= self._t - self._told_t < TELL_EVERY_S:
            told = self._told = self._tell()
            self._told_t = self._t
        return told

    def _changed(self) -> None:
        """The last telling no longer holds."""
        self._told = None

    @abstractmethod
    def _tell(self) -> tuple[Finding, ...]:
        """Make the findings."""
