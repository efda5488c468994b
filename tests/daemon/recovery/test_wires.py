"""What happens to wires and brokers, at the running daemon; ``python -m tests.endurance.wires --times 50`` for longer."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.endurance.wires import broker_abuse, serial_abuse

TIMES = 1


@pytest.mark.long
@pytest.mark.slow
def test_whatever_happens_to_a_serial_line_readings_come_again(tmp_path: Path) -> None:
    assert serial_abuse(tmp_path, TIMES) == []


@pytest.mark.long
@pytest.mark.slow
def test_whatever_happens_to_a_broker_readings_come_again(tmp_path: Path) -> None:
    assert broker_abuse(tmp_path, TIMES) == []
