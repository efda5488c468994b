"""A small mutational fuzzer: deterministic by its seed, with a hang guard, and no need of anything to install.

A target names seeds, words to splice in, and a ``check`` that runs one input and returns a signature of what came of it
(any hashable) or raises. Inputs with a new signature join the corpus, so the search follows what the code does with an
input, not only chance. Where atheris is installed, ``--atheris`` lets it drive the same ``check`` by coverage instead.

    python -m tests.fuzz.wire --runs 100000
    python -m tests.fuzz.wire --seconds 60 --seed 7

The exit code is 0 if nothing was found, 1 if an input broke the check (it is saved under ``--keep`` and shown).
"""

from __future__ import annotations

import argparse
import contextlib
import ctypes
import faulthandler
import gc
import hashlib
import random
import resource
import signal
import sys
import time
import traceback
import tracemalloc
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

LONGEST_INPUT = 6000
LOOK_EVERY = 64
"""Inputs between two looks at the memory."""
HANG_S = 5.0
"""No input may take more processor time, nor eight times as long on a busy computer."""
MOST_GROWTH_KIB = 64 * 1024
"""No input may need more while it is run, and no run may leave the process grown by more, beside the corpus it keeps."""


class Hang(BaseException):
    """One input took too long. Not an Exception, so that the code under test cannot swallow it."""


@dataclass
class Target:
    """What is fuzzed."""

    name: str
    check: Callable[[bytes], Hashable]
    seeds: Sequence[bytes]
    words: Sequence[bytes]
    finish: Callable[[bytes], bytes] = field(default=lambda data: data)
    """Sometimes applied to a mutated input, to get past a gate such as a checksum."""


HOSTILE = (
    b"\x00", b"\xff", b"\xfe\xff", b"\xef\xbb\xbf", b"\xc3\x28", b"\xed\xa0\x80", b"\xe2\x80\xae", b"\x1b[2J", b"\x7f",
    b"\r", b"\n", b"\r\n", b"\t", b" ", b",", b";", b"=", b"*", b"$", b":", b"{", b"}", b"[", b"]", b'"', b"\\", b"\\u0000",
    b"\\ud800", b"0", b"-0", b"-1", b"1e400", b"-1e400", b"1e-400", b"1_000", b"0x1F", b"NaN", b"nan", b"Infinity",
    b"-inf", b"null", b"true", b"false", b"9" * 20, b"9" * 400, b"9" * 4301, b"[" * 1200, b'{"a":' * 600,
    b"2026-03-01T09:00:00Z", b"2026-03-01T09:00:00", b"2026-03-01T09:00:00+14:00", b"0001-01-01T00:00:00+14:00",
    b"9999-12-31T23:59:59-14:00", b"2026-W09-7", b"20260301", b"24:00", b"1772355600", b"1772355600000", b"4102444800",
)


class Mutator:
    """Makes new inputs from old ones."""

    def __init__(self, rng: random.Random, words: Sequence[bytes]) -> None:
        self.rng = rng
        self.words = [*words, *HOSTILE]

    def mutated(self, data: bytes, other: bytes) -> bytes:
        """One to six random changes."""
        rng = self.rng
        made = bytearray(data)
        for _ in range(rng.choice((1, 1, 1, 2, 2, 3, 6))):
            kind = rng.randrange(8)
            at = rng.randint(0, len(made))
            if kind == 0 and made:
                made[at % len(made)] ^= 1 << rng.randrange(8)
            elif kind == 1 and made:
                made[at % len(made)] = rng.randrange(256)
            elif kind == 2:
                del made[at : at + rng.randint(1, 8)]
            elif kind == 3:
                end = min(len(made), at + rng.randint(1, 16))
                made[at:at] = made[at:end] * rng.choice((1, 1, 2, 50))
            elif kind in (4, 5):
                made[at:at] = rng.choice(self.words)
            elif kind == 6:
                start = rng.randint(0, len(other))
                made[at:] = other[start:]
            else:
                word = rng.choice(self.words)
                made[at : at + len(word)] = word
        return bytes(made[:LONGEST_INPUT])


