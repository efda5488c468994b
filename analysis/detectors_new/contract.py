"""The contract of every detector: two verbs, constant memory, event time only."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from analysis.blocks import Block
from analysis.conditions import Condition
from analysis.events import ShopEvent
from analysis.findings import Finding


class Detector(Protocol):
    """``update`` learns from one block of frames; ``findings`` says what is claimed now and changes nothing.

    A detector never alters its input, keeps constant memory, survives gaps and None, and says "not yet known" (with
    the reason) in its grace period instead of "absent".
    """

    @property
    def condition(self) -> Condition:
        """The one condition that this detector speaks of."""

    def update(self, block: Block) -> None:
        """Take in one block of frames with its estimate."""

    def event(self, event: ShopEvent) -> None:
        """Take in what was done: cleaned, emptied, changed."""

    def findings(self) -> tuple[Finding, ...]:
        """The claims as of the last block: always at least one, even if it is "not yet known"."""

    def snapshot(self) -> dict[str, object]:
        """What was learned, as plain JSON values, so that a restart forgets nothing."""

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a :meth:`snapshot`. Data of an unknown shape is ignored and the detector starts to learn anew."""


class Recogniser(Protocol):
    """Finds from the data what was done to the unit (a cleaning, an emptying) without being told."""

    def update(self, block: Block) -> tuple[ShopEvent, ...]:
        """Take in one block; returns what was recognised just now (mostly nothing)."""

    def event(self, event: ShopEvent) -> None:
        """Take in what the owner says happened, so that it is not found a second time."""

    def snapshot(self) -> dict[str, object]:
        """As :meth:`Detector.snapshot`."""

    def restore(self, data: Mapping[str, object]) -> None:
        """As :meth:`Detector.restore`."""
