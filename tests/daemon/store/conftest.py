"""A place for a database, and a template of a fresh one so that not every test has to make its own."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from daemon.store.connection import ReadPool
from tests.support.fresh_store import fresh_store


@pytest.fixture
def path(tmp_path: Path, fresh_copy: Callable[[Path], Path]) -> Path:
    """A fresh database."""
    return fresh_copy(tmp_path / "shop.db")


@pytest.fixture(scope="session")
def fresh_copy() -> Callable[[Path], Path]:
    """Puts a fresh database somewhere."""
    return fresh_store


@pytest.fixture(autouse=True)
def every_reader_is_closed(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Closes the connections of every reader that a test made."""
    made: list[ReadPool] = []
    original = ReadPool.__init__

    def noted(self: ReadPool, path: Path) -> None:
        original(self, path)
        made.append(self)

    monkeypatch.setattr(ReadPool, "__init__", noted)
    yield
    for pool in made:
        pool.close()
