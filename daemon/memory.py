"""What a restart must not forget: what was learned, which alarms stand, what was told."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Protocol

from daemon.notices import NoticeDesk
from daemon.pipeline import Pipeline
from daemon.store.writer import Writer

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
