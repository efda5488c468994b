"""One daemon to a database."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from daemon.errors import AlreadyRunning, StoreError
from daemon.store.lock import StoreLock

HOLDER = (
    "import sys, time; from pathlib import Path; from daemon.store.lock import StoreLock;"
    "lock = StoreLock(Path(sys.argv[1])); print('held', flush=True); time.sleep(60)"
)


def test_a_second_daemon_is_told_who_has_it(tmp_path: Path) -> None:
    path = tmp_path / "shop.db"
    other = subprocess.Popen([sys.executable, "-c", HOLDER, str(path)], stdout=subprocess.PIPE, text=True)
    try:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        with pytest.raises(AlreadyRunning, match=f"process {other.pid}") as caught:
            StoreLock(path)
        assert caught.value.exit_code == 5
    finally:
        other.send_signal(signal.SIGKILL)
        other.wait(10)
        assert other.stdout is not None
        other.stdout.close()
    # Even SIGKILL leaves no lock behind.
    StoreLock(path).release()


def test_within_one_process_too(tmp_path: Path) -> None:
    with StoreLock(tmp_path / "shop.db") as lock:
        with pytest.raises(AlreadyRunning):
            StoreLock(tmp_path / "shop.db")
        StoreLock(tmp_path / "another.db").release()
        lock.release()
        lock.release()
        StoreLock(tmp_path / "shop.db").release()


def test_a_lock_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "shop.db.lock").mkdir()
    with pytest.raises(StoreError, match="cannot be opened"):
        StoreLock(tmp_path / "shop.db")
