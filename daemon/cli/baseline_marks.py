"""Marked frames as a sink of the pipeline, so that a recording is vetted and framed as live readings are."""

from __future__ import annotations

from analysis.baseline.recording import MarkedFrames
from analysis.estimates import Estimate
from analysis.events import ShopEvent
from analysis.findings import Finding
from analysis.readings import Frame
from daemon.alarms.types import Transition


class Marks(MarkedFrames):
    """Takes every frame; nothing else of the pipeline concerns it."""

    def frame(self, frame: Frame, estimate: Estimate) -> None:
        """A frame with its gate marks."""
        self.update(frame)

    def run(self, began_t: float, ended_t: float | None) -> None:
        """Runs are of no concern."""

    def finding(self, finding: Finding, raised: bool) -> None:
        """Findings are of no concern."""

    def transition(self, transition: Transition) -> None:
        """Alarms are of no concern."""

    def event(self, event: ShopEvent) -> None:
        """Recognised events are of no concern."""
