"""SIGKILL at random moments while 50 frames a second come in. ``python -m tests.endurance.power --kills 200`` for longer."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.endurance.power import SAFE_S, endure

KILLS = 8


@pytest.mark.slow
def test_killed_again_and_again_nothing_that_was_stored_is_lost_and_no_alarm_comes_of_it(tmp_path: Path) -> None:
    report = endure(tmp_path, KILLS, seed=7, longest_s=4.0)
    assert report.problems == [], report.words()
    assert report.kills >= KILLS
    assert report.stored > 500
    assert report.journal > 3
    assert max(report.lost_s, default=0.0) < SAFE_S
