"""A year in the shop at full speed, through the pipeline and the store of the daemon.

    python -m tests.endurance.year --days 365

The plant model makes the readings of a maker's working days, one a second while the fan runs; cleaning and emptying, which he
does at stops, he enters in the journal (a fall of the drag that nobody explains is told as a loose bag after a day). Watched:
memory and open files after the first weeks, the size of the store, the alarms that come up, and the hours of the store against
sums that are kept here while the frames pass.
"""

from __future__ import annotations

import argparse
import gc
import os
import sqlite3
import sys
import tempfile
import time
from array import array
from collections import Counter, deque
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

from analysis.estimates import Estimate
from analysis.events import EventKind, ShopEvent
from analysis.findings import Finding
from analysis.plant.asbuilt import as_built
from analysis.plant.convert import from_design
from analysis.plant.day import work
from analysis.plant.simulate import simulate
from analysis.readings import Frame, RunState
from daemon.alarms.types import AlarmState, Transition
from daemon.config.config import Config
from daemon.config.load import load
from daemon.memory import remember
from daemon.pipeline import Pipeline
from daemon.sources.contract import Sample
from daemon.store.migrate import ensure_schema
from daemon.store.writer import Writer
from daemon.telling import Teller
from daemon.wiring import build_pipeline
from tests.support.daemon_process import BARN, CHANNELS

BEGAN = 1_767_571_200.0
"""5 January 2026, 00:00 UTC, a Monday."""
DAY_S = 86_400.0
LOT = 600


