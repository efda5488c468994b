"""Nothing that a test run started outlives it: not after a failure, not after Ctrl-C, not after the run itself was killed.

Every run has a mark, which all that it starts inherits in its environment, and a folder for all temporary files. A guardian
(this file as a program, in a session of its own) waits for the run to end in whatever way, then kills what carries the mark,
unmounts what is mounted in the folder and removes it. It reads ``/proc``; the Python it needs is the standard library.
"""

from __future__ import annotations

import os
import secrets
import select
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

MARK = "DUCTWARDEN_TEST_RUN"
STARTED_BY = "PYTEST_CURRENT_TEST"
"""pytest keeps the name of the running test here, so that every process knows who started it."""


@dataclass(frozen=True)
class Left:
    """A process with its command line and the test that started it (empty where no test did)."""

    pid: int
    command: str
    started_by: str


def carrying(mark: str) -> list[Left]:
    """The living processes with this mark, but for this one and its parents."""
    found = []
    above = _self_and_parents()
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            environment = folder.joinpath("environ").read_bytes().decode(errors="replace").split("\0")
            command = folder.joinpath("cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace")
        except OSError:
            continue  # ended meanwhile, or another user's
        pairs = dict(pair.partition("=")[::2] for pair in environment)
        if mark in pairs.get(MARK, "") and int(folder.name) not in above:
            found.append(Left(int(folder.name), command[:160], pairs.get(STARTED_BY, "")))
    return found


def _self_and_parents() -> set[int]:
    pids, pid = set(), os.getpid()
    while pid > 0:
        pids.add(pid)
        try:
            pid = int(Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[1])
        except OSError:
            break
    return pids


class Run:
    """One test run under guard. ``folder`` holds its temporary files."""

    def __init__(self) -> None:
        outer = os.environ.get(MARK, "")
        self.mark = secrets.token_hex(4)
        self.folder = Path(tempfile.mkdtemp(prefix="dwt-"))
        self.folder.chmod(0o755)  # a server that may not run as root must reach its own folder in here
        self._guardian = subprocess.Popen(
            [sys.executable, "-I", "-S", __file__, self.mark, str(self.folder)], stdin=subprocess.PIPE, start_new_session=True
        )
        os.environ[MARK] = f"{outer}/{self.mark}"
        os.environ.pop(STARTED_BY, None)
        os.environ["TMPDIR"] = str(self.folder)
        tempfile.tempdir = None

    def left_by_tests(self, within_s: float = 10.0) -> list[Left]:
        """What tests started and what is still alive after a moment for ending."""
        end = time.monotonic() + within_s
        while (found := [left for left in carrying(self.mark) if left.started_by]) and time.monotonic() < end:
            time.sleep(0.1)
        return found

    def end(self) -> None:
        """Let the guardian do its work now."""
        self._guardian.communicate()


def guard(mark: str, folder: Path) -> None:
    """Wait until the parent is gone or closes the pipe; then clear up."""
    parent = os.getppid()
    while os.getppid() == parent and not select.select([sys.stdin], [], [], 0.5)[0]:
        pass
    for _ in range(20):
        found = carrying(mark)
        for left in found:
            try:
                os.kill(left.pid, signal.SIGKILL)
            except ProcessLookupError:
                continue
        if not found:
            break
        time.sleep(0.1)
    for line in Path("/proc/mounts").read_text().splitlines():
        if line.split()[1].startswith(f"{folder}/"):
            subprocess.run(["umount", "-l", line.split()[1]], check=False)
    for _ in range(20):  # what was killed a moment ago may still have written while this went through the folder
        shutil.rmtree(folder, ignore_errors=True)
        if not folder.exists():
            break
        time.sleep(0.1)


if __name__ == "__main__":
    guard(sys.argv[1], Path(sys.argv[2]))
