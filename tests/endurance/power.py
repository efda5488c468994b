"""The power goes, again and again: the daemon is killed at random moments while frames come in, and the store is examined.

    python -m tests.endurance.power --kills 200

A device on a pseudo-terminal sends 50 lines a second, each with the event time of a second of its own and with numbers
that no other line has; the daemon rehearses at 50 times real time, so each line makes one frame and the store takes 50 a
second. After each SIGKILL every line sent more than ``SAFE_S`` before it must stand in the store with exactly its numbers,
the database must pass its integrity check, every journal entry that was answered must be there, and alarms and their
steps must agree. The first half runs a healthy shop, in which no alarm may ever come up; in the second the motor is
overloaded: no other alarm may come of it, and each is told once.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import math
import random
import re
import signal
import sqlite3
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from datetime import datetime
from itertools import chain, islice
from pathlib import Path

from daemon.errors import StoreError
from daemon.store import requests
from tests.support.broker import free_port
from tests.support.daemon_process import DaemonProcess, shop_day, shop_file
from tests.support.fake_device import FakeDevice
from tests.support.waiting import eventually

PACE = 50.0
SAFE_S = 2.0
"""What was sent longer ago than this must be stored."""
BUSY_S = 0.2
"""Where the device itself, which does next to nothing, comes later than this to send, the computer has no time to spare
for anybody: the age of what is lost is then not judged, everything else is."""
STARVED_S = 1.0
"""The same holds where a thread of the daemon, ready to run, waited longer than this in its life for a processor."""
BEGAN = re.compile(r"^(\S+ \S+) INFO ductwarden: a rehearsal: event time begins at ([\d.]+) ", re.MULTILINE)
MORE = """
[limits]
idle_run = "1000 h"

