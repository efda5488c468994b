"""A year of running through the whole pipeline with its store: what ``ductwarden replay --store`` does, by the clock.

    python -m tests.bench.replay [--frames 200000] [--no-idle] [--gates] [--estimates] [--profile FILE] [--keep FOLDER]

The recording is the simulated barn at work, a week like any other after the next: some six runs a day of a few minutes to
an hour, each with its start, its coasting, cuts, gate changes, cleanings and emptyings; the usual three channels, JSON
Lines. ``--frames`` counts seconds with the fan on or coasting (1,200,000 is the year); one line a minute of the hours
between comes on top, as the store's own thinning would leave it (``--no-idle`` leaves them out). Making the recording is
not timed. Timed is :func:`daemon.replaying.replay_recording` with a store of its own on disk: reading and parsing the file,
calibration, vetting, framing, estimator, blocks, recognisers, detectors, causes, alarms, and SQLite with roll-ups, up to
the closed database. The digest is of all findings, all rows of frames and all alarms: it tells whether a change for the
sake of speed has changed what comes out. Processor time is what counts where others use the machine too.
"""

from __future__ import annotations

import argparse
import cProfile
import hashlib
import itertools
import json
import sqlite3
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing
from pathlib import Path

from analysis.plant.asbuilt import as_built
from analysis.plant.convert import from_design
from analysis.plant.day import Habits, Span, work
from analysis.plant.dust import DustState
from analysis.plant.simulate import simulate
from daemon.config.load import load
from daemon.replaying import ReplaySummary, replay_recording
from daemon.store.writer import opened_store
from tests.support.recordings import block_lines

BARN = Path("daemon/demo/chair-barn.toml")
BEGAN = 1_767_571_200.0
YEAR_FRAMES = 1_200_000
YEAR_S = 60.0


def lines(frames: int, seed: int, gates: bool, idle: bool = True) -> Iterator[str]:
    """The recording, until so many seconds with the fan on or coasting are in it."""
    shop = as_built(from_design(load(BARN).design), seed)
    script: Iterator[Span] = work(shop, seed, BEGAN, habits=Habits())
    left = frames
    for block in simulate(shop, script, seed, state=DustState.at(shop.bags, 1.2, 0.1)):
        if len(block) > 1 and block.t[1] - block.t[0] > 1.5:
            if idle:
                yield from block_lines(block, gates)
            continue
        yield from itertools.islice(block_lines(block, gates), left)
        left -= len(block)
        if left <= 0:
            return


def replayed(recording: Path, folder: Path, estimates: bool) -> ReplaySummary:
    """The recording through the pipeline into a new store in ``folder``."""
    config = load(BARN)
    with ExitStack() as stack:
        told = stack.enter_context((folder / "findings.jsonl").open("w"))
        every = stack.enter_context((folder / "estimates.jsonl").open("w")) if estimates else None
        store = stack.enter_context(opened_store(folder / "year.db", config))
        return replay_recording(config, recording, told, every, [store])


def digest(folder: Path) -> str:
    """Of everything that came out, in twelve letters."""
    found = hashlib.sha256()
    for name in ("findings.jsonl", "estimates.jsonl"):
        if (folder / name).exists():
            found.update((folder / name).read_bytes())
    with closing(sqlite3.connect(folder / "year.db")) as db:
        for table, key in (
            ("frames", "t_ms"), ("minutes", "t_ms"), ("hours", "t_ms"), ("runs", "id"), ("alarms", "id"), ("transitions", "id"),
            ("journal", "id"),
        ):
            for row in db.execute(f"SELECT * FROM {table} ORDER BY {key}"):
                found.update(repr(row).encode())
    return found.hexdigest()[:12]


def sizes(folder: Path) -> str:
    """What the store holds."""
    with closing(sqlite3.connect(folder / "year.db")) as db:
        counts = {name: db.execute(f"SELECT count(*) FROM {name}").fetchone()[0]
                  for name in ("frames", "minutes", "hours", "runs", "alarms", "journal")}
    mib = (folder / "year.db").stat().st_size / 2**20
    return ", ".join(f"{count:,} {name}" for name, count in counts.items()) + f"; {mib:.0f} MiB"


def main() -> None:
    """Make the recording, replay it, print."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--frames", type=int, default=200_000)
    options.add_argument("--seed", type=int, default=11)
    options.add_argument("--no-idle", action="store_true", help="only what was recorded with the fan on or coasting")
    options.add_argument("--gates", action="store_true", help="the recording tells the gates")
    options.add_argument("--estimates", action="store_true", help="write the estimate lines as well")
    options.add_argument("--profile", type=Path, help="write cProfile's figures here (times are then of no use)")
    options.add_argument("--keep", type=Path, help="keep recording and products in this folder; use the recording found there")
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = given.keep or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        kind = ("-gates" if given.gates else "") + ("-on" if given.no_idle else "")
        recording = folder / f"recording-{given.frames}-{given.seed}{kind}.jsonl"
        if not recording.exists():
            with recording.open("w") as file:
                file.writelines(line + "\n" for line in lines(given.frames, given.seed, given.gates, not given.no_idle))
        for old in ("year.db", "year.db-wal", "year.db-shm", "findings.jsonl", "estimates.jsonl"):
            (folder / old).unlink(missing_ok=True)
        with recording.open() as file:
            first = json.loads(next(file))
        print(f"recording from {first['t']}: {recording.stat().st_size / 2**20:.0f} MiB")
        profile = cProfile.Profile() if given.profile else None
        wall, cpu = time.perf_counter(), time.process_time()
        summary = replayed(recording, folder, given.estimates) if profile is None else profile.runcall(
            replayed, recording, folder, given.estimates)
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
        if profile is not None:
            profile.dump_stats(given.profile)
        print(summary.sentence())
        print(f"store: {sizes(folder)}; digest {digest(folder)}")
        for words, seconds in (("processor", cpu), ("wall", wall)):
            each = seconds / given.frames
            print(f"{words:9s} {seconds:7.1f} s: {1e6 * each:5.1f} us a frame of running; {YEAR_FRAMES:,} of them "
                  f"{YEAR_FRAMES * each:5.1f} s (aim {YEAR_S:.0f} s)")


if __name__ == "__main__":
    main()
