"""One daemon to a database, by whatever name."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from daemon.errors import AlreadyRunning, StoreError
from daemon.store.lock import StoreLock, watched
from daemon.store.writer import Writer
from tests.daemon.store.making import NINE, estimate, frame
from tests.support.fresh_store import fresh_store

HOLDER = (
    "import sys, time; from pathlib import Path; from daemon.store.lock import StoreLock, hold; path = Path(sys.argv[1]);"
    "lock = StoreLock(path); file = hold(path); print('held', flush=True); time.sleep(60)"
)


@pytest.mark.parametrize("other_name", ["shop.db", "a symbolic link", "a hard link", "the side file was removed"])
def test_a_second_daemon_is_told_who_has_it(path: Path, other_name: str) -> None:
    name = path
    if other_name.endswith("link"):
        name = path.parent / "elsewhere" / "second.db"
        name.parent.mkdir()
        (name.symlink_to if other_name.startswith("a symbolic") else name.hardlink_to)(path)
    other = subprocess.Popen([sys.executable, "-c", HOLDER, str(path)], stdout=subprocess.PIPE, text=True)
    try:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        if other_name == "the side file was removed":
            (path.parent / "shop.db.lock").unlink()
        with pytest.raises(AlreadyRunning, match=f"process {other.pid}") as caught:
            StoreLock(name)
        assert caught.value.exit_code == 5
        with pytest.raises(AlreadyRunning, match=f"process {other.pid}"):
            Writer(name)
        assert watched(path) is True
        other.send_signal(signal.SIGSTOP)
        os.waitpid(other.pid, os.WUNTRACED)
        assert watched(path) is False, "a stopped process watches nothing"
    finally:
        other.send_signal(signal.SIGKILL)
        other.wait(90)
        assert other.stdout is not None
        other.stdout.close()
    assert watched(path) is False
    # Even SIGKILL leaves no lock behind.
    StoreLock(name).release()


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


def test_a_writer_whose_files_were_taken_stays_off_the_database_of_another(path: Path) -> None:
    writer = Writer(path)
    for name in path.parent.glob("shop.db*"):
        name.unlink()

    fresh_store(path)
    other = subprocess.Popen([sys.executable, "-c", HOLDER, str(path)], stdout=subprocess.PIPE, text=True)
    try:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        writer.frame(frame(NINE, motor_a=9.0), estimate(NINE))
        assert not writer.flush(force=True)
        assert f"process {other.pid}" in writer.health.words
    finally:
        other.kill()
        other.wait(90)
        assert other.stdout is not None
        other.stdout.close()
    assert writer.flush(force=True)
    assert writer.close()
    assert os.path.getsize(path) > 0
