"""Journal: its entries are numbered, corrected and struck out here; nothing that was once said in it is lost."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from typing import Any

from analysis.events import ShopEvent
from daemon.errors import StoreError
from daemon.store import records
from daemon.store.committer import Statement

Add = Callable[[list[Statement]], None]
Query = Callable[[str, tuple[Any, ...]], list[tuple[Any, ...]]]


class Journal:
    """The journal of the database behind ``connection``, which is only asked here for the last id.

    ``add`` puts statements into the writer's buffer; ``query`` gives rows as stored, after what waits was committed, and
    raises :class:`StoreError` while the disk is in trouble.
    """

    def __init__(self, connection: sqlite3.Connection, add: Add, query: Query) -> None:
        self._add = add
        self._query = query
        (last,) = connection.execute("SELECT max(id) FROM journal").fetchone()
        self._next_id: int = (last or 0) + 1

    def enter(self, event: ShopEvent) -> int:
        """A new entry; returns its id."""
        entry_id = self._next_id
        self._next_id += 1
        self._add(records.event(entry_id, event))
        return entry_id

    def correct(self, entry_id: int, event: ShopEvent, t: float) -> bool:
        """Replace an entry at ``t``. False where there is no such entry."""
        return self._change(entry_id, records.correct_event(entry_id, event, t))

    def remove(self, entry_id: int, t: float, by: str) -> bool:
        """Strike an entry out at ``t``. False where there is no such entry."""
        return self._change(entry_id, records.remove_event(entry_id, t, by))

    def kind(self, entry_id: int) -> str | None:
        """What kind of thing an entry says; None where there is no such entry, or the disk is in trouble."""
        try:
            found = self._query("SELECT kind FROM journal WHERE id = ? AND removed = 0", (entry_id,))
        except StoreError:
            return None
        return str(found[0][0]) if found else None

    def _change(self, entry_id: int, statements: list[Statement]) -> bool:
        try:
            if not self._query("SELECT 1 FROM journal WHERE id = ? AND removed = 0", (entry_id,)):
                return False
        except StoreError:
            pass  # the disk is in trouble: the change waits in the buffer, and does nothing if there is no such entry
        self._add(statements)
        return True
