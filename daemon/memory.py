"""What a restart must not forget: how far event time went, what was learned, which alarms are open, what was sent."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from daemon.notices import NoticeDesk
from daemon.pipeline import Pipeline
from daemon.store.reader import Reader
from daemon.store.writer import Writer


@dataclass(frozen=True, slots=True)
class Past:
    """Event time of the first frame ever stored and of the one stored last, None where there is none.

    ``last_t`` is the last in the order of writing: where the clock was set back, an earlier frame may bear a later time.
    """

    first_t: float | None = None
    last_t: float | None = None


def read_past(path: Path) -> Past:
    """The past of the store at ``path``. Raises :class:`daemon.errors.StoreError` where it cannot be read."""
    reader = Reader(path)
    try:
        written = reader.status_of("now")
        last_t = reader.last_t() if written is None or written.t is None else written.t
        return Past(reader.first_t(), last_t)
    finally:
        reader.close()


NAMES = {"TourDesk": "tour", "AddedRunDesk": "added run"}
"""Under which name a desk's memory is kept."""


class Remembers(Protocol):
    """Something with a memory as plain JSON values."""

    def snapshot(self) -> dict[str, object]:
        """What is to be remembered."""

    def restore(self, data: Mapping[str, object]) -> None:
        """Take it back."""


def remember(writer: Writer, pipeline: Pipeline, notices: NoticeDesk, *others: Remembers) -> None:
    """Write every memory to the store."""
    for name, part in _parts(pipeline, notices, others).items():
        writer.state(name, part.snapshot())
    writer.state("alarm desk", pipeline.desk.snapshot())


def restore(writer: Writer, pipeline: Pipeline, notices: NoticeDesk, *others: Remembers) -> None:
    """Give every memory back, before the first frame. What is missing or of an unknown shape begins anew."""
    for name, part in _parts(pipeline, notices, others).items():
        data = writer.load_state(name)
        if isinstance(data, dict):
            part.restore(data)
    desk = writer.load_state("alarm desk")
    pipeline.desk.restore(writer.open_alarms(), desk if isinstance(desk, dict) else None, writer.last_alarm_id())


def _parts(pipeline: Pipeline, notices: NoticeDesk, others: Iterable[Remembers]) -> dict[str, Remembers]:
    parts: dict[str, Remembers] = {"estimator": pipeline.estimator, "notices": notices}
    for other in others:
        parts[NAMES.get(type(other).__name__, type(other).__name__)] = other
    for detector in pipeline.detectors:
        parts[f"detector {detector.condition.value}"] = detector
    for recogniser in pipeline.recognisers:
        parts[f"recogniser {type(recogniser).__name__}"] = recogniser
    return parts
