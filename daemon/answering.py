"""What the dashboard and the command line ask for, done and answered. The table of kinds is in :data:`ANSWERS`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from analysis.conditions import Condition
from analysis.events import EventKind, ShopEvent
from daemon.alarms.machine import AlarmError
from daemon.alarms.types import Transition
from daemon.comparing.desk import AddedRunDesk
from daemon.errors import AddedRunDeclined, StoreError
from daemon.logs import escaped
from daemon.pipeline import Pipeline
from daemon.store.requests import Request
from daemon.store.writer import Writer
from daemon.touring import TourDeclined, TourDesk
from daemon.wording import STATE_WORDS, headline

Payload = Mapping[str, Any]
LONG_AGO_S, AHEAD_S = 10 * 366 * 86400.0, 600.0
"""How far from now a journal entry may lie; a browser's clock may be some minutes ahead."""

FASTEST = 1000.0
"""Times real time that a simulated shop may be run."""


class Declined(Exception):
    """What was asked for cannot be done; the text says why."""


class Answerer:
    """Takes requests from the store, acts on the pipeline, and writes each answer beside its request."""

    def __init__(
        self, pipeline: Pipeline, writer: Writer, tours: TourDesk | None = None, added: AddedRunDesk | None = None,
        set_pace: Callable[[float], None] | None = None,
    ) -> None:
        self._pipeline = pipeline
        self._writer = writer
        self._tours = tours
        self._added = added
        self._set_pace = set_pace

    def answer_all(self, t: float) -> int:
        """Answer what waits, at event time ``t``; returns how many were answered."""
        waiting = self._writer.requests()
        for request in waiting:
            try:
                words, accepted = self._act(request, t), True
            except (Declined, TourDeclined, AddedRunDeclined, AlarmError, StoreError) as error:
                words, accepted = str(error), False
            self._writer.answer(request.id, accepted, words, t)
        if waiting:
            self._writer.flush()
        return len(waiting)

    def _act(self, request: Request, t: float) -> str:
        answer = ANSWERS.get(request.kind)
        if answer is None:
            raise Declined(f"nothing is known about requests of the kind {request.kind!r}")
        try:
            return answer(self, request.payload, t, request.by)
        except (TourDeclined, AddedRunDeclined):
            raise
        except (KeyError, TypeError, ValueError) as error:
            raise Declined(f"the request is not complete: {error}") from error

    def _move(self, transition: Transition) -> str:
        self._pipeline.moved([transition])
        return f"{headline(transition.alarm)}: {STATE_WORDS[transition.after]}"

    def _acknowledge(self, payload: Payload, t: float, by: str) -> str:
        return self._move(self._pipeline.desk.acknowledge(int(payload["alarm_id"]), t, by))

    def _reset(self, payload: Payload, t: float, by: str) -> str:
        return self._move(self._pipeline.desk.reset(int(payload["alarm_id"]), t, by))

    def _shelve(self, payload: Payload, t: float, by: str) -> str:
        until, reason = float(payload["until_t"]), str(payload.get("reason") or "")
        return self._move(self._pipeline.desk.shelve(int(payload["alarm_id"]), t, until, by, reason))

    def _unshelve(self, payload: Payload, t: float, by: str) -> str:
        return self._move(self._pipeline.desk.unshelve(int(payload["alarm_id"]), t, by))

    def _out_of_service(self, payload: Payload, t: float, by: str) -> str:
        condition, where = Condition(payload["condition"]), str(payload.get("where") or "")
        reason = str(payload.get("reason") or "")
        self._pipeline.moved(self._pipeline.desk.out_of_service(condition, where, t, by, reason))
        return f"{_named(condition, where)} is out of service"

    def _return_to_service(self, payload: Payload, t: float, by: str) -> str:
        condition, where = Condition(payload["condition"]), str(payload.get("where") or "")
        self._pipeline.moved(self._pipeline.desk.return_to_service(condition, where, t, by))
        return f"{_named(condition, where)} is in service"

    def _journal_add(self, payload: Payload, t: float, by: str) -> str:
        event = _event(payload, t, by)
        entry_id = self._writer.event(event)
        self._pipeline.happened(event)
        return f"journal entry {entry_id}"

    def _journal_correct(self, payload: Payload, t: float, by: str) -> str:
        entry_id, event = int(payload["entry_id"]), _event(payload, t, by)
        before = self._writer.event_kind(entry_id)
        if not self._writer.correct_event(entry_id, event, t):
            raise Declined(f"there is no journal entry {entry_id}")
        if before is not None and before != event.kind.value:
            self._pipeline.happened(event)  # what it really was is learned from
        return f"journal entry {entry_id} corrected"

    def _journal_remove(self, payload: Payload, t: float, by: str) -> str:
        entry_id = int(payload["entry_id"])
        if not self._writer.remove_event(entry_id, t, by):
            raise Declined(f"there is no journal entry {entry_id}")
        return f"journal entry {entry_id} removed"

    def _tour(self, payload: Payload, t: float, by: str) -> str:
        if self._tours is None:
            raise Declined("no tour can be made here")
        return self._tours.ask(payload, t, by)

    def _added_run(self, payload: Payload, t: float, by: str) -> str:
        if self._added is None:
            raise Declined("no added run can be checked here")
        return self._added.ask(payload, t, by)


    def _pace(self, payload: Payload, t: float, by: str) -> str:
        if self._set_pace is None:
            raise Declined("only a simulated shop can be run faster or slower")
        pace = float(payload["pace"])
        if not 1.0 <= pace <= FASTEST:
            raise Declined(f"the pace is {pace:g}; allowed: 1 to {FASTEST:g}")
        self._set_pace(pace)
        return f"time passes {pace:g} times as fast as real time"


ANSWERS: dict[str, Callable[[Answerer, Payload, float, str], str]] = {
    "acknowledge": Answerer._acknowledge,
    "reset": Answerer._reset,
    "shelve": Answerer._shelve,
    "unshelve": Answerer._unshelve,
    "out_of_service": Answerer._out_of_service,
    "return_to_service": Answerer._return_to_service,
    "journal_add": Answerer._journal_add,
    "journal_correct": Answerer._journal_correct,
    "journal_remove": Answerer._journal_remove,
    "tour": Answerer._tour,
    "added_run": Answerer._added_run,
    "pace": Answerer._pace,
}
"""Kind of request -> what is done. Payloads are described in ``dashboard/asking.py`` and ``daemon/cli/journal.py``."""


def _event(payload: Payload, t: float, by: str) -> ShopEvent:
    at = t if payload.get("t") is None else float(payload["t"])
    if not t - LONG_AGO_S <= at <= t + AHEAD_S:
        raise Declined("the time of a journal entry lies in the past, at most ten years back")
    return ShopEvent(
        t=at,
        kind=EventKind(payload["kind"]),
        by=by,
        text=escaped(str(payload.get("text") or "")),
        where=escaped(str(payload.get("where") or "")),
    )


def _named(condition: Condition, where: str) -> str:
    return f"{condition} at {where}" if where else str(condition)
