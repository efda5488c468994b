"""What an outlet is: one way out of the house for words, that can never hold up what it speaks of.

Who owns what. The pipeline's thread calls ``offer`` (and, for outlets that show a picture, ``show...``): these only put
something in memory and return at once. Each outlet has one thread (:class:`daemon.outlets.courier.Courier`) that takes
the notices from its bounded queue and hands them to a :class:`Sender`, which may block up to its own time limit and
raises :class:`daemon.errors.OutletError` when it could not deliver. The courier waits, doubling the pause, and tries
again until the notice is delivered, stale or crowded out; every such end is counted in the health.

What was delivered is marked in the :class:`SentLedger` that the caller gives, right after the delivery, under the
outlet's name and the notice's id; what is marked is never sent again, also after a restart. Should the computer die
between a delivery and its mark, that one notice is sent again: twice is better than never.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from analysis.estimates import Estimate
from daemon.alarms.types import Alarm
from daemon.errors import OutletError
from daemon.notices import Notice


class NoticeRefused(OutletError):
    """The other side was reached and will not have this notice; trying again is hardly of use."""


@dataclass
class OutletHealth:
    """How one outlet is doing. ``connected`` None: not an outlet that stays connected.

    ``delivered`` notices; ``failed`` tries that failed; ``dropped`` crowded out of a full queue; ``stale`` given up
    for age; ``refused`` given up because the other side would not have them; ``repeated`` not sent because they had
    been sent before.
    """

    name: str
    kind: str
    state: str = "not started"
    connected: bool | None = None
    queued: int = 0
    delivered: int = 0
    failed: int = 0
    dropped: int = 0
    stale: int = 0
    refused: int = 0
    repeated: int = 0
    last_error: str = ""
    last_delivered_t: float | None = None


class Sender(Protocol):
    """The part of an outlet that talks to the outside, always in the courier's thread."""

    def deliver(self, notice: Notice) -> None:
        """Send it. Raises OutletError to have it tried again, NoticeRefused if that is hardly of use."""

    def tend(self) -> None:
        """Called between deliveries, and about once a second while there are none. Must not raise."""

    def close(self) -> None:
        """The courier ends. Must not raise, and be done within about a second."""


class SentLedger(Protocol):
    """What was sent, by outlet and notice. Called from outlets' threads; must be quick and safe for that."""

    def already_sent(self, outlet: str, notice_id: str) -> bool:
        """Whether this outlet has delivered this notice."""

    def mark_sent(self, outlet: str, notice_id: str) -> None:
        """This outlet has just delivered this notice."""

    def mark_lost(self, outlet: str, notice_id: str, why: str) -> None:
        """This outlet has given this notice up: ``why`` is "dropped", "stale" or "refused"."""


class MemoryLedger:
    """A ledger in memory: begun with what the store knows, telling ``on_sent`` and ``on_lost`` of each new mark.

    Both are called in an outlet's thread (``on_lost`` also in the thread that offers) and must not block.
    """

    def __init__(self, sent: Iterable[tuple[str, str]] = (),
                 on_sent: Callable[[str, str], None] = lambda outlet, notice_id: None,
                 on_lost: Callable[[str, str, str], None] = lambda outlet, notice_id, why: None) -> None:
        self._sent = set(sent)
        self._on_sent = on_sent
        self._on_lost = on_lost
        self._lock = threading.Lock()

    def already_sent(self, outlet: str, notice_id: str) -> bool:
        """Whether this outlet has delivered this notice."""
        with self._lock:
            return (outlet, notice_id) in self._sent

    def mark_sent(self, outlet: str, notice_id: str) -> None:
        """Remember it and pass it on."""
        with self._lock:
            self._sent.add((outlet, notice_id))
        self._on_sent(outlet, notice_id)

    def mark_lost(self, outlet: str, notice_id: str, why: str) -> None:
        """Pass it on."""
        self._on_lost(outlet, notice_id, why)


class Outlet(Protocol):
    """One way out. Nothing here blocks except ``stop``, and that within its limit."""

    @property
    def health(self) -> OutletHealth:
        """Its health, updated in place."""

    def start(self) -> None:
        """Begin to work."""

    def offer(self, notice: Notice, age_s: float = 0.0) -> bool:
        """Take a notice on (or not, if it is not wanted or already sent). ``age_s`` [s]: how long it waited before."""

    def ask_to_stop(self, grace_s: float = 2.0) -> None:
        """From now on deliver only what can be delivered within ``grace_s`` [s], then end. Returns at once."""

    def stop(self, grace_s: float = 2.0) -> None:
        """Ask to stop, unless that was done, and wait for the end; at most ``grace_s`` [s] and a little."""


@runtime_checkable
class ShowsPicture(Protocol):
    """An outlet that shows how things are, besides telling what happened. Every ``show`` returns at once."""

    def show_alarms(self, alarms: Sequence[Alarm]) -> None:
        """These alarms are open, and no other. To be called once at the start, then on every change."""

    def show_state(self, state: Mapping[str, object]) -> None:
        """What the unit does, as plain values."""

    def show_estimate(self, estimate: Estimate) -> None:
        """The latest estimate."""
