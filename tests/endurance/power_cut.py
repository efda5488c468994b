"""The power goes while the store is written: every state that the disk may then be in is put together and opened.

    python -m tests.endurance.power_cut --states 5000

A writer stores frames, alarms and journal entries. After each commit its two files are compared with what they were, sector by
sector, which gives what was written. What was synced, and in which order, follows from how SQLite works in WAL mode
(sqlite.org/wal.html, and wal.c itself): a commit appends to the log, which is synced where it was asked for; a checkpoint syncs
the log, writes the pages into the database and syncs that; then the log is begun anew, and its new head is synced before
anything follows it (ticket ff5be73dee of sqlite.org tells what happens without: with ``--no-head-sync`` that sync is left out,
and the damage must be found). A power cut keeps everything that was synced, and of the sectors of 512 bytes written since any
subset, in any order: prefixes, random subsets, all but one, only one. Each such state must open as a sound store with every
journal entry that was committed and every frame that was synced, and without gaps among its frames.
"""

from __future__ import annotations

import argparse
import random
import sqlite3
import sys
import tempfile
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from analysis.estimates import Estimate
from analysis.events import EventKind, ShopEvent
from analysis.readings import Frame, RunState
from daemon.store import connection
from daemon.store.migrate import ensure_schema
from daemon.store.writer import Writer

NINE = 1_790_000_000.0
SECTOR, HEAD = 512, 32
FILES = ("shop.db", "shop.db-wal")


@dataclass(frozen=True)
class Write:
    """A sector that was written, or (``data`` None) a file that was synced."""

    file: str
    at: int = 0
    data: bytes | None = None


@dataclass
class Tape:
    """Everything that happened to the files, and how many of its entries precede each promise."""

    begun: dict[str, bytes] = field(default_factory=dict)
    writes: list[Write] = field(default_factory=list)
    frames: list[tuple[int, int]] = field(default_factory=list)
    """After this many entries so many frames are committed."""
    entries: list[tuple[int, int]] = field(default_factory=list)
    """After this many entries so many journal entries are promised."""
    synced_frames: list[tuple[int, int]] = field(default_factory=list)


def record(folder: Path, commits: int, seed: int, *, head_synced: bool = True) -> Tape:
    """Let a writer work, and write down what it does to its files."""
    rng = random.Random(seed)
    path = folder / "shop.db"
    ensure_schema(path, here=True)
    hand = [0.0]
    before, connection.CHECKPOINT_PAGES = connection.CHECKPOINT_PAGES, 24  # so that there are many
    try:
        writer = Writer(path, commit_every_s=1e9, sync_every_s=30.0, monotonic=lambda: hand[0])
    finally:
        connection.CHECKPOINT_PAGES = before
    writer.flush(force=True)
    tape = Tape(begun=_content(folder))
    known = dict(tape.begun)
    frames = entries = 0
    for _ in range(commits):
        hand[0] += 10.0
        for _ in range(rng.randrange(1, 12)):
            t = NINE + frames
            values = {"motor_a": float(frames), "inlet_pa": rng.gauss(-2000, 30)}
            writer.frame(Frame(t, values, state=RunState.RUNNING), Estimate(t))
            frames += 1
        if urgent := rng.random() < 0.3:
            writer.event(ShopEvent(NINE + frames, EventKind.NOTE, text=f"note {entries} " + "x" * rng.randrange(2000)))
            entries += 1
        if rng.random() < 0.3:
            writer.status("detectors", ["y" * rng.randrange(6000)])
        full = urgent or hand[0] >= writer._committer._sync_due
        assert writer.flush(force=True)
        now = _content(folder)
        log = list(_changes(FILES[1], known.get(FILES[1], b""), now.get(FILES[1], b"")))
        pages = list(_changes(FILES[0], known[FILES[0]], now[FILES[0]]))
        was, is_ = known.get(FILES[1], b""), now.get(FILES[1], b"")
        if head_synced and was[:HEAD] != is_[:HEAD]:
            tape.writes += [Write(FILES[1], 0, is_[:HEAD] + was[HEAD:SECTOR]), Write(FILES[1])]
        tape.writes += log
        if full or pages:
            tape.writes.append(Write(FILES[1]))
            tape.synced_frames.append((len(tape.writes), frames))
        tape.frames.append((len(tape.writes), frames))
        tape.entries.append((len(tape.writes), entries))
        if pages:
            tape.writes += [*pages, Write(FILES[0])]
        known = now
    writer._committer.abandon()
    return tape


def _content(folder: Path) -> dict[str, bytes]:
    return {name: (folder / name).read_bytes() for name in FILES if (folder / name).exists()}


