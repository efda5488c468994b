"""What the store costs: time and bytes a frame, a year on disk, trends, wear of the card, and what a kill loses.

    python -m tests.bench.store [--days 365] [--keep-raw-days 90] [--kills 20] [--only year|wear|kills]

The year is 3,290 seconds of running a day in four to seven runs, an estimate with every frame, and one idle frame a minute
(what thinning leaves of one a second). Times are processor time of this process, SQLite included; the frames are made
beforehand. Wear is what the process hands to the system (``wchar``) on a day at one frame a second with the daemon's own
rhythm of status documents and snapshots; the card's own amplification comes on top.
"""

from __future__ import annotations

import argparse
import random
import sqlite3
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from analysis.readings import Frame, RunState
from daemon.store.migrate import ensure_schema
from daemon.store.reader import Reader
from daemon.store.writer import Writer
from tests.daemon.store.killing import Nursery, kill_once
from tests.daemon.store.making import NINE, estimate

RUNNING_S = 3_290
SERIES = ["inlet_pa", "filter_pa", "motor_a", "flow_m3s", "drag_ratio"]


def runs_of_day(rng: random.Random) -> list[tuple[int, int]]:
    """Beginning and length of each run, seconds after nine."""
    count = rng.randrange(4, 8)
    cuts = sorted(rng.sample(range(60, RUNNING_S - 60), count - 1))
    lengths = [b - a for a, b in zip([0, *cuts], [*cuts, RUNNING_S], strict=True)]
    starts = sorted(rng.sample(range(0, 8 * 3_600, 3_600), count))
    return list(zip(starts, lengths, strict=True))


def values(rng: random.Random) -> dict[str, float]:
    """Three channels with the noise of real sensors."""
    return {"inlet_pa": -2100 + rng.gauss(0, 30), "filter_pa": 310 + rng.gauss(0, 8), "motor_a": 9.4 + rng.gauss(0, 0.1)}


def a_day(day: int, rng: random.Random) -> Iterator[tuple[Frame, object, bool]]:
    """Frames and estimates of one day in order; the flag says whether the fan runs."""
    start = NINE - 9 * 3_600 + day * 86_400
    runs = {9 * 3_600 + at: length for at, length in runs_of_day(rng)}
    k = 0
    while k < 86_400:
        length = runs.get(k, 0)
        for second in range(length):
            t = start + k + second
            yield Frame(t, values(rng), {}, None, RunState.RUNNING, float(second)), estimate(t, rng), True
        k += length
        if k % 60 == 0 and not length:
            yield Frame(start + k, {"inlet_pa": rng.gauss(0, 2), "filter_pa": rng.gauss(0, 1), "motor_a": 0.0}, {}, None,
                        RunState.OFF), None, False
        k = k if length else k + 1


