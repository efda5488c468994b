"""What a source is: something that yields raw samples, heals itself and tells how it is.

A live source owns one thread. It opens its port or broker, parses what arrives (``daemon.sources.wire``; the callback
only parses and enqueues) and puts *lists of samples* on the one bounded queue that the pipeline reads. When it loses
its peer it waits with :class:`daemon.backoff.Backoff` and opens again, for ever, until ``stop`` is set.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from analysis.quick import quick

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
