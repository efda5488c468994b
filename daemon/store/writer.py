"""Writer: the one place from which the database is written. It belongs to the pipeline's thread.

Everything is buffered and committed together: after ``commit_every_s`` of real time, after 5,000 frames, or with the next
frame once something of weight (an alarm, a journal entry, an answer) waits. What a crash can cost:

- SIGKILL: what came after the last commit, so at most ``commit_every_s`` and one frame (live: the last second or two);
- power cut: besides that, commits since the last sync: at most ``sync_every_s`` of frames; never an alarm, a journal
  entry or an answer that was committed.

What it writes, as the system counts it (``tests.endurance.power --bytes``): 600 MB in a day of running throughout, 190 MB in a
day at rest, so about 0.2 GB on a maker's ordinary day, 80 GB a year. The card's own amplification comes on top.

Time. A frame is stored under its own time in whole milliseconds. Where that is taken (the clock was set back), it goes to
the next free millisecond: nothing is overwritten and nothing dropped; frames of equal time keep their order of arrival,
and each step back is recorded in ``clock_steps``. Idle time is thinned: while the fan is off (or its state unknown) one
frame a minute is kept, and besides the first and last of each state and each change in what the sensors can tell.
"""

from __future__ import annotations

import hashlib
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from analysis.estimates import Estimate
from analysis.events import ShopEvent
from analysis.readings import Frame
from daemon.alarms.types import Alarm, AlarmState, Transition
from daemon.documents import now_document
from daemon.errors import StoreError
from daemon.notices import Notice
from daemon.store import records, requests
from daemon.store.codec import ALARM_SELECT, alarm_of, from_json, to_json
from daemon.store.committer import MOST_ROWS, Committer, Statement, StoreHealth
from daemon.store.connection import in_words
from daemon.store.intake import Intake
from daemon.store.live import LiveStatus, publish, withdraw
from daemon.store.requests import Request

LONG_STATUS = 2_000
"""A status document of more characters than this is committed more seldom, to spare the card."""
LONG_STATUS_LESS_OFTEN = 6


