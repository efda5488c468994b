"""Writer: the one place from which the database is written. It belongs to the pipeline's thread.

Everything is buffered and committed together: after ``commit_every_s`` of real time, after 5,000 frames, or with the next
frame once something of weight (an alarm, a journal entry, an answer) waits. What a crash can cost:

- SIGKILL: what came after the last commit, so at most ``commit_every_s`` and one frame (live: ten seconds);
- power cut: besides that, commits since the last sync: at most ``sync_every_s`` of frames; never an alarm, a journal
  entry or an answer that was committed. ``tests.endurance.power_cut`` puts together what a disk may then hold.

What it hands to the system (``tests.endurance.writing``): 170 MB in a day of running throughout, 20 MB in a day at rest, so about
45 MB on a maker's ordinary day, 16 GB a year, with a sync every half minute. The card's own amplification comes on top.

Which frames are kept, and under which time, is told in :mod:`daemon.store.intake`.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from analysis.estimates import Estimate
from analysis.events import ShopEvent
from analysis.findings import Finding
from analysis.readings import Frame
from daemon.alarms.types import Alarm, AlarmState, Transition
from daemon.config.config import Config
from daemon.config.secrets import scrubbed
from daemon.notices import Notice
from daemon.store import records, requests
from daemon.store.codec import ALARM_SELECT, alarm_of, from_json, to_json, withdraw
from daemon.store.committer import MOST_ROWS, Committer, Statement, StoreHealth
from daemon.store.connection import store_error
from daemon.store.intake import Intake
from daemon.store.lock import StoreLock
from daemon.store.migrate import ensure_schema
from daemon.store.records import Journal
from daemon.store.requests import Request
from daemon.store.statuses import Statuses

SHOW_S = 0.5
"""Readers in this process see everything that is new so soon, committed or not."""


class Writer:
    """Writes frames and records; a sink of the pipeline. The database must exist (:func:`daemon.store.migrate.ensure_schema`).

    ``keep_raw_days`` how long raw frames are kept (:mod:`daemon.store.pruning`); ``commit_every_s`` and ``sync_every_s``
    as told above; ``status_every_s`` how often status documents are committed (long ones more seldom: they are most of
    what is written on a quiet day). Readers in the same process always see them fresh.
    Raises :class:`StoreError` where the database cannot be opened. Later trouble is in :attr:`health`, never raised.
    """

    def __init__(
        self, path: Path, *, keep_raw_days: float = 90.0, commit_every_s: float = 1.0, sync_every_s: float = 30.0,
        status_every_s: float = 60.0, monotonic: Callable[[], float] = time.monotonic,
        wall: Callable[[], float] = time.time,
    ) -> None:
        self.path = Path(path)
        self._monotonic = monotonic
        self._commit_every_s = commit_every_s
        self._committer = Committer(self.path, keep_raw_days, sync_every_s, monotonic)
        self._rows = self._committer.rows
        self._statements = self._committer.statements
        self._due = monotonic() + commit_every_s
        self._show_every_s = min(commit_every_s, SHOW_S)
        self._show_due = self._due
        self._statuses = Statuses(self._committer, status_every_s, monotonic(), wall)
        self._t: float | None = None
        self._last: tuple[Frame, Estimate | None] | None = None
        self._states: dict[str, str] = {}
        self._state_texts: dict[str, str] = {}
        self._standing: dict[int, Alarm] = {}
        self._answered: set[int] = set()
        """Requests whose answers are not committed yet."""
        self._configuration: Statement | None = None
        self._generation = 0
        self._begin()

    def _begin(self) -> None:
        try:
            self._intake = Intake(self._committer)
            self._take = self._intake.take
            self._journal = Journal(self._committer.connection, self._add, self._query)
            self._statements.append(records.closed(False))
            records.scrub_configurations(self._committer.connection, scrubbed)
            self._statements += records.end_interrupted_runs(self._committer.connection)
        except sqlite3.Error as error:
            self._committer.close()
            raise store_error(error, self.path) from error

    @property
    def health(self) -> StoreHealth:
        """How the store is doing."""
        return self._committer.health

    # -- frames -----------------------------------------------------------------------------------------------------

    def frame(self, frame: Frame, estimate: Estimate | None) -> None:
        """A frame with its estimate; commits when that is due."""
        self._last = (frame, estimate)
        self._t = frame.t
        self._take(frame, estimate)
        if len(self._rows) >= MOST_ROWS:
            self.flush()
        else:
            self.tick()

    # -- records ----------------------------------------------------------------------------------------------------

    def transition(self, transition: Transition) -> None:
        """An alarm moved: its present state, and the step."""
        alarm = transition.alarm
        if alarm.state is AlarmState.NORMAL:
            self._standing.pop(alarm.id, None)
        else:
            self._standing[alarm.id] = alarm
        self._add(records.transition(transition))

    def finding(self, finding: Finding, raised: bool) -> None:
        """Not kept: alarms carry their findings."""

    def event(self, event: ShopEvent) -> int:
        """A journal entry; returns its id."""
        return self._journal.enter(event)

    def correct_event(self, entry_id: int, event: ShopEvent, t: float) -> bool:
        """Replace a journal entry at ``t``; what it said before is kept. False where there is no such entry."""
        return self._journal.correct(entry_id, event, t)

    def remove_event(self, entry_id: int, t: float, by: str = "owner") -> bool:
        """Strike a journal entry out at ``t``; it stays in the record as removed. False where there is no such entry."""
        return self._journal.remove(entry_id, t, by)

    def event_kind(self, entry_id: int) -> str | None:
        """What kind of thing a journal entry says; None where there is no such entry, or the disk is in trouble."""
        return self._journal.kind(entry_id)

    def run(self, began_t: float, ended_t: float | None, seconds: float | None = None, reason: str = "") -> None:
        """A run began, or (with ``ended_t``) ended after ``seconds`` of running, default all of it."""
        if ended_t is None:
            self._add(records.run_started(began_t), urgent=False)
        else:
            seconds = ended_t - began_t if seconds is None else seconds
            self._add(records.run_ended(began_t, ended_t, seconds, reason), urgent=False)

    def notice(self, notice: Notice, outlet: str, state: str) -> None:
        """How far a notice has come on its way through an outlet (``waiting``, ``sent``, ``failed``, ``dropped``, ...)."""
        self._add(records.notice(notice, outlet, state, self._t))

    def unsent_notices(self, states: tuple[str, ...] = ("waiting", "failed")) -> list[tuple[Notice, str]]:
        """Notices (with their outlet) that are in one of ``states``, oldest first: what a restart must go on with."""
        marks = ",".join("?" * len(states))
        rows = self._query(f"{records.NOTICE_SELECT} WHERE state IN ({marks}) ORDER BY id", states)
        return [records.notice_of(row) for row in rows]

    def baseline(self, name: str, t: float, document: object) -> None:
        """A baseline tour's outcome; the newest of a name is the one in force."""
        self._add(records.baseline(name, t, document))

    def configuration(self, text: str, t: float | None = None) -> str:
        """The configuration in force (from event time ``t``, where known), without the secrets of its outlets. Returns the
        SHA-256 of what is kept, as hexadecimal."""
        digest, self._configuration = records.configuration(scrubbed(text), t)
        self._add([self._configuration])
        return digest

    # -- documents --------------------------------------------------------------------------------------------------

    def status(self, name: str, document: object, *, soon: bool = False) -> None:
        """The latest of a kind of status ("sources", "detectors", "daemon", ...). ``document`` must not change any more.

        Cheap: it is written out with the next commit. "now" is made from the last frame by itself unless set here.
        ``soon``: somebody waits for it in another process (a tour guided from a terminal), so it is committed soon.
        """
        self._statuses.put(name, document, soon)
        if soon:
            self._due = min(self._due, self._monotonic() + SHOW_S)

    def state(self, name: str, document: object) -> None:
        """A snapshot of what was learned, to be had again after a restart by :meth:`load_state`.

        One that says the same as the last of its name is not written again.
        """
        text = to_json(document)
        if self._state_texts.get(name) != text:
            self._states[name] = self._state_texts[name] = text

    def load_state(self, name: str) -> Any | None:
        """The latest snapshot of that name, None where there is none or it cannot be read."""
        text = self._state_texts.get(name)
        if text is None:
            found = self._query("SELECT document FROM states WHERE name = ?", (name,))
            if not found:
                return None
            text = found[0][0]
        try:
            return from_json(text)
        except ValueError:
            return None

    # -- what the daemon must know again after a restart --------------------------------------------------------------

    def open_alarms(self) -> list[Alarm]:
        """Every alarm that is not back to normal, oldest first."""
        rows = self._query(f"{ALARM_SELECT} WHERE state <> ? ORDER BY id", (AlarmState.NORMAL.value,))
        alarms = [alarm_of(row) for row in rows]
        self._standing.update((alarm.id, alarm) for alarm in alarms)
        return alarms

    def last_alarm_id(self) -> int:
        """The highest id ever given to an alarm, 0 where there was none."""
        found = self._query("SELECT max(id) FROM alarms")
        return int(found[0][0] or 0) if found else 0

    # -- requests -----------------------------------------------------------------------------------------------------

    def requests(self) -> list[Request]:
        """What the dashboard and the command line ask for and is not answered yet."""
        try:
            waiting = requests.take(self._committer.connection)
            return [request for request in waiting if request.id not in self._answered]
        except sqlite3.Error:
            return []  # the committer meets the same trouble and says so

    def answer(self, request_id: int, accepted: bool, result: str, t: float | None = None) -> None:
        """Answer a request; stored in one transaction with what was written because of it."""
        self._answered.add(request_id)
        self._add([(requests.ANSWER_SQL, (int(accepted), result, t, request_id))])

    # -- committing ---------------------------------------------------------------------------------------------------

    def tick(self) -> None:
        """To be called now and then: shows what is new to readers in this process, and commits when that is due."""
        now = self._monotonic()
        if now >= self._due:
            self.flush()
        elif now >= self._show_due:
            self._show(now)

    def _show(self, now: float) -> None:
        self._show_due = now + self._show_every_s
        self._statuses.show(self._t, self._last)
        self._last = None

    def flush(self, *, force: bool = False) -> bool:
        """Commit what waits. ``force`` tries even while the disk is known to be in trouble. False where it failed."""
        now = self._monotonic()
        self._due = now + self._commit_every_s
        committer = self._committer
        self._show(now)
        self._statuses.hand_over(now)
        if self._states:
            self._statements += [records.state(name, self._t, text) for name, text in self._states.items()]
            self._states.clear()
        stored = committer.commit(force=force)
        if committer.generation != self._generation:
            self._generation = committer.generation
            self._repeat()
            stored = committer.commit(force=True)
        self._intake.committed(stored)
        if stored:
            self._answered.clear()
        return stored

    def _repeat(self) -> None:
        """A new database was begun: put into it what is stored only once, or only when it changes."""
        self._states = dict(self._state_texts)
        self._answered.clear()
        self._statuses.repeat()
        self._statements.append(records.closed(False))
        if self._configuration is not None:
            self._statements.append(self._configuration)
        self._statements += [records.alarm(alarm) for alarm in self._standing.values()]

    def close(self) -> bool:
        """Commit everything and close the database. False where something could not be stored."""
        self._intake.finish()
        self._statements.append(records.closed(True))
        self._committer.urgent = True
        self._statuses.all_due()
        stored = self.flush(force=True)
        self._committer.close()
        withdraw(self.path)
        return stored

    def _add(self, statements: list[Statement], *, urgent: bool = True) -> None:
        self._statements += statements
        if urgent:
            self._committer.urgent = True
            self._due = -1e300

    def _query(self, sql: str, parameters: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        """Rows as stored, after what waits was committed."""
        self.flush(force=True)
        try:
            return self._committer.connection.execute(sql, parameters).fetchall()
        except sqlite3.Error as error:
            raise store_error(error, self.path) from error


@contextmanager
def opened_store(path: Path, config: Config) -> Iterator[Writer]:
    """A store to fill, locked, made or brought up to date, and closed again."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with StoreLock(path):
        ensure_schema(path)
        writer = Writer(path, keep_raw_days=config.file.store.keep_raw / 86400.0)
        try:
            writer.configuration(config.text)
            yield writer
        finally:
            writer.close()
