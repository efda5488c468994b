"""What the store already holds when the daemon starts: event time goes on from there, never back behind it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from daemon.store.reader import Reader


@dataclass(frozen=True, slots=True)
class Past:
    """Event time of the first frame ever stored and of the one stored last, None where there is none.

    ``last_t`` is the last in the order of writing: where the clock was set back, an earlier frame may bear a later time.
    """

    first_t: float | None = None
    last_t: float | None = None


def read_past(path: Path) -> Past:
    """The past of the store at ``path``. Raises :class:`daemon.errors.StoreError` where it cannot be read."""
    reader = Reader(path)
    try:
        written = reader.status_of("now")
        last_t = reader.last_t() if written is None or written.t is None else written.t
        return Past(reader.first_t(), last_t)
    finally:
        reader.close()