class Hours:
    """Sums of two series over the running frames of each hour, kept beside the store; memory is taken once for all."""

    SERIES = ("inlet_pa", "flow_m3s")

    def __init__(self, days: int) -> None:
        hours = 24 * (days + 2)
        self.n = array("q", [0]) * hours
        self.count = {name: array("q", [0]) * hours for name in self.SERIES}
        self.sum = {name: array("d", [0.0]) * hours for name in self.SERIES}
        self.low = {name: array("d", [1e300]) * hours for name in self.SERIES}
        self.high = {name: array("d", [-1e300]) * hours for name in self.SERIES}
        self.raised: Counter[str] = Counter()
        self.frames = 0

    def frame(self, frame: Frame, estimate: Estimate) -> None:
        self.frames += 1
        if frame.state is not RunState.RUNNING:
            return
        at = int((frame.t - BEGAN) // 3600.0)
        self.n[at] += 1
        for name, value in (("inlet_pa", frame.inlet_pa), ("flow_m3s", estimate.flow_m3s)):
            if value is not None:
                self.count[name][at] += 1
                self.sum[name][at] += value
                self.low[name][at] = min(self.low[name][at], value)
                self.high[name][at] = max(self.high[name][at], value)

    def transition(self, transition: Transition) -> None:
        if transition.before is AlarmState.NORMAL:
            self.raised[transition.alarm.condition.value] += 1

    def run(self, began_t: float, ended_t: float | None) -> None: ...
    def finding(self, finding: Finding, raised: bool) -> None: ...
    def event(self, event: ShopEvent) -> None: ...

    def differences(self, store: Path) -> tuple[int, list[str]]:
        """Hours compared, and what differs (the last hour is still open)."""
        wrong: list[str] = []
        columns = ",".join(f"{s}_n,{s}_mean,{s}_min,{s}_max" for s in self.SERIES)
        with closing(sqlite3.connect(store)) as db:
            rows = {row[0]: row[1:] for row in db.execute(f"SELECT t_ms, n, {columns} FROM hours")}
        last = max((at for at, n in enumerate(self.n) if n), default=0)
        compared = 0
        for at, n in enumerate(self.n[:last]):
            row = rows.get(int((BEGAN + at * 3600.0) * 1000))
            if n == 0:
                if row is not None and row[0]:
                    wrong.append(f"hour {at}: stored {row[0]} frames where none ran")
                continue
            compared += 1
            if row is None or row[0] != n:
                wrong.append(f"hour {at}: {n} frames ran, stored {row and row[0]}")
                continue
            for number, name in enumerate(self.SERIES):
                count = self.count[name][at]
                ours = (count, self.sum[name][at] / count, self.low[name][at], self.high[name][at]) if count else None
                theirs = row[1 + 4 * number: 5 + 4 * number]
                if ours is None:
                    if theirs[0]:
                        wrong.append(f"hour {at}: {name} stored where none was known")
                elif theirs[0] is None or any(abs(a - b) > 1e-9 * max(1.0, abs(a)) for a, b in zip(ours, theirs, strict=True)):
                    wrong.append(f"hour {at}: {name} {ours} against {theirs}")
        return compared, wrong


@dataclass
class YearReport:
    """What came of it."""

    days: int
    frames: int = 0
    running: int = 0
    seconds: float = 0.0
    memory: list[float] = field(default_factory=list)
    """MiB at the end of each month."""
    files: list[int] = field(default_factory=list)
    store_bytes: int = 0
    hours: int = 0
    differences: list[str] = field(default_factory=list)
    alarms: Counter[str] = field(default_factory=Counter)

    @property
    def growth_mib(self) -> float:
        """From the end of the first month to the most there ever was after it."""
        return max(self.memory[1:], default=self.memory[0]) - self.memory[0]

    def words(self) -> str:
        """In sentences."""
        return (
            f"{self.days} days: {self.frames:,} frames, {self.running:,} of them running, in {self.seconds:.0f} s of CPU; "
            f"memory {self.memory[0]:.1f} MiB after the first month, growth {self.growth_mib:+.2f} MiB; open files "
            f"{min(self.files)} to {max(self.files)}; store {self.store_bytes / 1e6:.1f} MB; {self.hours} hours compared, "
            f"{len(self.differences)} differ; alarms raised: {dict(sorted(self.alarms.items()))}"
        )


DONE = {"cleaned": EventKind.CLEANED, "emptied": EventKind.EMPTIED, "washed": EventKind.REPLACED}


def lived(config: Config, days: int, seed: int, idle_step_s: float) -> Iterator[Sample | ShopEvent]:
    """The readings of a maker's working days, and what he writes into the journal: all that he did to the unit."""
    plant = as_built(from_design(config.design), seed)
    script = work(plant, seed, BEGAN, days)
    for block in simulate(plant, script, seed, channels=CHANNELS, idle_step_s=idle_step_s):
        done = deque(ShopEvent(event.t, DONE[event.kind]) for event in block.events)
        for t, values, _ in block.frames():
            while done and done[0].t <= t:
                yield done.popleft()
            yield Sample("unit", t, values)
        yield from done


def endure(
    folder: Path, days: int, *, seed: int = 5, idle_step_s: float = 60.0, month_days: float = 30.0, keep_raw_days: float = 90.0,
    say: bool = False,
) -> YearReport:
    """Live through ``days``; memory and files are looked at every ``month_days``."""
    config = load(BARN)
    store = folder / "shop.db"
    ensure_schema(store)
    hours, report = Hours(days), YearReport(days)
    writer = Writer(store, keep_raw_days=keep_raw_days)
    pipeline: Pipeline = build_pipeline(config)
    teller = Teller(config, writer, pipeline)
    teller.start(BEGAN)
    pipeline.sinks = [writer, teller, hours]
    began = time.process_time()
    source = lived(config, days, seed, idle_step_s)
    month_end, remembered = BEGAN + month_days * DAY_S, BEGAN
    try:
        while lot := list(islice(source, LOT)):
            readings: list[Sample] = []
            for one in lot:
                if isinstance(one, Sample):
                    readings.append(one)
                    continue
                pipeline.feed(readings)
                readings = []
                writer.event(one)
                pipeline.happened(one)
            pipeline.feed(readings)
            teller.turn()
            t = lot[-1].t
            if t - remembered >= 3600.0:
                remembered = t
                remember(writer, pipeline, teller.desk)
            if t >= month_end:
                month_end += month_days * DAY_S
                gc.collect()
                report.memory.append(resident_mib())
                report.files.append(len(os.listdir("/proc/self/fd")))
                if say:
                    print(f"day {(t - BEGAN) / DAY_S:5.0f}: {pipeline.frames:,} frames, {report.memory[-1]:.1f} MiB, "
                          f"{report.files[-1]} files, {store.stat().st_size / 1e6:.1f} MB, {dict(hours.raised)}", flush=True)
        pipeline.finish()
        remember(writer, pipeline, teller.desk)
    finally:
        teller.stop()
        writer.close()
    report.seconds = time.process_time() - began
    report.frames, report.running, report.alarms = pipeline.frames, sum(hours.n), hours.raised
    report.store_bytes = store.stat().st_size
    report.hours, report.differences = hours.differences(store)
    return report


def resident_mib() -> float:
    """Memory of this process (Linux)."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--idle-step", type=float, default=10.0, help="seconds between readings while the fan is off")
    parser.add_argument("--month", type=float, default=30.0, help="days between two looks at memory and files")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        report = endure(Path(name), given.days, seed=given.seed, idle_step_s=given.idle_step, month_days=given.month, say=True)
    print("\n".join(report.differences[:20]))
    print(report.words())
    sys.exit(1 if report.differences or report.growth_mib > 5.0 else 0)


if __name__ == "__main__":
    main()
