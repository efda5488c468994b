"""Asking the daemon: the dashboard writes a request beside the store, the daemon acts and answers.

| kind | payload |
| --- | --- |
| ``acknowledge``, ``reset``, ``unshelve`` | ``alarm_id`` |
| ``shelve`` | ``alarm_id``, ``until_t`` (event time), ``reason`` |
| ``out_of_service``, ``return_to_service`` | ``condition``, ``where``, ``reason`` |
| ``journal_add`` | ``kind``, ``text``, ``where``, ``t`` (event time; None: now) |
| ``journal_correct`` | ``entry_id`` and what changes: ``kind``, ``text``, ``where``, ``t`` |
| ``journal_remove`` | ``entry_id``, ``reason`` |
| ``pace`` | ``pace``: seconds of a simulated shop's time in a second |
| ``tour`` | ``action``: start (``name``, ``clean``), ready, skip, repeat, back (``step``), finish, cancel |
| ``added_run`` | ``action``: start (``name``), cancel, compare (``way``: entry, spans, baselines, checks; ``entry``,
  ``before``, ``after``), check (``side``), ready, skip, back, keep, leave |
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from fastapi import Request
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field

from daemon.errors import StoreError
from daemon.store import requests
from dashboard.box import box_of
from dashboard.problems import Refused

WAIT_S = 2.0
"""How long an answer is waited for while the viewer watches."""


class AskedOut(BaseModel):
    """What became of a request. ``done`` is false when the daemon has not answered yet; it will act when it can."""

    request_id: int = Field(examples=[41])
    done: bool
    words: str = Field(examples=["Written into the journal."])
    undo: str = Field(default="", examples=["/journal/12/remove"], description="what to ask for to take it back")


def ask(store: Path, kind: str, payload: Mapping[str, Any], done_words: str) -> AskedOut:
    """Ask, wait a little for the answer, and put it in words. Raises :class:`Refused` when the daemon declines (409) or
    the request cannot be written (503)."""
    try:
        request_id = requests.append(store, kind, payload)
        answer = requests.wait_for_answer(store, request_id, WAIT_S)
    except StoreError as error:
        raise Refused(503, f"The request could not be written: {error}.") from error
    if not answer.done:
        return AskedOut(request_id=request_id, done=False, words="Sent. The daemon has not answered yet.")
    if not answer.accepted:
        raise Refused(409, answer.result or "The daemon declined, without a reason.")
    entry = re.fullmatch(r"journal entry (\d+)", answer.result or "")
    undo = f"/journal/{entry[1]}/remove" if entry else ""
    return AskedOut(request_id=request_id, done=True, words=done_words, undo=undo)


def ask_and_answer(request: Request, kind: str, payload: Mapping[str, Any], words: str) -> JSONResponse:
    """Ask the daemon of the box that serves ``request``; what was read of the store is read anew."""
    box = box_of(request)
    asked = ask(box.settings.store, kind, payload, words)
    box.store.forget()
    return answer_of(asked)


def answer_of(asked: AskedOut) -> JSONResponse:
    """200 where it is done, 202 where it is only asked for."""
    return JSONResponse(asked.model_dump(), status_code=200 if asked.done else 202)