def year(days: int, keep_raw_days: float) -> None:
    """Write a year, and read it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "year.db"
        ensure_schema(path, here=True)
        rng = random.Random(365)
        writer = Writer(path, keep_raw_days=keep_raw_days)
        running = idle = 0
        spent = 0.0
        for day in range(days):
            frames = list(a_day(day, rng))
            began = time.process_time()
            for frame, found, _ in frames:
                writer.frame(frame, found)  # type: ignore[arg-type]
            spent += time.process_time() - began
            running += sum(flag for *_, flag in frames)
            idle += sum(not flag for *_, flag in frames)
        began = time.process_time()
        writer.close()
        spent += time.process_time() - began
        size = path.stat().st_size
        print(f"{days} days: {running:,} running frames and {idle:,} idle ones in {spent:.1f} s: "
              f"{spent / (running + idle) * 1e6:.1f} us a frame, roll-ups and SQLite included")
        with closing(sqlite3.connect(path)) as db:
            counts = {table: db.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
                      for table in ("frames", "minutes", "hours")}
            began = time.perf_counter()
            db.execute("PRAGMA quick_check").fetchone()
            checked = time.perf_counter() - began
        print(f"on disk {size / 1e6:.1f} MB with raw frames of {keep_raw_days:g} days: {size / running:.0f} bytes for each "
              f"running frame of the time; rows {counts}; page check {checked:.2f} s")
        trends(path, days)


def trends(path: Path, days: int) -> None:
    """Five series over several spans."""
    with closing(sqlite3.connect(path)) as db:
        end = db.execute("SELECT max(t_ms) / 1000.0 FROM frames WHERE state = 1").fetchone()[0]
    reader = Reader(path)
    for words, span in (("an hour", 3_600), ("a day", 86_400), ("a week", 7 * 86_400), ("a month", 30 * 86_400),
                        ("all", days * 86_400)):
        best, found = 1e9, None
        start = end - span
        for _ in range(7):
            began = time.process_time()
            found = reader.trend(SERIES, start, end, 1_000)
            best = min(best, time.process_time() - began)
        assert found is not None
        print(f"trend of 5 series over {words}: {best * 1000:.1f} ms, {len(found.t)} points from {found.resolution}")
    reader.close()


def written() -> int:
    """Bytes that this process has handed to the system."""
    for line in Path("/proc/self/io").read_text().splitlines():
        if line.startswith("wchar"):
            return int(line.split()[1])
    raise OSError("the system does not tell what was written")


class Hand:
    """A clock moved by hand."""

    t = 0.0

    def __call__(self) -> float:
        return self.t


def wear() -> None:
    """One day at one frame a second, commits by a clock that runs as fast as the day is made."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "day.db"
        ensure_schema(path, here=True)
        rng = random.Random(1)
        hand = Hand()
        writer = Writer(path, monotonic=hand)
        runs = {9 * 3_600 + at + k for at, length in runs_of_day(rng) for k in range(length)}
        start = NINE - 9 * 3_600
        claims = [
            {"condition": f"condition {n}", "evidence": {"drag_ratio": rng.random()}, "words": "x" * 350} for n in range(13)
        ]
        bytes_of, seconds_of, was = {True: 0, False: 0}, {True: 0, False: 0}, written()
        for k in range(86_400):
            hand.t += 1.0
            on = k in runs
            t = start + k
            if on:
                writer.frame(Frame(t, values(rng), {}, None, RunState.RUNNING), estimate(t, rng))
            else:
                idle = {"inlet_pa": rng.gauss(0, 2), "filter_pa": rng.gauss(0, 1), "motor_a": 0.0}
                writer.frame(Frame(t, idle, {}, None, RunState.OFF), None)
            if k % 2 == 0:
                writer.status("detectors", [claim | {"t": t} for claim in claims])
                writer.status("sources", [{"name": "unit", "samples": k, "last_t": t}])
                writer.status("daemon", {"event_t": t, "frames": k, "memory_bytes": 7e7, "counters": {"commits": k}})
            if k % 30 == 0:
                learned = t if on else 0.0  # nothing is learned while the fan is off
                writer.state("estimator", {"t": learned, "numbers": [learned] * 400})
                for n in range(13):
                    writer.state(f"detector {n}", {"t": learned, "numbers": [learned] * 60})
            total = written()
            bytes_of[on] += total - was
            was = total
            seconds_of[on] += 1
        writer.close()
        print(f"a day: {sum(bytes_of.values()) / 1e6:.0f} MB written in {writer.health.commits:,} commits: "
              f"{bytes_of[True] / seconds_of[True] / 1000:.1f} kB for a running second, "
              f"{bytes_of[False] / seconds_of[False] / 1000:.2f} kB for an idle one")


def kills(count: int) -> None:
    """Kill a writer ``count`` times."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "killed.db"
        ensure_schema(path, here=True)
        rng = random.Random(200)
        with Nursery() as nursery:
            outcomes = [kill_once(nursery, path, rng, 0.25, (0.05, 0.9)) for _ in range(count)]
        print(f"{count} kills, commits every 0.25 s: {sum(o.sent for o in outcomes):,} frames sent, "
              f"{sum(o.lost for o in outcomes):,} lost, the oldest {max(o.oldest_lost_s for o in outcomes):.2f} s old; "
              f"damaged {sum(o.integrity != 'ok' for o in outcomes)}, half-written alarms {sum(o.half_alarms for o in outcomes)}")


def main() -> None:
    """Run what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--keep-raw-days", type=float, default=90.0)
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--only", choices=("year", "wear", "kills"))
    asked = parser.parse_args()
    if asked.only in (None, "year"):
        year(asked.days, asked.keep_raw_days)
    if asked.only in (None, "wear"):
        wear()
    if asked.only in (None, "kills"):
        kills(asked.kills)


if __name__ == "__main__":
    main()
