"""Transitions -> notices -> outlets, and what became of each notice, in the store, so that none goes twice.

A notice is marked for each outlet that took it on: ``waiting``, then ``sent``, or given up as ``dropped`` (crowded out of
a full queue, or the outlet is no longer there), ``stale`` or ``refused``. After a restart only what was ``waiting`` is
handed on again, with its age.
"""

from __future__ import annotations

import logging
import queue
from collections.abc import Iterable, Mapping
from datetime import tzinfo

from analysis.estimates import Estimate
from analysis.events import ShopEvent
from analysis.findings import Finding
from analysis.readings import Frame, RunState
from daemon.alarms.rates import DAY_S, rate_document
from daemon.alarms.types import AlarmState, Transition
from daemon.clock import LocalZone
from daemon.config.config import Config
from daemon.digest import weekly_digest
from daemon.digest_facts import week_facts
from daemon.errors import StoreError
from daemon.notices import Notice, NoticeDesk
from daemon.outlets.build import Outlets
from daemon.outlets.contract import MemoryLedger, OutletHealth
from daemon.outlets.tables import digest_moment, notice_settings, outlet_settings
from daemon.pipeline import Pipeline
from daemon.store.reader import Reader
from daemon.store.writer import Writer
from daemon.weekly import Weekly

LOG = logging.getLogger("ductwarden")

ON = (RunState.STARTING, RunState.RUNNING)
OVER = ("sent", "dropped", "stale", "refused")
"""States in which nothing more is done about a notice at an outlet."""
DIGEST_STATE = "weekly digest"
DIGEST_AGAIN_S = 600.0
"""When the store could not be read for the digest, it is tried again after this much event time."""


class Teller:
    """Owns the notice desk, the weekly digest and the outlets.

    Every method is called from the pipeline's thread and returns at once: senders that hang, hang in their own threads.
    """

    def __init__(self, config: Config, writer: Writer, pipeline: Pipeline, zone: tzinfo | None = None) -> None:
        self._writer = writer
        self._pipeline = pipeline
        self._zone = zone or LocalZone()
        self.desk = NoticeDesk(notice_settings(config), self._zone, pipeline.desk.settings)
        self._ends: queue.SimpleQueue[tuple[str, str, str]] = queue.SimpleQueue()
        self._waiting: dict[tuple[str, str], Notice] = {}
        self._over = {(outlet, notice.id) for notice, outlet in writer.unsent_notices(OVER)}
        ledger = MemoryLedger(
            self._over,
            on_sent=lambda outlet, notice_id: self._ends.put((outlet, notice_id, "sent")),
            on_lost=lambda outlet, notice_id, why: self._ends.put((outlet, notice_id, why)),
        )
        self._outlets = Outlets(outlet_settings(config), ledger)
        self._transitions: list[Transition] = []
        moment = digest_moment(config)
        self._weekly = None if moment is None else Weekly(*moment, self._zone)
        self._digest_from_t = float("-inf")

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
            if not self._outlets.offer_again(outlet, notice, max(0.0, now - notice.t)):
                self._ends.put((outlet, notice.id, "dropped"))
        self._mark()
        digests = self._writer.load_state(DIGEST_STATE)
        if self._weekly is not None and isinstance(digests, dict):
            self._weekly.restore(digests)
        self._pipeline.desk.told_before(self._told_lately(now))

    def stop(self) -> None:
        """Give the outlets a moment to deliver, end them, and mark what went."""
        self._outlets.stop()
        self._mark()

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
        """Tell what is to be told; show the latest alarms to the outlets that show a picture."""
        self._mark()
        frame = self._pipeline.last_frame
        if frame is None:
            return
        moved, self._transitions = self._transitions, []
        desk = self._pipeline.desk
        notices = self.desk.notices(frame.t, moved, desk.open, frame.state in ON)
        if moved or notices:
            # With the transitions, not half a minute later: a kill in between must not forget what is held back.
            self._writer.state("notices", self.desk.snapshot())
        self._offer(notices)
        self._offer(self._digest(frame.t))
        if moved:
            self._outlets.show_alarms(desk.open())

    def tell(self, notice: Notice) -> None:
        """Tell something that is no alarm."""
        self._offer([notice])

    def show(self, state: Mapping[str, object]) -> None:
        """Show what the unit does to the outlets that show a picture, and how many alarms were told to the dashboard."""
        self._outlets.show_state(state)
        if self._pipeline.last_estimate is not None:
            self._outlets.show_estimate(self._pipeline.last_estimate)
        frame = self._pipeline.last_frame
        if frame is not None:
            self._writer.status("alarms", rate_document(self._pipeline.desk.rate(frame.t), frame.t))

    def _offer(self, notices: Iterable[Notice]) -> None:
        fresh = {notice.id: notice for notice in notices}
        if not fresh:
            return
        for outlet, notice in self._outlets.offer(fresh.values()):
            if (outlet, notice.id) not in self._over:
                self._waiting[outlet, notice.id] = notice
                self._writer.notice(notice, outlet, "waiting")
        self._mark(fresh)

    def _mark(self, fresh: Mapping[str, Notice] | None = None) -> None:
        """Store what became of notices. ``fresh`` are those just offered: one may be crowded out as it arrives."""
        while True:
            try:
                outlet, notice_id, state = self._ends.get_nowait()
            except queue.Empty:
                return
            notice = self._waiting.pop((outlet, notice_id), None) or (fresh or {}).get(notice_id)
            if notice is not None and (outlet, notice_id) not in self._over:
                self._over.add((outlet, notice_id))
                self._writer.notice(notice, outlet, state)

    def _digest(self, t: float) -> list[Notice]:
        """The weekly digest, where it is due."""
        if self._weekly is None or t < self._digest_from_t:
            return []
        span = self._weekly.due(t)
        said: list[Notice] = []
        if span is not None:
            self._writer.flush(force=True)
            reader = Reader(self._writer.path)
            try:
                said.append(weekly_digest(week_facts(reader, *span), self.desk.settings, self._zone))
            except StoreError as error:
                LOG.warning("the weekly digest has to wait: %s", error)
                self._digest_from_t = t + DIGEST_AGAIN_S
                return []
            finally:
                reader.close()
            self._weekly.told(span[1])
        self._writer.state(DIGEST_STATE, self._weekly.snapshot())
        return said

    def _told_lately(self, now: float) -> list[float]:
        """When alarms were told in the day before, by an earlier life."""
        reader = Reader(self._writer.path)
        try:
            steps = reader.transitions(start=now - DAY_S, end=now)
        except StoreError:
            return []
        finally:
            reader.close()
        return [step.t for step in steps if step.after is AlarmState.UNACKNOWLEDGED]
