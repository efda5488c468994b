"""The courier: an outlet's queue and thread."""

from __future__ import annotations

import logging
import threading
import time
from dataclasses import dataclass

from analysis.conditions import Urgency
from daemon.backoff import Backoff
from daemon.errors import OutletError
from daemon.notices import Notice
from daemon.outlets.contract import NoticeRefused, OutletHealth, Sender, SentLedger
from daemon.outlets.settings import QueueSettings, Wants

_ORDER = {Urgency.STOP: 0, Urgency.SOON: 1, Urgency.PLAN: 2}
_TEND_S = 1.0

log = logging.getLogger("ductwarden.outlets")


@dataclass(slots=True)
class _Waiting:
    notice: Notice
    since: float
    """By the monotonic clock: event time may run at any pace and be set back."""
    refusals: int = 0


class Courier:
    """Takes notices without ever waiting and delivers them in its own thread, the most urgent and oldest first.

    ``sender`` does the sending; ``ledger`` knows what was sent; ``wants`` which notices this outlet takes.
    """

    def __init__(self, name: str, kind: str, sender: Sender, ledger: SentLedger,
                 queue: QueueSettings | None = None, wants: Wants | None = None) -> None:
        self.health = OutletHealth(name, kind)
        self._sender = sender
        self._ledger = ledger
        self._settings = queue or QueueSettings()
        self._wants = wants or Wants()
        self._waiting: list[_Waiting] = []
        self._ids: set[str] = set()
        self._changed = threading.Condition()
        self._stop = threading.Event()
        self._leave_at = 0.0
        self._retry_at = 0.0
        self._backoff = Backoff(self._stop, self._settings.first_s, self._settings.cap_s)
        self._thread = threading.Thread(target=self._run, name=f"outlet {name}", daemon=True)

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def offer(self, notice: Notice, age_s: float = 0.0) -> bool:
        """Put a notice in the queue, at once.

        False: it is not wanted, is waiting already, or was crowded out by more urgent ones.
        """
        if not self._wants.takes(notice.event, notice.urgency):
            return False
        with self._changed:
            if notice.id in self._ids:
                self.health.repeated += 1
                return False
            item = _Waiting(notice, time.monotonic() - age_s)
            self._waiting.append(item)
            self._ids.add(notice.id)
            if len(self._waiting) > self._settings.room:
                least = max(self._waiting, key=lambda w: (_ORDER[w.notice.urgency], -w.since))
                self._forget(least, "dropped")
                self.health.dropped += 1
                if least is item:
                    return False
            self.health.queued = len(self._waiting)
            self._changed.notify()
        return True

    def wake(self) -> None:
        """Something changed for the better (a connection came up): try at once."""
        with self._changed:
            self._retry_at = 0.0
            self._backoff.reset()
            self._changed.notify()

    def ask_to_stop(self, grace_s: float = 2.0) -> None:
        """Deliver what can be delivered within ``grace_s`` [s], then end the thread. Returns at once."""
        with self._changed:
            if not self._stop.is_set():
                self._leave_at = time.monotonic() + grace_s
                self._retry_at = 0.0
                self._stop.set()
                self._changed.notify()

    def stop(self, grace_s: float = 2.0) -> None:
        """Ask to stop and wait for the end. A sender that hangs beyond its limit is left behind."""
        self.ask_to_stop(grace_s)
        if self._thread.is_alive():
            self._thread.join(grace_s + 1.5)

    # -- in the courier's thread ----------------------------------------------------------------------------------

    def _run(self) -> None:
        self.health.state = "working"
        while True:
            self._tend()
            item = self._next()
            if item is not None:
                self._deliver(item)
            elif self._stop.is_set():
                break
        self._sender.close()
        self.health.state = "stopped"

    def _tend(self) -> None:
        try:
            self._sender.tend()
        except Exception:  # an outlet must outlive its own defects; the notice is what matters
            log.exception("outlet %s: tending failed", self.health.name)

    def _next(self) -> _Waiting | None:
        """The next notice to try, after waiting for one for at most a second. None: nothing to do now."""
        with self._changed:
            item = self._ready()
            if item is None and not self._stop.is_set():
                pause = self._retry_at - time.monotonic() if self._waiting else _TEND_S
                self._changed.wait(min(max(pause, 0.01), _TEND_S))
                item = self._ready()
            return item

    def _ready(self) -> _Waiting | None:
        now = time.monotonic()
        for item in [w for w in self._waiting if now - w.since > self._settings.stale_s]:
            self._forget(item, "stale")
            self.health.stale += 1
        if not self._waiting or now < self._retry_at or (self._stop.is_set() and now >= self._leave_at):
            return None
        return min(self._waiting, key=lambda w: (_ORDER[w.notice.urgency], w.since))

    def _deliver(self, item: _Waiting) -> None:
        notice, health = item.notice, self.health
        if self._was_sent(notice):
            health.repeated += 1
        else:
            try:
                self._sender.deliver(notice)
            except Exception as error:
                if not isinstance(error, OutletError):
                    log.exception("outlet %s failed in a way it should not", health.name)
                self._failed(item, error)
                return
            self._mark_sent(notice)
            health.delivered += 1
            health.last_delivered_t = notice.t
            health.state, health.last_error = "working", ""
            self._backoff.reset()
        with self._changed:
            self._forget(item)

    def _was_sent(self, notice: Notice) -> bool:
        try:
            return self._ledger.already_sent(self.health.name, notice.id)
        except Exception:  # better sent twice than never
            log.exception("outlet %s cannot look up whether %s was sent", self.health.name, notice.id)
            return False

    def _mark_sent(self, notice: Notice) -> None:
        try:
            self._ledger.mark_sent(self.health.name, notice.id)
        except Exception:  # it was sent: trying again would send it twice
            log.exception("outlet %s cannot mark %s as sent", self.health.name, notice.id)

    def _failed(self, item: _Waiting, error: Exception) -> None:
        health = self.health
        health.failed += 1
        health.last_error = str(error) or type(error).__name__
        health.state = f"waiting to try again: {health.last_error}"
        with self._changed:
            item.refusals += isinstance(error, NoticeRefused)
            if item.refusals >= self._settings.refusals:
                self._forget(item, "refused")
                health.refused += 1
                log.warning("outlet %s gave up notice %s: %s", health.name, item.notice.id, health.last_error)
            if self._backoff.tries == 0:
                log.warning("outlet %s: %s", health.name, health.last_error)
            self._retry_at = time.monotonic() + self._backoff.next_s()
            self._backoff.tries += 1
            if self._stop.is_set():
                self._leave_at = 0.0  # no time left to wait for another try

    def _forget(self, item: _Waiting, lost: str = "") -> None:
        """Take it off the queue; ``lost`` says why, if it was not delivered."""
        if item in self._waiting:
            self._waiting.remove(item)
            self._ids.discard(item.notice.id)
        self.health.queued = len(self._waiting)
        if lost:
            try:
                self._ledger.mark_lost(self.health.name, item.notice.id, lost)
            except Exception:  # the ledger's trouble must not stop the outlet
                log.exception("outlet %s cannot mark %s as %s", self.health.name, item.notice.id, lost)
