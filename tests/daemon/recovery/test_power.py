"""SIGKILL at random moments while 50 frames a second come in, power cuts in the middle of a write, and how much is written.

``python -m tests.endurance.power --kills 200``, ``python -m tests.endurance.power_cut`` and ``python -m tests.endurance.writing``
for longer.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.endurance import power_cut, writing
from tests.endurance.power import SAFE_S, endure

KILLS = 8


@pytest.mark.long
@pytest.mark.slow
def test_killed_again_and_again_nothing_that_was_stored_is_lost_and_no_alarm_comes_of_it(tmp_path: Path) -> None:
    report = endure(tmp_path, KILLS, seed=7, longest_s=4.0)
    assert report.problems == [], report.words()
    assert report.kills >= KILLS
    assert report.stored > 500
    assert report.journal > 3
    assert max(report.lost_s, default=0.0) < SAFE_S


def test_whatever_a_power_cut_leaves_on_the_disk_opens_with_what_was_promised(tmp_path: Path) -> None:
    words, wrong = power_cut.endure(tmp_path, 150)
    assert wrong == [], words


@pytest.mark.long
def test_the_cutting_finds_a_database_that_is_not_safe(tmp_path: Path) -> None:
    # Without the sync after the log's new head a power cut damages the database (ticket ff5be73dee of sqlite.org).
    (tmp_path / "cut").mkdir()
    tape = power_cut.record(tmp_path, 60, 1, head_synced=False)
    states = power_cut.states(tape, 3_000, 1)
    assert any(power_cut.examine(tmp_path / "cut", tape, cut, files) for cut, files in states)


@pytest.mark.long
@pytest.mark.parametrize(("running", "most_mb"), [(True, 230.0), (False, 25.0)])
def test_the_card_is_spared(tmp_path: Path, running: bool, most_mb: float) -> None:
    # Four hours running and twenty at rest then stay at some 50 MB a day.
    found = writing.written_a_day(tmp_path, 0.25, running=running)
    assert found.bytes / 1e6 < most_mb
