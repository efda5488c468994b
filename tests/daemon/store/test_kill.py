"""SIGKILL at any moment: only the last moments are lost, nothing is half written, and the next start goes on.

``python -m tests.bench.store --kills 200`` does the same for longer.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from daemon.store.migrate import ensure_schema
from daemon.store.writer import Writer
from tests.daemon.store.killing import Nursery, kill_once
from tests.daemon.store.making import frame
from tests.daemon.store.test_rollups import check

KILLS = 20


@pytest.mark.long
@pytest.mark.slow
def test_twenty_kills_lose_only_what_was_not_committed_yet(path: Path) -> None:
    rng = random.Random(20)
    commit_every_s = 0.1
    stored = 0
    with Nursery() as nursery:
        for _ in range(KILLS):
            outcome = kill_once(nursery, path, rng, commit_every_s, (0.02, 0.5))
            assert outcome.integrity == "ok"
            assert outcome.half_alarms == 0
            stored += outcome.stored
            # What was sent is committed commit_every_s later, and the commit itself takes a moment.
            assert outcome.oldest_lost_s < 3 * commit_every_s
    assert stored > 500
    report = ensure_schema(path)
    assert report.set_aside is None
    writer = Writer(path)
    newest = writer._intake._newest / 1000
    writer.frame(frame(newest + 3 * 3_600), None)
    writer.close()
    check(path)


@pytest.mark.long
@pytest.mark.slow
def test_with_the_ordinary_settings_nothing_older_than_two_seconds_is_lost(path: Path) -> None:
    with Nursery() as nursery:
        outcome = kill_once(nursery, path, random.Random(3), 1.0, (2.5, 3.0))
    assert outcome.oldest_lost_s < 2.0
    assert outcome.stored > 0