[alarm.motor_overload]
on_delay = "60 s"
"""


@dataclass
class Report:
    """What came of it. ``lost_s``: for each kill, the age of the oldest line that was lost, 0 where none was."""

    kills: int = 0
    lines: int = 0
    stored: int = 0
    lost_s: list[float] = field(default_factory=list)
    journal: int = 0
    busy: int = 0
    problems: list[str] = field(default_factory=list)

    def words(self) -> str:
        """In a sentence or two."""
        lost = sorted(self.lost_s) or [0.0]
        return (
            f"{self.kills} kills, {self.lines} lines sent, {self.stored} of them stored, {self.journal} journal entries "
            f"answered; age of the oldest lost line: median {lost[len(lost) // 2]:.2f} s, worst {lost[-1]:.2f} s "
            f"({self.busy} lives not judged for age: the computer was busy); {len(self.problems)} problems"
        )


@dataclass(frozen=True)
class Line:
    """A line that was sent: when by the monotonic clock, the second of event time, its numbers."""

    at: float
    t_ms: int
    values: dict[str, float]


class Device(threading.Thread):
    """Sends one line for each second of event time, in the middle of that second."""

    def __init__(self, wire: FakeDevice, seconds: Iterator[dict[str, float]], event_t: float, at: float) -> None:
        super().__init__(daemon=True)
        self._wire = wire
        self._seconds = seconds
        self._event_t, self._at = event_t, at
        self._over = threading.Event()
        self.sent: list[Line] = []
        self.late: list[tuple[float, float]] = []

    def run(self) -> None:
        tick = math.floor(self._event_t + (time.monotonic() - self._at) * PACE) + 1
        while True:
            due = self._at + (tick + 0.5 - self._event_t) / PACE
            if self._over.wait(max(0.0, due - time.monotonic())):
                return
            self.late.append((time.monotonic(), time.monotonic() - due))
            values = next(self._seconds)
            try:
                self._wire.send(json.dumps({"t": tick + 0.5, **values}).encode() + b"\n", within_s=1.0)
            except AssertionError:
                return  # nobody reads any more
            self.sent.append(Line(time.monotonic(), tick * 1000, values))
            tick += 1

    def end(self) -> list[Line]:
        """Stop; what was sent."""
        self._over.set()
        self.join(5.0)
        return self.sent


class Shop:
    """One shop with its daemon and device, over many lives."""

    def __init__(self, folder: Path, rng: random.Random) -> None:
        self.wire = FakeDevice(folder / "by-id-feed-room")
        source = f'[[source]]\nkind = "serial"\nname = "feed room"\ndevice = "{self.wire.path}"'
        self.port = free_port()
        self.config = shop_file(folder, source, port=self.port, more=MORE)
        text = self.config.read_text()
        self.config.write_text(re.sub(r"^hours = .*$", "", text, flags=re.MULTILINE))
        self.store = folder / "shop.db"
        self.daemon = DaemonProcess(self.config, self.port, PACE)
        self.rng = rng
        self.report = Report()
        self.sent: list[Line] = []
        self.answered: list[str] = []
        self._asked = 0

    def seconds(self, load: float, hours: float) -> Iterator[dict[str, float]]:
        """The shop at work with the planer's gate open, from when the fan runs: idle time is thinned in the store.

        The first second is made at once: it takes so long that the device would begin to send too late.
        """
        day = shop_day(self.config, drag_ratio=1.1, bag_fill=0.05, minutes=hours * 60.0, cutting=False)
        running = ({**second, "motor_a": load * second["motor_a"]} for second in islice(day, 75, None))
        return chain([next(running)], running)

    def life(self, seconds: Iterator[dict[str, float]], lives_s: float, until: Callable[[], object] = lambda: True) -> None:
        """Start the daemon, feed it for ``lives_s`` and ``until`` something holds, kill it; then look."""
        known = len(self.daemon.words()) if self.daemon.log.exists() else 0
        self.daemon.spawn()
        began: re.Match[str] | None = None

        def has_begun() -> bool:
            nonlocal began
            self.daemon.alive()
            began = BEGAN.search(self.daemon.words()[known:])
            return began is not None

        eventually(has_begun, what="event time begins")
        assert began is not None
        ago = time.time() - datetime.strptime(began[1], "%Y-%m-%d %H:%M:%S,%f").timestamp()
        device = Device(self.wire, seconds, float(began[2]), time.monotonic() - ago)
        # Lines before the port is open would wait in the terminal and come late, as from no device.
        eventually(lambda: self.daemon.alive() and "connected to" in self.daemon.words()[known:], what="the port is open")
        waited = starved_s(self.daemon.pid)
        device.start()
        writes = self.rng.random() < 0.5  # an entry is synced at once, and takes what waits with it
        end = time.monotonic() + lives_s
        while time.monotonic() < end:
            time.sleep(min(self.rng.uniform(0.1, 1.0), max(0.0, end - time.monotonic())))
            if writes:
                self._write_journal()
        eventually(until, what="what the life is for")
        killed, starved = time.monotonic(), starved_s(self.daemon.pid) - waited
        self.daemon.end(signal.SIGKILL)
        sent = device.end()
        self.wire.drain()
        self.sent += sent
        self.report.kills += 1
        self.report.lines += len(sent)
        busy = starved > STARVED_S or any(by > BUSY_S for at, by in device.late if at > killed - 2.0 * SAFE_S)
        self._examine(sent, killed, busy)

    def killed_at_start(self) -> None:
        """Killed while it starts, before it has said anything or just after."""
        self.daemon.spawn()
        time.sleep(self.rng.uniform(0.0, 2.0))
        self.daemon.end(signal.SIGKILL)
        self.report.kills += 1
        if self._rows("SELECT name, type FROM sqlite_master WHERE name = 'journal'"):
            self._examine([], time.monotonic())

    def _write_journal(self) -> None:
        """Ask for a journal entry as the dashboard does; what is answered is promised."""
        self._asked += 1
        text = f"note {self._asked}"
        try:
            number = requests.append(self.store, "journal_add", {"kind": "note", "text": text, "where": "", "t": None})
            if requests.wait_for_answer(self.store, number, 1.0).accepted:
                self.answered.append(text)
        except StoreError:
            return  # not made yet

    def _examine(self, sent: list[Line], killed: float, busy: bool = False) -> None:
        report, say = self.report, self.report.problems.append
        with closing(sqlite3.connect(self.store)) as db:
            (verdict,) = db.execute("PRAGMA integrity_check").fetchone()
            if verdict != "ok":
                say(f"kill {report.kills}: integrity: {verdict}")
            lost = [line for line in sent if not stands(db, line)]
            report.stored += len(sent) - len(lost)
            oldest = max((killed - line.at for line in lost), default=0.0)
            report.busy += busy
            if not busy:
                report.lost_s.append(oldest)
            if oldest > SAFE_S and not busy:
                say(f"kill {report.kills}: {len(lost)} of {len(sent)} lines lost, the oldest {oldest:.2f} s old")
            half = db.execute(
                "SELECT count(*) FROM alarms a WHERE a.state <> (SELECT after FROM transitions t WHERE t.alarm_id = a.id "
                "ORDER BY t.id DESC LIMIT 1)"
            ).fetchone()[0]
            if half:
                say(f"kill {report.kills}: {half} alarms do not agree with their last step")
            journal = {text for (text,) in db.execute("SELECT text FROM journal")}
            missing = set(self.answered) - journal
            if missing:
                say(f"kill {report.kills}: journal entries lost that were answered: {sorted(missing)[:5]}")
            report.journal = len(self.answered)

    def examine_all(self) -> None:
        """At the end: every line that was found after its own life must still be there."""
        with closing(sqlite3.connect(self.store)) as db:
            count = sum(stands(db, line) for line in self.sent)
        if count < self.report.stored:
            self.report.problems.append(f"{self.report.stored - count} lines were stored once and are gone")

    def alarms(self) -> list[tuple[str, str]]:
        """Every alarm there ever was: condition and state."""
        return self._rows("SELECT condition, state FROM alarms ORDER BY id")

    def notices(self) -> list[tuple[str, str]]:
        """Every notice there ever was: event and state."""
        return self._rows("SELECT event, state FROM notices ORDER BY id")

    def _rows(self, sql: str) -> list[tuple[str, str]]:
        with closing(sqlite3.connect(self.store)) as db:
            return db.execute(sql).fetchall()


def stands(db: sqlite3.Connection, line: Line) -> bool:
    """Whether the line is in the store with exactly its numbers."""
    row = db.execute("SELECT inlet_pa, filter_pa, motor_a FROM frames WHERE t_ms = ?", (line.t_ms,)).fetchone()
    return row == (line.values["inlet_pa"], line.values["filter_pa"], line.values["motor_a"])


def starved_s(pid: int) -> float:
    """For how long the threads of a process were ready to run and waited, the one that waited longest (Linux)."""
    found = [0.0]
    for task in Path(f"/proc/{pid}/task").iterdir():
        with contextlib.suppress(OSError):
            found.append(int((task / "schedstat").read_text().split()[1]) / 1e9)
    return max(found)


def endure(folder: Path, kills: int, seed: int = 1, longest_s: float = 6.0, say: bool = False) -> Report:
    """Kill the daemon ``kills`` times; the report's ``problems`` are what must not be."""
    rng = random.Random(seed)
    shop = Shop(folder, rng)
    problems = shop.report.problems
    try:
        for phase, load in (("healthy", 1.0), ("overloaded", 1.6)):
            seconds = shop.seconds(load, hours=4.0 + kills * longest_s * PACE / 3600.0)
            if phase == "overloaded":
                shop.life(seconds, 2.0, lambda: shop.alarms() and shop.notices())
                if [c for c, _ in shop.alarms()] != ["motor_overload"]:
                    problems.append(f"the overloaded motor was to be told: {shop.alarms()}")
            while shop.report.kills < (kills // 2 if phase == "healthy" else kills):
                if rng.random() < 0.15:
                    shop.killed_at_start()
                else:
                    shop.life(seconds, rng.uniform(0.2, longest_s))
                if say:
                    print(f"{phase}: {shop.report.words()}", flush=True)
            conditions = {condition for condition, _ in shop.alarms()}
            if shop.report.busy:  # at this pace three seconds without a processor are a wire that is silent for minutes
                conditions.discard("sensor_fault")
            if conditions != (set() if phase == "healthy" else {"motor_overload"}):
                problems.append(f"alarms of the {phase} shop: {shop.alarms()}")
        # A detector that was killed begins anew, so the alarm may go and come again: each coming is told once.
        raised = [event for event, _ in shop.notices() if event == "raised"]
        if len(raised) != len(shop.alarms()):
            problems.append(f"told: {shop.notices()} of {shop.alarms()}")
        shop.examine_all()
    finally:
        shop.daemon.end(signal.SIGKILL)
        shop.wire.close()
    return shop.report


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))  # the daemon is ended with us
    with tempfile.TemporaryDirectory() as name:
        report = endure(Path(name), given.kills, given.seed, say=True)
    print("\n".join(report.problems))
    print(report.words())
    sys.exit(1 if report.problems else 0)


if __name__ == "__main__":
    main()
