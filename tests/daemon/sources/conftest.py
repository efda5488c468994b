"""A device on a pseudo-terminal and a broker of one's own."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.fake_device import FakeDevice


@pytest.fixture
def device(tmp_path: Path) -> Iterator[FakeDevice]:
    """A device that is plugged in."""
    made = FakeDevice(tmp_path / "usb-pressure-node")
    yield made
    made.close()
