"""The newest status documents, handed to readers in the same process without a trip over the disk.

The writer commits status documents seldom, to spare the SD card. The dashboard that runs inside the daemon reads them
here, fresh; a program of its own finds in the database what was committed last.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class LiveStatus:
    """One document as JSON text: its event time, and the computer's clock when it was published."""

    t: float | None
    wall_t: float
    text: str


_LOCK = threading.Lock()
_BOARDS: dict[Path, dict[str, LiveStatus]] = {}


def publish(path: Path, statuses: dict[str, LiveStatus]) -> None:
    """Show ``statuses`` (name -> document) to readers of the database at ``path``."""
    with _LOCK:
        _BOARDS.setdefault(path.resolve(), {}).update(statuses)


def withdraw(path: Path) -> None:
    """The writer of ``path`` has ended: readers go by the database again."""
    with _LOCK:
        _BOARDS.pop(path.resolve(), None)


def board(path: Path) -> dict[str, LiveStatus]:
    """What a writer in this process shows for ``path``; empty where none runs here."""
    with _LOCK:
        return dict(_BOARDS.get(path, ()))
