"""Bounded waiting, and running a source in a thread."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from daemon.sources.contract import Sample, SampleQueue, Source, SourceHealth

GENEROUS_S = 240.0
"""How long anything is waited for at least: a loaded or small computer takes long, and a test that passes never waits so long."""


def eventually(true: Callable[[], object], within_s: float = GENEROUS_S, what: str = "") -> None:
    """Return as soon as ``true()`` holds; fail after ``within_s``, and never before ``GENEROUS_S``."""
    within_s = max(within_s, GENEROUS_S)
    deadline = time.monotonic() + within_s
    pause_s = 0.02
    while not true():
        if time.monotonic() > deadline:
            raise AssertionError(f"did not happen within {within_s} s: {what or true}")
        time.sleep(pause_s)
        pause_s = min(1.05 * pause_s, 0.3)  # asking costs processor time that what is waited for may need


@dataclass
class RunningSource:
    """A source at work in its own thread, and what it has handed over."""

    source: Source
    out: SampleQueue
    stop: threading.Event
    thread: threading.Thread

    @property
    def health(self) -> SourceHealth:
        """The source's health."""
        return self.source.health

    def take(self, count: int, within_s: float = GENEROUS_S) -> list[Sample]:
        """The next ``count`` samples (or some more); fails if they do not come in time."""
        got: list[Sample] = []
        deadline = time.monotonic() + max(within_s, GENEROUS_S)
        while len(got) < count:
            try:
                got.extend(self.out.get(timeout=max(0.01, deadline - time.monotonic())))
            except queue.Empty:
                raise AssertionError(f"{len(got)} of {count} samples came; health: {self.health}") from None
        return got

    def nothing_for(self, seconds: float) -> None:
        """Fail if anything arrives within ``seconds``."""
        try:
            got = self.out.get(timeout=seconds)
        except queue.Empty:
            return
        raise AssertionError(f"unexpected: {got}")

    def until(self, words: str, within_s: float = GENEROUS_S) -> None:
        """Wait until the health's state contains these words."""
        try:
            eventually(lambda: words in self.health.state, within_s)
        except AssertionError:
            raise AssertionError(f"state never said {words!r}; health: {self.health}") from None

    def end(self) -> None:
        """Stop it; sooner than its longest pauses would be over by themselves."""
        self.stop.set()
        self.thread.join(90.0)
        assert not self.thread.is_alive(), "the source did not stop"


@contextmanager
def running(source: Source, room: int = 1000) -> Iterator[RunningSource]:
    """The source at work; stopped at the end, and its thread's end waited for. ``room`` bounds the queue."""
    out: SampleQueue = queue.Queue(room)
    stop = threading.Event()
    thread = threading.Thread(target=source.run, args=(out, stop), name=f"source {source.health.name}", daemon=True)
    thread.start()
    at_work = RunningSource(source, out, stop, thread)
    try:
        yield at_work
    finally:
        at_work.end()
