"""Statuses: the latest of each kind of status document, on its way to readers.

Readers in the same process see every document at once (the board of :mod:`daemon.store.codec`). The database gets them
seldom, and long ones more seldom still: they are most of what is written on a quiet day, and the card is spared.
"""

from __future__ import annotations

from collections.abc import Callable

from analysis.estimates import Estimate
from analysis.readings import Frame
from daemon.documents import now_document
from daemon.store.codec import LiveStatus, publish, to_json
from daemon.store.committer import Committer

LONG_STATUS = 2_000
"""A status document of more characters than this is committed more seldom, to spare the card."""
LONG_STATUS_LESS_OFTEN = 6


class Statuses:
    """Shows status documents, and puts them into the committer's buffer every ``every_s`` of real time."""

    def __init__(self, committer: Committer, every_s: float, now: float, wall: Callable[[], float]) -> None:
        self._committer = committer
        self._every_s = every_s
        self._wall = wall
        self._due = self._long_due = now
        self._documents: dict[str, object] = {}
        self._shown: dict[str, LiveStatus] = {}
        self._pending: dict[str, LiveStatus] = {}
        self._own_now = False
        self._soon: set[str] = set()

    def put(self, name: str, document: object, soon: bool) -> None:
        """The latest document of that name; ``soon``: the very next commit has it."""
        if name == "now":
            self._own_now = True
        self._documents[name] = document
        if soon:
            self._soon.add(name)

    def show(self, t: float | None, last: tuple[Frame, Estimate | None] | None) -> None:
        """Show what is new to readers in this process.

        ``t`` is the event time that documents speak of. The document "now" is made from the ``last`` frame, where there was
        one since, unless somebody puts one of his own.
        """
        if last is not None and not self._own_now:
            frame, estimate = last
            self._documents["now"] = now_document(frame, estimate if estimate is not None else Estimate(frame.t))
        if self._documents:
            wall_t = self._wall()
            fresh = {name: LiveStatus(t, wall_t, to_json(document)) for name, document in self._documents.items()}
            self._documents = {}
            publish(self._committer.path, fresh)
            self._shown.update(fresh)
            self._pending.update(fresh)

    def hand_over(self, now: float) -> None:
        """A commit is at hand at ``now`` of the monotonic clock: give it what is due."""
        pending, statuses = self._pending, self._committer.statuses
        for name in self._soon & pending.keys():
            statuses[name] = pending.pop(name)
        self._soon.clear()
        if now >= self._due and pending:
            long_too = now >= self._long_due
            for name in [name for name, status in pending.items() if long_too or len(status.text) <= LONG_STATUS]:
                statuses[name] = pending.pop(name)
            self._due = now + self._every_s
            if long_too:
                self._long_due = now + LONG_STATUS_LESS_OFTEN * self._every_s
        elif self._committer.rows and "now" in pending:
            newest = pending["now"]
            self._committer.heard = (newest.t, newest.wall_t)

    def repeat(self) -> None:
        """A new database was begun: everything that was shown goes into it."""
        self._pending = dict(self._shown)

    def all_due(self) -> None:
        """The next commit has every document, however long."""
        self._due = self._long_due = -1e300
