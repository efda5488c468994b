"""Transitions -> notices -> outlets, each notice marked in the store as waiting and as sent, so that none goes twice."""

from __future__ import annotations

import queue
from collections.abc import Mapping
from datetime import datetime, tzinfo

from analysis.estimates import Estimate
from analysis.events import ShopEvent
from analysis.findings import Finding
from analysis.readings import Frame, RunState
from daemon.alarms.types import Transition
from daemon.config.config import Config
from daemon.notices import Notice, NoticeDesk
from daemon.outlets.build import Outlets
from daemon.outlets.contract import MemoryLedger, OutletHealth
from daemon.outlets.tables import notice_settings, outlet_settings
from daemon.pipeline import Pipeline
from daemon.store.writer import Writer

ON = (RunState.STARTING, RunState.RUNNING)


class Teller:
    """Owns the notice desk and the outlets. Every method is called from the pipeline's thread and returns at once."""

    def __init__(self, config: Config, writer: Writer, pipeline: Pipeline, zone: tzinfo | None = None) -> None:
        self._writer = writer
        self._pipeline = pipeline
        self.desk = NoticeDesk(notice_settings(config), zone or local_zone(), pipeline.desk.settings)
        self._sent: queue.SimpleQueue[tuple[str, str]] = queue.SimpleQueue()
        self._waiting: dict[tuple[str, str], Notice] = {}
        known = [(outlet, notice.id) for notice, outlet in writer.unsent_notices(("sent",))]
        ledger = MemoryLedger(known, lambda outlet, notice_id: self._sent.put((outlet, notice_id)))
        self._outlets = Outlets(outlet_settings(config), ledger)
        self._transitions: list[Transition] = []

    @property
    def health(self) -> tuple[OutletHealth, ...]:
        """How the outlets are doing."""
        return self._outlets.health()

    def start(self, now: float) -> None:
        """Start the outlets; show what stands, and hand on what a former life could not deliver."""
        self._outlets.start()
        self._outlets.show_alarms(self._pipeline.desk.open())
        for notice, outlet in self._writer.unsent_notices():
            self._waiting[outlet, notice.id] = notice
            self._outlets.offer_again(outlet, notice, max(0.0, now - notice.t))

    def stop(self) -> None:
        """Give the outlets a moment to deliver, end them, and mark what went."""
        self._outlets.stop()
        self._mark_sent()

    def transition(self, transition: Transition) -> None:
        """An alarm moved; it is told of at the next :meth:`turn`."""
        self._transitions.append(transition)

    def frame(self, frame: Frame, estimate: Estimate) -> None:
        """Frames are not told."""

    def run(self, began_t: float, ended_t: float | None) -> None:
        """Runs are not told."""

    def finding(self, finding: Finding, raised: bool) -> None:
        """Findings are not told: the alarms that come of them are."""

    def event(self, event: ShopEvent) -> None:
        """Recognised events are not told."""

    def turn(self) -> None:
        """Tell what is to be told; show the latest state and estimate to the outlets that show a picture."""
        self._mark_sent()
        frame = self._pipeline.last_frame
        if frame is None:
            return
        moved, self._transitions = self._transitions, []
        desk = self._pipeline.desk
        notices = self.desk.notices(frame.t, moved, desk.open, frame.state in ON)
        for notice in notices:
            for health in self._outlets.health():
                if self._writer.notice_state(notice.id, health.name) is None:
                    self._writer.notice(notice, health.name, "waiting")
                    self._waiting[health.name, notice.id] = notice
        self._outlets.offer(notices)
        if moved:
            self._outlets.show_alarms(desk.open())

    def show(self, state: Mapping[str, object]) -> None:
        """Show what the unit does to the outlets that show a picture."""
        self._outlets.show_state(state)
        if self._pipeline.last_estimate is not None:
            self._outlets.show_estimate(self._pipeline.last_estimate)

    def _mark_sent(self) -> None:
        while True:
            try:
                key = self._sent.get_nowait()
            except queue.Empty:
                return
            notice = self._waiting.pop(key, None)
            if notice is not None:
                self._writer.notice(notice, key[0], "sent")


def local_zone() -> tzinfo:
    """The computer's own time zone."""
    zone = datetime.now().astimezone().tzinfo
    assert zone is not None
    return zone
