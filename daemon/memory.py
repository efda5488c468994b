"""What a restart must not forget: what was learned, which alarms stand, what was told."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from daemon.notices import NoticeDesk
from daemon.pipeline import Pipeline
from daemon.store.writer import Writer


class Remembers(Protocol):
    """Something with a memory as plain JSON values."""

    def snapshot(self) -> dict[str, object]:
        """What is to be remembered."""

    def restore(self, data: Mapping[str, object]) -> None:
        """Take it back."""


def remember(writer: Writer, pipeline: Pipeline, notices: NoticeDesk, tours: Remembers | None = None) -> None:
    """Write every memory to the store."""
    for name, part in _parts(pipeline, notices, tours).items():
        writer.state(name, part.snapshot())
    writer.state("alarm desk", pipeline.desk.snapshot())


def restore(writer: Writer, pipeline: Pipeline, notices: NoticeDesk, tours: Remembers | None = None) -> None:
    """Give every memory back, before the first frame. What is missing or of an unknown shape begins anew."""
    for name, part in _parts(pipeline, notices, tours).items():
        data = writer.load_state(name)
        if isinstance(data, dict):
            part.restore(data)
    desk = writer.load_state("alarm desk")
    pipeline.desk.restore(writer.open_alarms(), desk if isinstance(desk, dict) else None, writer.last_alarm_id())


def _parts(pipeline: Pipeline, notices: NoticeDesk, tours: Remembers | None) -> dict[str, Remembers]:
    parts: dict[str, Remembers] = {"estimator": pipeline.estimator, "notices": notices}
    if tours is not None:
        parts["tour"] = tours
    for detector in pipeline.detectors:
        parts[f"detector {detector.condition.value}"] = detector
    for recogniser in pipeline.recognisers:
        parts[f"recogniser {type(recogniser).__name__}"] = recogniser
    return parts
