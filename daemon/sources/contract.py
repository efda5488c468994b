"""What a source is: something that yields raw samples, heals itself and tells how it is.

A live source owns one thread. It opens its port or broker, parses what arrives (``daemon.sources.wire``; the callback
only parses and enqueues) and puts *lists of samples* on the one bounded queue that the pipeline reads. When it loses
its peer it waits with :class:`daemon.backoff.Backoff` and opens again, for ever, until ``stop`` is set.
"""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

from analysis.quick import quick
from daemon.backoff import Backoff, RetrySettings
from daemon.clock import Clock
from daemon.errors import SourceError
from daemon.sources.fields import escaped

SampleQueue = queue.Queue["list[Sample]"]


@quick
@dataclass(frozen=True, slots=True)
class Sample:
    """What one line or message carried: raw numbers by the name that the device used, before calibration.

    ``t`` is the event time: the device's own stamp where it sent one, else the time of arrival. A value that was
    present but not a finite number is NaN here (calibration turns it into an unreadable reading, with a count).
    """

    source: str
    t: float
    values: Mapping[str, float]
    gates: Mapping[str, bool] | None = None


@dataclass
class SourceHealth:
    """How one source is doing: state in words, counters of all that arrived and all that was refused, last error.

    ``refused`` counts by reason (``"not json"``, ``"checksum"``, ``"too long"``, ``"unknown channel"``,
    ``"not a number"``, ``"number out of bounds"``, ...): nothing is dropped without being counted.
    """

    name: str
    kind: str
    state: str = "starting"
    connected: bool = False
    opened: int = 0
    samples: int = 0
    refused: dict[str, int] = field(default_factory=dict)
    unknown_channels: dict[str, int] = field(default_factory=dict)
    last_t: float | None = None
    last_error: str = ""
    dropped: int = 0

    def refuse(self, reason: str, count: int = 1) -> None:
        """Count one thing that was not taken."""
        self.refused[reason] = self.refused.get(reason, 0) + count

    def unknown(self, channel: str) -> None:
        """Count a name that no channel of the configuration listens to (at most 50 names are remembered)."""
        if channel in self.unknown_channels or len(self.unknown_channels) < 50:
            self.unknown_channels[channel] = self.unknown_channels.get(channel, 0) + 1
        self.refuse("unknown channel")


class Source(Protocol):
    """A live source."""

    @property
    def health(self) -> SourceHealth:
        """Its health, updated in place."""

    def run(self, out: SampleQueue, stop: threading.Event) -> None:
        """Yield samples into ``out`` until ``stop`` is set. Never raises for what the outside does."""


LARGEST_BATCH = 500
"""No list on the queue holds more samples, so that a bounded queue bounds memory."""


def hand_over(out: SampleQueue, samples: list[Sample], health: SourceHealth) -> None:
    """Put the samples on the queue in lists of at most 500, and note them in the health.

    A full queue loses its oldest lists, for what happens now matters more than what happened then; the source that
    needed the room counts the lost samples in ``health.dropped``, whoever sent them.
    """
    for at in range(0, len(samples), LARGEST_BATCH):
        batch = samples[at : at + LARGEST_BATCH]
        while True:
            try:
                out.put_nowait(batch)
                break
            except queue.Full:
                _drop_oldest(out, health)
        health.samples += len(batch)
        health.last_t = batch[-1].t


def _drop_oldest(out: SampleQueue, health: SourceHealth) -> None:
    try:
        lost = out.get_nowait()
    except queue.Empty:
        return  # the reader was quicker
    out.task_done()
    health.dropped += len(lost)


def wait_over(out: SampleQueue, stop: threading.Event, samples: list[Sample], health: SourceHealth) -> None:
    """Put the samples on the queue and note them; a full queue is waited for, because what is played can wait."""
    while not stop.is_set():
        try:
            out.put(samples, timeout=0.1)
        except queue.Full:
            continue
        health.samples += len(samples)
        health.last_t = samples[-1].t
        return


def play(
    samples: Iterable[Sample], out: SampleQueue, stop: threading.Event, clock: Clock, health: SourceHealth, tick_s: float
) -> bool:
    """Put each sample on the queue when its time has come by ``clock``, which is looked at every ``tick_s``. Whether it came to
    the end."""
    batch: list[Sample] = []
    now = clock.now()
    for sample in samples:
        while sample.t > now:
            if batch:
                wait_over(out, stop, batch, health)
                batch = []
            now = clock.now()
            if sample.t > now and stop.wait(tick_s):
                return False
        if stop.is_set():
            return False
        batch.append(sample)
        if len(batch) >= LARGEST_BATCH:
            wait_over(out, stop, batch, health)
            batch = []
    if batch:
        wait_over(out, stop, batch, health)
    return not stop.is_set()


STEADY_S = 5.0
"""How long a session must have held for the pauses to start over: a loose plug shall not be tried twice a second."""


class Lifeline:
    """Runs sessions and keeps the health's state, connection and last error up to date.

    A session opens its peer, calls :meth:`opened`, works until it is stopped, and raises SourceError with plain words
    when it loses its peer. The pause then doubles from the first to the cap. The log hears of a loss once, not at each
    try that ends the same way.
    """

    def __init__(self, health: SourceHealth, retry: RetrySettings, log: logging.Logger) -> None:
        self.health = health
        self.retry = retry
        self.log = log
        self._reported = ""

    @property
    def reported(self) -> bool:
        """Whether a loss has been logged since the last opening."""
        return bool(self._reported)

    def opened(self, what: str, state: str) -> None:
        """The peer is there."""
        self.health.opened += 1
        self.health.connected = True
        self.health.state = state
        self.log.info("source %s: connected to %s", escaped(self.health.name), what)
        self._reported = ""

    def keep(self, session: Callable[[], None], stop: threading.Event) -> None:
        """Run sessions until ``stop`` is set."""
        health = self.health
        backoff = Backoff(stop, self.retry.first_s, self.retry.cap_s)
        while not stop.is_set():
            began = time.monotonic()
            try:
                session()
            except SourceError as error:
                if health.connected and time.monotonic() - began >= STEADY_S:
                    backoff.reset()
                self._lost(str(error), backoff.next_s())
                backoff.wait()
        health.connected = False
        health.state = "stopped"

    def _lost(self, words: str, pause_s: float) -> None:
        health = self.health
        health.state = f"{'lost' if health.connected else 'not connected'}: {words}; next try in {pause_s:.1f} s"
        health.connected = False
        health.last_error = words
        if words != self._reported:
            self.log.warning("source %s: %s", escaped(health.name), words)
            self._reported = words
