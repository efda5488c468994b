"""A few weeks at full speed; ``python -m tests.endurance.year`` for a whole year."""

from __future__ import annotations

import subprocess
import sys

import pytest

DAYS = 16


@pytest.mark.long
@pytest.mark.slow
def test_memory_and_files_stay_and_the_hours_of_the_store_equal_a_recomputation() -> None:
    # In a process of its own: what other tests left in memory is not to be measured. It fails on more than 5 MiB.
    ran = subprocess.run(
        [sys.executable, "-m", "tests.endurance.year", "--days", str(DAYS), "--idle-step", "60", "--month", "5"],
        capture_output=True, text=True, timeout=300,
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr[-2000:]
    last = ran.stdout.splitlines()[-1]
    assert last.startswith(f"{DAYS} days: ")
    assert " hours compared, 0 differ;" in last