def _changes(file: str, before: bytes, after: bytes) -> Iterator[Write]:
    for at in range(0, len(after), SECTOR):
        if before[at:at + SECTOR] != after[at:at + SECTOR]:
            yield Write(file, at, after[at:at + SECTOR])


def states(tape: Tape, count: int, seed: int) -> Iterator[tuple[int, dict[str, bytes]]]:
    """Up to ``count`` states of the disk: after how many entries of the tape the power went, and the files."""
    rng = random.Random(seed)
    for _ in range(count):
        cut = rng.randrange(1, len(tape.writes) + 1)
        files = {name: bytearray(content) for name, content in tape.begun.items()}
        loose: list[Write] = []
        for write in tape.writes[:cut]:
            if write.data is not None:
                loose.append(write)
                continue
            for synced in (one for one in loose if one.file == write.file):
                _put(files, synced)
            loose = [one for one in loose if one.file != write.file]
        way = rng.randrange(5)
        if way == 0:
            kept = loose
        elif way == 1:
            kept = loose[:rng.randrange(len(loose) + 1)]
        elif way == 2 and loose:
            kept = [one for one in loose if one is not loose[rng.randrange(len(loose))]]
        elif way == 3 and loose:
            kept = [loose[rng.randrange(len(loose))]]
        else:
            share = rng.random()
            kept = [one for one in loose if rng.random() < share]
        for write in kept:
            _put(files, write)
        yield cut, {name: bytes(content) for name, content in files.items()}


def _put(files: dict[str, bytearray], write: Write) -> None:
    assert write.data is not None
    content = files.setdefault(write.file, bytearray())
    if len(content) < write.at:
        content.extend(bytes(write.at - len(content)))
    content[write.at:write.at + len(write.data)] = write.data


def examine(folder: Path, tape: Tape, cut: int, files: dict[str, bytes]) -> list[str]:
    """Open a state as the daemon does; what is wrong with it."""
    for name in (*FILES, "shop.db-shm", "shop.db.lock"):
        (folder / name).unlink(missing_ok=True)
    for name, content in files.items():
        (folder / name).write_bytes(content)
    path = folder / "shop.db"
    report = ensure_schema(path, here=True)
    if report.set_aside is not None:
        return [f"cut after {cut}: set aside: {report.why}"]
    Writer(path)._committer.abandon()
    wrong: list[str] = []
    with closing(sqlite3.connect(path)) as db:
        (verdict,) = db.execute("PRAGMA integrity_check").fetchone()
        motors = [round(motor) for (motor,) in db.execute("SELECT motor_a FROM frames ORDER BY t_ms")]
        notes = {text.split(" x")[0] for (text,) in db.execute("SELECT text FROM journal")}
    if verdict != "ok":
        wrong.append(f"cut after {cut}: {verdict}")
    promised = _upto(tape.synced_frames, cut)
    if motors != list(range(len(motors))):
        wrong.append(f"cut after {cut}: frames with a gap")
    if len(motors) < promised:
        wrong.append(f"cut after {cut}: {len(motors)} frames of {promised} that were synced")
    if missing := [n for n in range(_upto(tape.entries, cut)) if not any(note.startswith(f"note {n}") for note in notes)]:
        wrong.append(f"cut after {cut}: journal entries lost that were committed: {missing}")
    return wrong


def _upto(marks: list[tuple[int, int]], cut: int) -> int:
    return max((count for at, count in marks if at <= cut), default=0)


def endure(folder: Path, count: int, commits: int = 60, seed: int = 1, *, head_synced: bool = True) -> tuple[str, list[str]]:
    """Record, cut and examine; a sentence with figures, and what was wrong."""
    (folder / "made").mkdir()
    (folder / "cut").mkdir()
    tape = record(folder / "made", commits, seed, head_synced=head_synced)
    checkpoints = sum(write.data is None and write.file == FILES[0] for write in tape.writes)
    wrong = [told for cut, files in states(tape, count, seed) for told in examine(folder / "cut", tape, cut, files)]
    return (
        f"{commits} commits, {sum(write.data is not None for write in tape.writes)} sectors written, {checkpoints} checkpoints; "
        f"{count} states after a power cut, {len(wrong)} problems"
    ), wrong


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--states", type=int, default=5_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--no-head-sync", action="store_true", help="see whether damage would be found")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        words, wrong = endure(
            Path(folder), given.states, commits=max(60, given.states // 20), seed=given.seed, head_synced=not given.no_head_sync
        )
    print("\n".join(wrong[:20]))
    print(words)
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main()
