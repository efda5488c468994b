"""A daemon's writer in a process of its own, killed at a random moment, and the questions asked of what it leaves.

Run by itself (``python -m tests.daemon.store.killing DATABASE LOG COMMIT_EVERY_S``) it writes until it is killed. Each
frame is noted in the log, with one unbuffered write, before the writer gets it: so the log says what was sent, and when.
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


def kill_once(path: Path, rng: random.Random, commit_every_s: float, after_s: tuple[float, float]) -> Outcome:
    """Let the child write to ``path`` for a while, kill it, and look."""
    log = path.with_suffix(".log")
    log.unlink(missing_ok=True)
    child = subprocess.Popen(
        [sys.executable, "-m", __name__ if __name__ != "__main__" else "tests.daemon.store.killing", str(path), str(log),
         str(commit_every_s)], cwd=ROOT,
    )
    try:
        deadline = time.monotonic() + 30
        while not log.exists() and time.monotonic() < deadline:
            time.sleep(0.005)
        time.sleep(rng.uniform(*after_s))
    finally:
        child.send_signal(signal.SIGKILL)
        child.wait(30)
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
    write_until_killed(Path(sys.argv[1]), Path(sys.argv[2]), float(sys.argv[3]))