def fuzz(target: Target, runs: int | None, seconds: float | None, seed: int, keep: Path) -> int:
    """Run the target; returns the exit code."""
    rng = random.Random(seed)
    mutator = Mutator(rng, target.words)
    corpus: list[bytes] = [b""]
    seen: set[Hashable] = set()
    began = time.monotonic()
    memory, peak = resident_kib(), peak_kib()
    # One timer looks in every second: setting one for each input would cost as much as many an input.
    started, used = time.perf_counter(), time.process_time()

    def look(signum: int, frame: object) -> None:
        if time.process_time() - used > HANG_S or time.perf_counter() - started > 8 * HANG_S:
            raise Hang(f"one input took longer than {HANG_S} s")

    signal.signal(signal.SIGALRM, look)
    signal.setitimer(signal.ITIMER_REAL, 1.0, 1.0)
    done = 0
    slowest, slowest_input = 0.0, b""
    pending = list(target.seeds)
    lately: list[bytes] = []
    while (runs is None or done < runs) and (seconds is None or time.monotonic() - began < seconds):
        if done % 512 == 0:
            faulthandler.dump_traceback_later(300.0, exit=True)  # for hangs in code that hears no signals
        if pending:
            data = pending.pop()
        else:
            # of two candidates the shorter: it is quicker, and a change in it weighs more
            data = min(rng.choice(corpus), rng.choice(corpus), key=len)
            data = mutator.mutated(data, rng.choice(corpus))
            if rng.random() < 0.3:
                data = target.finish(data)
        started, used = time.perf_counter(), time.process_time()
        try:
            signature = target.check(data)
        except (Exception, Hang):
            signal.setitimer(signal.ITIMER_REAL, 0.0)
            faulthandler.cancel_dump_traceback_later()
            return _found(target, data, keep)
        took = time.perf_counter() - started
        if took > slowest:
            slowest, slowest_input = took, data
        lately.append(data)
        done += 1
        if len(lately) == LOOK_EVERY or done == runs:  # asking after each would cost as much as many an input
            before, peak = peak, peak_kib()
            if peak - before > MOST_GROWTH_KIB:
                print(f"{target.name}: one input needed more than {MOST_GROWTH_KIB / 1024:.0f} MiB")
                return _found(target, max(lately, key=lambda data: _needed(target, data)), keep)
            lately.clear()
        if signature not in seen and len(seen) < 20_000:
            seen.add(signature)
            corpus.append(data)
    signal.setitimer(signal.ITIMER_REAL, 0.0)
    faulthandler.cancel_dump_traceback_later()
    took = time.monotonic() - began
    grown = resident_kib() - memory - sum(map(len, corpus)) // 1024
    print(
        f"{target.name}: {done} inputs in {took:.1f} s ({done / max(took, 1e-9):.0f}/s), seed {seed}: nothing found; "
        f"{len(seen)} kinds of outcome, corpus {len(corpus)}, slowest input {slowest * 1e3:.1f} ms "
        f"({len(slowest_input)} bytes), memory +{grown / 1024:.1f} MiB"
    )
    if grown > MOST_GROWTH_KIB:
        print(f"{target.name}: the process grew by more than {MOST_GROWTH_KIB / 1024:.0f} MiB")
        return 1
    return 0


def resident_kib() -> int:
    """Resident memory without what is free inside the process: the kept corpus lies between the buffers that the inputs
    needed, so that in millions of inputs the holes add up to much more than anything that is held (glibc, Linux)."""
    gc.collect()
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize() // 1024


def peak_kib() -> int:
    """The most that was ever resident."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def _needed(target: Target, data: bytes) -> int:
    """Bytes that an input needs at most while it is run."""
    tracemalloc.start()
    try:
        target.check(data)
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def _found(target: Target, data: bytes, keep: Path) -> int:
    if sys.exc_info()[0] is not None:
        traceback.print_exc()
    keep.mkdir(parents=True, exist_ok=True)
    path = keep / f"{target.name}-{hashlib.sha256(data).hexdigest()[:12]}"
    path.write_bytes(data)
    print(f"{target.name}: FOUND, saved as {path}: {data[:300]!r}{'...' if len(data) > 300 else ''}")
    return 1


def run_atheris(target: Target, runs: int | None, seconds: float | None, seed: int, keep: Path) -> int:
    """Let atheris drive the check; it ends the process itself."""
    import atheris

    atheris.instrument_all()
    folder = keep / f"{target.name}-corpus"
    folder.mkdir(parents=True, exist_ok=True)
    for number, data in enumerate(target.seeds):
        (folder / f"seed-{number}").write_bytes(data)
    options = [f"-seed={seed}", f"-max_len={LONGEST_INPUT}", f"-timeout={HANG_S:.0f}", f"-artifact_prefix={keep}/"]
    options += [f"-runs={runs}"] if runs is not None else []
    options += [f"-max_total_time={seconds:.0f}"] if seconds is not None else []

    def one(data: bytes) -> None:
        target.check(data)

    atheris.Setup([sys.argv[0], *options, str(folder)], one)
    atheris.Fuzz()
    return 0


def main(target: Target) -> None:
    """The command line of every target."""
    parser = argparse.ArgumentParser(description=f"Fuzz {target.name}.")
    parser.add_argument("--runs", type=int, help="how many inputs (default 100000 unless --seconds is given)")
    parser.add_argument("--seconds", type=float, help="how long")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, default=Path("var/fuzz"), help="where inputs that break the check go")
    parser.add_argument("--atheris", action="store_true", help="use atheris, which must be installed")
    parser.add_argument("files", type=Path, nargs="*", help="run these saved inputs only")
    given = parser.parse_args()
    if given.files:
        for path in given.files:
            print(f"{path}: {target.check(path.read_bytes())!r}")
        return
    runs = given.runs if given.runs is not None or given.seconds is not None else 100_000
    drive = run_atheris if given.atheris else fuzz
    sys.exit(drive(target, runs, given.seconds, given.seed, given.keep))
