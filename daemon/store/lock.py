"""One daemon to a database: a lock on a side file, which the system lifts by itself when the process ends."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path
from types import TracebackType

from daemon.errors import AlreadyRunning, StoreError


class StoreLock:
    """Holds ``NAME.db.lock`` until released. Raises :class:`AlreadyRunning` where another daemon holds it.

    The lock is ``flock`` on an open file, so neither a crash nor SIGKILL leaves it behind; the file itself stays.
    """

    def __init__(self, path: Path) -> None:
        self.path = Path(path).with_name(Path(path).name + ".lock")
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            # Closed on exec, so that a child of ours never keeps the lock after we are gone.
            self._fd: int | None = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as error:
            raise StoreError(f"the lock file {self.path} cannot be opened: {error.strerror}") from error
        try:
            fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = os.read(self._fd, 32).decode("ascii", "replace").strip()
            self._close()
            raise AlreadyRunning(
                f"another daemon (process {holder or 'unknown'}) already works on {path}; "
                "stop it first (a second shop needs a database of its own)"
            ) from error
        try:
            os.ftruncate(self._fd, 0)
            os.pwrite(self._fd, f"{os.getpid()}\n".encode(), 0)
        except OSError:
            pass  # a full disk: the lock holds all the same, only its words are missing

    def release(self) -> None:
        """Give the database free. May be called twice."""
        self._close()

    def _close(self) -> None:
        if self._fd is not None:
            os.close(self._fd)
            self._fd = None

    def __enter__(self) -> StoreLock:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.release()