class Writer:
    """Writes frames and records. The database must exist (:func:`daemon.store.migrate.ensure_schema`).

    ``keep_raw_days`` how long raw frames are kept (:mod:`daemon.store.pruning`); ``commit_every_s`` and ``sync_every_s``
    as told above; ``status_every_s`` how often status documents are committed (long ones more seldom: they are most of
    what is written on a quiet day). Readers in the same process always see them fresh.
    Raises :class:`StoreError` where the database cannot be opened. Later trouble is in :attr:`health`, never raised.
    """

    def __init__(
        self, path: Path, *, keep_raw_days: float = 90.0, commit_every_s: float = 1.0, sync_every_s: float = 30.0,
        status_every_s: float = 10.0, monotonic: Callable[[], float] = time.monotonic,
        wall: Callable[[], float] = time.time,
    ) -> None:
        self.path = Path(path)
        self._monotonic = monotonic
        self._wall = wall
        self._commit_every_s = commit_every_s
        self._status_every_s = status_every_s
        self._committer = Committer(self.path, keep_raw_days, sync_every_s, monotonic)
        self._rows = self._committer.rows
        self._statements = self._committer.statements
        self._due = monotonic() + commit_every_s
        self._status_due = self._long_due = monotonic()
        self._t: float | None = None
        self._last: tuple[Frame, Estimate | None] | None = None
        self._documents: dict[str, object] = {}
        self._shown: dict[str, LiveStatus] = {}
        self._pending_statuses: dict[str, LiveStatus] = {}
        self._own_now = False
        self._soon: set[str] = set()
        self._states: dict[str, str] = {}
        self._state_texts: dict[str, str] = {}
        self._notice_states: dict[tuple[str, str], str] = {}
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
            (last,) = self._committer.connection.execute("SELECT max(id) FROM journal").fetchone()
            self._next_journal = (last or 0) + 1
            self._statements.append(("INSERT OR REPLACE INTO meta(key, value) VALUES ('closed', '0')", ()))
            self._statements += records.end_interrupted_runs(self._committer.connection)
        except sqlite3.Error as error:
            self._committer.close()
            raise StoreError(in_words(error, self.path)) from error

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
        if len(self._rows) >= MOST_ROWS or self._monotonic() >= self._due:
            self.flush()

    # -- records ----------------------------------------------------------------------------------------------------

    def transition(self, transition: Transition) -> None:
        """An alarm moved: its present state, and the step."""
        alarm = transition.alarm
        if alarm.state is AlarmState.NORMAL:
            self._standing.pop(alarm.id, None)
        else:
            self._standing[alarm.id] = alarm
        self._add(records.transition(transition))

    def event(self, event: ShopEvent) -> int:
        """A journal entry; returns its id."""
        entry_id = self._next_journal
        self._next_journal += 1
        self._add(records.event(entry_id, event))
        return entry_id

    def correct_event(self, entry_id: int, event: ShopEvent, t: float) -> bool:
        """Replace a journal entry at ``t``; what it said before is kept. False where there is no such entry."""
        return self._change_event(entry_id, records.correct_event(entry_id, event, t))

    def remove_event(self, entry_id: int, t: float, by: str = "owner") -> bool:
        """Strike a journal entry out at ``t``; it stays in the record as removed. False where there is no such entry."""
        return self._change_event(entry_id, records.remove_event(entry_id, t, by))

    def event_kind(self, entry_id: int) -> str | None:
        """What kind of thing a journal entry says; None where there is no such entry, or the disk is in trouble."""
        try:
            found = self._query("SELECT kind FROM journal WHERE id = ? AND removed = 0", (entry_id,))
        except StoreError:
            return None
        return str(found[0][0]) if found else None

    def _change_event(self, entry_id: int, statements: list[Statement]) -> bool:
        try:
            if not self._query("SELECT 1 FROM journal WHERE id = ? AND removed = 0", (entry_id,)):
                return False
        except StoreError:
            pass  # the disk is in trouble: the change waits in the buffer, and does nothing if there is no such entry
        self._add(statements)
        return True

    def run_started(self, t: float) -> None:
        """A run began."""
        self._add([("INSERT INTO runs(start_t) VALUES (?)", (t,))], urgent=False)

    def run_ended(self, start_t: float, end_t: float, seconds: float | None = None, reason: str = "") -> None:
        """The run that began at ``start_t`` ended; ``seconds`` of running, default all of it."""
        self._add(records.run_ended(start_t, end_t, end_t - start_t if seconds is None else seconds, reason), urgent=False)

    def run(self, began_t: float, ended_t: float | None) -> None:
        """A run began (``ended_t`` None) or ended."""
        if ended_t is None:
            self.run_started(began_t)
        else:
            self.run_ended(began_t, ended_t)

    def notice(self, notice: Notice, outlet: str, state: str) -> None:
        """How far a notice has come on its way through an outlet (``waiting``, ``sent``, ``failed``, ``dropped``, ...)."""
        self._notice_states[notice.id, outlet] = state
        self._add(records.notice(notice, outlet, state, self._t))

    def notice_state(self, notice_id: str, outlet: str) -> str | None:
        """What :meth:`notice` last said, also before a restart; None where the notice is new to that outlet.

        None too where the disk cannot be read: to be told twice is better than not to be told.
        """
        key = (notice_id, outlet)
        if key not in self._notice_states:
            try:
                found = self._query("SELECT state FROM notices WHERE notice_id = ? AND outlet = ?", key)
            except StoreError:
                return None
            if not found:
                return None
            self._notice_states[key] = found[0][0]
        return self._notice_states[key]

    def unsent_notices(self, states: tuple[str, ...] = ("waiting", "failed")) -> list[tuple[Notice, str]]:
        """Notices (with their outlet) that are in one of ``states``, oldest first: what a restart must go on with."""
        marks = ",".join("?" * len(states))
        rows = self._query(f"{records.NOTICE_SELECT} WHERE state IN ({marks}) ORDER BY id", states)
        return [records.notice_of(row) for row in rows]

    def baseline(self, name: str, t: float, document: object) -> None:
        """A baseline tour's outcome; the newest of a name is the one in force."""
        self._add([("INSERT INTO baselines(name, t, document) VALUES (?, ?, ?)", (name, t, to_json(document)))])

    def configuration(self, text: str, t: float | None = None) -> str:
        """The configuration in force (from event time ``t``, where known); returns its SHA-256 as hexadecimal."""
        digest = hashlib.sha256(text.encode()).hexdigest()
        self._configuration = (
            "INSERT INTO configurations(hash, text, first_t, last_t) VALUES (?, ?, ?, ?) ON CONFLICT(hash) DO UPDATE SET "
            "first_t = coalesce(first_t, excluded.first_t), last_t = coalesce(excluded.last_t, last_t)",
            (digest, text, t, t),
        )
        self._add([self._configuration])
        return digest

    # -- documents --------------------------------------------------------------------------------------------------

    def status(self, name: str, document: object, *, soon: bool = False) -> None:
        """The latest of a kind of status ("sources", "detectors", "daemon", ...). ``document`` must not change any more.

        Cheap: it is written out with the next commit. "now" is made from the last frame by itself unless set here.
        ``soon``: somebody waits for it in another process (a tour guided from a terminal), so the very next commit has it.
        """
        if name == "now":
            self._own_now = True
        self._documents[name] = document
        if soon:
            self._soon.add(name)

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

    def requests(self, after_id: int = 0) -> list[Request]:
        """What the dashboard and the command line ask for and is not answered yet."""
        try:
            waiting = requests.take(self._committer.connection, after_id)
            return [request for request in waiting if request.id not in self._answered]
        except sqlite3.Error:
            return []  # the committer meets the same trouble and says so

    def answer(self, request_id: int, accepted: bool, result: str, t: float | None = None) -> None:
        """Answer a request; stored in one transaction with what was written because of it."""
        self._answered.add(request_id)
        self._add([(requests.ANSWER_SQL, (int(accepted), result, t, request_id))])

    # -- committing ---------------------------------------------------------------------------------------------------

    def tick(self) -> None:
        """To be called now and then when no frames come: commits when that is due."""
        if self._monotonic() >= self._due:
            self.flush()

    def flush(self, *, force: bool = False) -> bool:
        """Commit what waits. ``force`` tries even while the disk is known to be in trouble. False where it failed."""
        now = self._monotonic()
        self._due = now + self._commit_every_s
        committer = self._committer
        self._show_statuses(now)
        if self._states:
            self._statements += [
                (
                    "INSERT INTO states(name, t, document) VALUES (?, ?, ?) ON CONFLICT(name) DO UPDATE SET "
                    "t = excluded.t, document = excluded.document", (name, self._t, text),
                )
                for name, text in self._states.items()
            ]
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
        self._pending_statuses = dict(self._shown)
        self._statements.append(("INSERT OR REPLACE INTO meta(key, value) VALUES ('closed', '0')", ()))
        if self._configuration is not None:
            self._statements.append(self._configuration)
        self._statements += [records.alarm(alarm) for alarm in self._standing.values()]

    def _show_statuses(self, now: float) -> None:
        if self._last is not None and not self._own_now:
            frame, estimate = self._last
            self._documents["now"] = now_document(frame, estimate if estimate is not None else Estimate(frame.t))
            self._last = None
        if self._documents:
            wall_t = self._wall()
            fresh = {name: LiveStatus(self._t, wall_t, to_json(document)) for name, document in self._documents.items()}
            self._documents = {}
            publish(self.path, fresh)
            self._shown.update(fresh)
            self._pending_statuses.update(fresh)
        pending = self._pending_statuses
        for name in self._soon & pending.keys():
            self._committer.statuses[name] = pending.pop(name)
        self._soon.clear()
        if now >= self._status_due and pending:
            long_too = now >= self._long_due
            for name in [name for name, status in pending.items() if long_too or len(status.text) <= LONG_STATUS]:
                self._committer.statuses[name] = pending.pop(name)
            self._status_due = now + self._status_every_s
            if long_too:
                self._long_due = now + LONG_STATUS_LESS_OFTEN * self._status_every_s
        elif self._rows and "now" in pending:
            self._committer.statuses["now"] = pending.pop("now")

    def close(self) -> bool:
        """Commit everything and close the database. False where something could not be stored."""
        self._intake.finish()
        self._statements.append(("INSERT OR REPLACE INTO meta(key, value) VALUES ('closed', '1')", ()))
        self._committer.urgent = True
        self._status_due = self._long_due = -1e300
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
            raise StoreError(in_words(error, self.path)) from error
