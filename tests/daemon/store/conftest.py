"""A place for a database, and a template of a fresh one so that not every test has to make its own."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from daemon.store.connection import ReadPool
from daemon.store.migrate import ensure_schema


@pytest.fixture
def path(tmp_path: Path, fresh_copy: Callable[[Path], Path]) -> Path:
    """A fresh database."""
    return fresh_copy(tmp_path / "shop.db")


@pytest.fixture(scope="session")
def fresh_copy(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Path], Path]:
    """Puts a fresh database somewhere."""
    template = tmp_path_factory.mktemp("template") / "fresh.db"
    ensure_schema(template, here=True)

    def copy(target: Path) -> Path:
        shutil.copyfile(template, target)
        return target

    return copy


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
