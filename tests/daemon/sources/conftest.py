"""A device on a pseudo-terminal and a broker of one's own."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.broker import Broker, Certificates
from tests.support.fake_device import FakeDevice


@pytest.fixture
def device(tmp_path: Path) -> Iterator[FakeDevice]:
    """A device that is plugged in."""
    made = FakeDevice(tmp_path / "usb-pressure-node")
    yield made
    made.close()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    """A broker that anybody may use."""
    made = Broker(tmp_path / "broker")
    made.start()
    yield made
    made.stop()


@pytest.fixture(scope="session")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    """An authority for the whole session."""
    return Certificates.make(tmp_path_factory.mktemp("certificates"))
