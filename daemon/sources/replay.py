"""A recording as a live source: its samples come when their time has come, by a clock that runs at a chosen pace.

Its channels are SI and calibrated already. The clock starts at the recording's first time stamp; the rest of the daemon
must run on the same clock (:func:`replay_source` gives both).
"""

from __future__ import annotations

import math
import threading
from collections.abc import Iterator
from pathlib import Path

from daemon.clock import Clock, PacedClock
from daemon.errors import SourceError
from daemon.sources.contract import Sample, SampleQueue, SourceHealth, play
from daemon.sources.recording import first_time, read_recording
from daemon.sources.recording_lines import RecordingReport

TICK_S = 0.05
"""The pause between two looks at the clock."""


class ReplaySource:
    """Plays the recording once, from its beginning (or what comes after ``after_t``) to its end."""

    def __init__(self, name: str, path: Path, clock: Clock, after_t: float = -math.inf) -> None:
        self.path = path
        self.clock = clock
        self._after_t = after_t
        self._health = SourceHealth(name, "replay")

    @property
    def health(self) -> SourceHealth:
        """How far it is, updated in place."""
        return self._health

    def run(self, out: SampleQueue, stop: threading.Event) -> None:
        """Yield samples into ``out`` until ``stop`` is set or the recording ends."""
        health = self._health
        report = RecordingReport(self.path)
        health.opened += 1
        health.connected = True
        health.state = "playing"
        try:
            ended = play(self._samples(report), out, stop, self.clock, health, TICK_S)
        except SourceError as error:
            health.state = health.last_error = str(error)
        else:
            health.state = "the recording has ended" if ended else "stopped"
            if ended and report.samples and not health.samples:
                health.state = "the store is past the end of the recording: nothing of it is newer"
            if report.damaged:
                health.last_error = report.damaged
        health.refused = dict(report.refused)
        health.connected = False

    def _samples(self, report: RecordingReport) -> Iterator[Sample]:
        for sample in read_recording(self.path, report, source=self._health.name):
            if sample.t > self._after_t:
                self._health.refused = dict(report.refused)
                yield sample


def replay_source(name: str, path: Path, pace: float = 1.0, last_t: float | None = None) -> tuple[ReplaySource, PacedClock]:
    """The source, which plays ``pace`` times as fast as it happened, and the clock of its event time, which starts now. A
    recording of which the store already holds something, up to ``last_t``, is played on from there.

    Raises ValueError where the recording cannot be read or holds no sample.
    """
    try:
        first_t = first_time(path)
    except SourceError as error:
        raise ValueError(str(error)) from error
    after_t = -math.inf if last_t is None else last_t
    clock = PacedClock(max(first_t, after_t), pace)
    return ReplaySource(name, path, clock, after_t), clock
