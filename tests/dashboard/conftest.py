"""The dashboard in this process, over a real store in a temporary folder."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboard.app import create_app
from dashboard.settings import DashboardSettings
from tests.dashboard.shop import Shop
from tests.dashboard.visitor import Visitor


class Wall:
    """This computer's clock, moved by hand."""

    def __init__(self) -> None:
        self.ahead = 0.0

    def __call__(self) -> float:
        return time.time() + self.ahead


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    """A shop whose fan has run for two minutes."""
    made = Shop(tmp_path / "shop.db")
    made.switch(True)
    made.step(120)
    yield made
    made.close()


@pytest.fixture
def wall() -> Wall:
    """The clock that tells how long the daemon has been silent."""
    return Wall()


@pytest.fixture
def client(shop: Shop, wall: Wall) -> Iterator[Visitor]:
    """A visitor on this computer."""
    with Visitor(create_app(DashboardSettings(shop.path), wall=wall)) as made:
        yield made


@pytest.fixture
def empty(tmp_path: Path, wall: Wall) -> Iterator[Visitor]:
    """A visitor before the daemon ever ran."""
    with Visitor(create_app(DashboardSettings(tmp_path / "none.db"), wall=wall)) as made:
        yield made
