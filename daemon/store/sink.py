"""The store as a sink of the pipeline."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from analysis.estimates import Estimate
from analysis.events import ShopEvent
from analysis.findings import Finding
from analysis.readings import Frame
from daemon.alarms.types import Transition
from daemon.config.config import Config
from daemon.store.lock import StoreLock
from daemon.store.migrate import ensure_schema
from daemon.store.writer import Writer


class StoreSink:
    """Passes everything that is kept to the writer. Findings themselves are not kept: alarms carry them."""

    def __init__(self, writer: Writer) -> None:
        self._writer = writer

    def frame(self, frame: Frame, estimate: Estimate) -> None:
        """A frame with its estimate."""
        self._writer.frame(frame, estimate)

    def run(self, began_t: float, ended_t: float | None) -> None:
        """A run began or ended."""
        self._writer.run(began_t, ended_t)

    def finding(self, finding: Finding, raised: bool) -> None:
        """Not kept."""

    def transition(self, transition: Transition) -> None:
        """An alarm moved."""
        self._writer.transition(transition)

    def event(self, event: ShopEvent) -> None:
        """Recognised from the data: a journal entry of the daemon's own."""
        self._writer.event(event)


@contextmanager
def opened_store(path: Path, config: Config) -> Iterator[StoreSink]:
    """A store to fill, locked, made or brought up to date, and closed again."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with StoreLock(path):
        ensure_schema(path)
        writer = Writer(path, keep_raw_days=config.file.store.keep_raw / 86400.0)
        try:
            writer.configuration(config.text)
            yield StoreSink(writer)
        finally:
            writer.close()
