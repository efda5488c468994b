"""Asking the running daemon from the command line, and what time it has."""

from __future__ import annotations

import time
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from daemon.store import requests

if TYPE_CHECKING:
    from daemon.store.reader import Reader

WAIT_S = 5.0
FRESH_S = 120.0
"""A daemon that showed itself longer ago than this is taken as not running."""


def ask(path: Path, kind: str, payload: Mapping[str, Any]) -> bool:
    """Ask the daemon of the store at ``path``, wait a little, and say what it answered. False: it declined."""
    number = requests.append(path, kind, payload)
    answer = requests.wait_for_answer(path, number, WAIT_S)
    if not answer.done:
        typer.echo("asked; the daemon has not answered yet (is it running?)")
        return True
    typer.echo(answer.result if answer.accepted else f"declined: {answer.result}", err=not answer.accepted)
    return bool(answer.accepted)


def event_now(reader: Reader) -> float:
    """Event time [s] as the running daemon has it (a rehearsal's runs fast); else the computer's clock."""
    wall = time.time()
    status = reader.status_of("daemon")
    if status is None or not isinstance(status.document, dict) or not 0.0 <= wall - status.wall_t <= FRESH_S:
        return wall
    event_t, pace = status.document.get("event_t"), status.document.get("pace", 1.0)
    if not isinstance(event_t, int | float) or not isinstance(pace, int | float):
        return wall
    return float(event_t + (wall - status.wall_t) * pace)
