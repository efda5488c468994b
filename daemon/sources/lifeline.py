"""What all live sources share: one session after the other for ever, with pauses between, and words about how it goes."""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable

from daemon.backoff import Backoff
from daemon.errors import SourceError
from daemon.sources.contract import Sample, SampleQueue, SourceHealth
from daemon.sources.fields import escaped
from daemon.sources.settings import RetrySettings

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
