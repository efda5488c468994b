"""The contract of every detector: two verbs, constant memory, event time only."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from analysis.conditions import Condition
from analysis.estimates import Estimate
from analysis.events import ShopEvent
from analysis.findings import Finding
from analysis.readings import Frame


class Detector(Protocol):
    """``update`` learns from one frame and its estimate; ``findings`` says what is claimed now and changes nothing.

    A detector never alters its input, keeps constant memory, survives gaps and None, and says "not yet known" (with
    the reason) in its grace period instead of "absent".
    """

    @property
    def condition(self) -> Condition:
        """The one condition that this detector speaks of."""

    def update(self, frame: Frame, estimate: Estimate) -> None:
        """Take in one frame with its estimate."""

    def event(self, event: ShopEvent) -> None:
        """Take in what the owner (or another detector) says happened: cleaned, emptied, gates changed."""

    def findings(self) -> tuple[Finding, ...]:
        """The claims as of the last frame: always at least one, even if it is "not yet known"."""

    def snapshot(self) -> dict[str, object]:
        """What was learned, as plain JSON values, so that a restart forgets nothing."""

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a :meth:`snapshot`. Data of an unknown shape is ignored and the detector starts to learn anew."""


class Recogniser(Protocol):
    """Finds from the data what was done to the unit (a cleaning, an emptying) without being told."""

    def update(self, frame: Frame, estimate: Estimate) -> tuple[ShopEvent, ...]:
        """Take in one frame; returns what was recognised just now (mostly nothing)."""

    def event(self, event: ShopEvent) -> None:
        """Take in what the owner says happened, so that it is not found a second time."""

    def snapshot(self) -> dict[str, object]:
        """As :meth:`Detector.snapshot`."""

    def restore(self, data: Mapping[str, object]) -> None:
        """As :meth:`Detector.restore`."""
