"""A daemon's writer in a process of its own, killed at a random moment, and the questions asked of what it leaves.

Each frame is noted in a log, with one unbuffered write, before the writer gets it: so the log says what was sent, and when.
The writers are forked from one process that has loaded everything already (``python -m tests.daemon.store.killing``).
"""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from daemon.alarms.types import AlarmState
from daemon.store.migrate import ensure_schema
from daemon.store.writer import Writer
from tests.daemon.store.making import estimate, frame, step
from tests.support.waiting import GENEROUS_S

ROOT = Path(__file__).resolve().parents[3]


@dataclass(frozen=True)
class Outcome:
    """After one kill: frames sent, stored, and the age in seconds (by the writer's clock) of the oldest one lost."""

    sent: int
    stored: int
    lost: int
    oldest_lost_s: float
    integrity: str
    half_alarms: int


def write_until_killed(path: Path, log: Path, commit_every_s: float) -> None:
    """The child."""
    ensure_schema(path)
    writer = Writer(path, commit_every_s=commit_every_s)
    alarm_id = writer.last_alarm_id()
    fd = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    last = 0
    while True:
        t_ms = max(last + 1, round(time.time() * 1000))
        last = t_ms
        os.write(fd, f"{t_ms} {time.monotonic()}\n".encode())
        writer.frame(frame(t_ms / 1000.0), estimate(t_ms / 1000.0))
        if t_ms % 11 == 0:
            alarm_id += 1
            writer.transition(step(alarm_id, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, t_ms / 1000.0))
            writer.transition(step(alarm_id, AlarmState.UNACKNOWLEDGED, AlarmState.NORMAL, t_ms / 1000.0))
        if t_ms % 7 == 0:
            writer.state("estimator", {"t": t_ms, "list": list(range(500))})
        time.sleep(0.002)


class Nursery:
    """The process that the writers are forked from."""

    def __enter__(self) -> Nursery:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.daemon.store.killing"], cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            text=True,
        )
        return self

    def start(self, path: Path, log: Path, commit_every_s: float) -> int:
        """Start a writer; returns its process id."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(f"{path}\t{log}\t{commit_every_s}\n")
        self._process.stdin.flush()
        return int(self._process.stdout.readline())

    def gone(self) -> None:
        """Wait until the writer that was started last has ended."""
        assert self._process.stdout is not None
        assert self._process.stdout.readline() == "gone\n"

    def __exit__(self, *_: object) -> None:
        self._process.communicate(timeout=90)


def nurse() -> None:
    """The nursery's own loop: a line in is a writer to start."""
    for line in sys.stdin:
        path, log, commit_every_s = line.rstrip("\n").split("\t")
        child = os.fork()
        if child == 0:
            try:
                write_until_killed(Path(path), Path(log), float(commit_every_s))
            finally:
                os._exit(1)
        print(child, flush=True)
        os.waitpid(child, 0)
        print("gone", flush=True)


def kill_once(
    nursery: Nursery, path: Path, rng: random.Random, commit_every_s: float, after_s: tuple[float, float]
) -> Outcome:
    """Let a writer write to ``path`` for a while, kill it, and look."""
    log = path.with_suffix(".log")
    log.unlink(missing_ok=True)
    child = nursery.start(path, log, commit_every_s)
    try:
        deadline = time.monotonic() + GENEROUS_S
        while not log.exists() and time.monotonic() < deadline:
            time.sleep(0.005)
        time.sleep(rng.uniform(*after_s))
    finally:
        os.kill(child, signal.SIGKILL)
        nursery.gone()
    sent = [line.split() for line in log.read_text().splitlines() if line.count(" ") == 1]
    with closing(sqlite3.connect(path)) as db:
        kept = {t_ms for (t_ms,) in db.execute("SELECT t_ms FROM frames WHERE t_ms >= ?", (int(sent[0][0]),))}
        integrity = db.execute("PRAGMA integrity_check").fetchone()[0]
        # An alarm's present state and its last step are stored in one transaction or not at all.
        half = db.execute(
            "SELECT count(*) FROM alarms a WHERE a.state <> (SELECT after FROM transitions t WHERE t.alarm_id = a.id "
            "ORDER BY t.id DESC LIMIT 1)"
        ).fetchone()[0]
        half += db.execute("SELECT count(*) FROM transitions WHERE alarm_id NOT IN (SELECT id FROM alarms)").fetchone()[0]
    end = float(sent[-1][1])
    lost = [float(at) for t_ms, at in sent if int(t_ms) not in kept]
    return Outcome(len(sent), len(kept), len(lost), end - lost[0] if lost else 0.0, integrity, half)


if __name__ == "__main__":
    nurse()
