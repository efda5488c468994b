"""One daemon to a database: locks that the system lifts by itself when the process ends, SIGKILL included.

The name is locked by a side file, so that nobody else begins while the database is made. The file itself is locked by its
inode, so that a link to it or another path does not lead past the lock (:func:`hold`).
"""

from __future__ import annotations

import fcntl
import os
from contextlib import suppress
from pathlib import Path
from types import TracebackType

from daemon.errors import AlreadyRunning, StoreError


class StoreLock:
    """Holds ``NAME.db.lock`` until released. Raises :class:`AlreadyRunning` where another daemon holds it, or works on the
    same database by another name."""

    def __init__(self, path: Path) -> None:
        path = Path(path)
        self.path = path.with_name(path.name + ".lock")
        self._fd: int | None = None
        with suppress(OSError):
            self.path.parent.mkdir(parents=True, exist_ok=True)
        fd = _locked(self.path, os.O_RDWR | os.O_CREAT, path)
        try:
            if path.is_file():
                os.close(hold(path))
            os.ftruncate(fd, 0)
            os.pwrite(fd, f"{os.getpid()}\n".encode(), 0)
        except AlreadyRunning:
            os.close(fd)
            raise
        except (OSError, StoreError):
            pass  # a full disk, a file that may not be read: who opens the database tells it; the name is locked
        self._fd = fd

    def release(self) -> None:
        """Give the database free. May be called twice."""
        if self._fd is not None:
            os.close(self._fd)
            self._fd = None

    def __enter__(self) -> StoreLock:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.release()


def hold(path: Path) -> int:
    """Lock the database file itself; the descriptor holds the lock and must be closed after every connection of this process
    to that file (closing any descriptor of a file lifts SQLite's own locks on it, fcntl(2)).

    Raises :class:`AlreadyRunning` where somebody else writes it, by whatever name.
    """
    return _locked(path, os.O_RDONLY, path)


def watched(path: Path) -> bool | None:
    """Whether a daemon is at work on the database now, as the kernel tells of its locks: one that ended or was stopped is not.
    None where the kernel does not tell. It takes no lock and opens no file of the store, so that it is in nobody's way."""
    if not Path("/proc/locks").is_file():
        return None
    for file in (path.with_name(path.name + ".lock"), path):
        with suppress(OSError, IndexError):
            # The state follows the name in brackets: proc_pid_stat(5).
            if holder := _holder(file.stat()):
                return Path(f"/proc/{holder}/stat").read_text().rpartition(") ")[2][0] not in "TtZX"
    return False


def _locked(file: Path, flags: int, store: Path) -> int:
    try:
        # Closed on exec, so that a child of ours never keeps the lock after we are gone.
        fd = os.open(file, flags | os.O_CLOEXEC, 0o600)
    except OSError as error:
        raise StoreError(f"the file {file} cannot be opened: {error.strerror}") from error
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        holder = _holder(os.fstat(fd))
        os.close(fd)
        raise AlreadyRunning(
            f"another daemon (process {holder or 'unknown'}) already works on {store}; "
            "stop it first (a second shop needs a database of its own)"
        ) from error
    return fd


def _holder(file: os.stat_result) -> str:
    """Which process has the lock, as the kernel tells (proc_locks(5)); "" where it does not."""
    inode = str(file.st_ino)
    with suppress(OSError):
        for line in Path("/proc/locks").read_text().splitlines():
            words = line.split()
            if len(words) > 5 and words[1] == "FLOCK" and words[5].rpartition(":")[2] == inode:
                return words[4]
    return ""
