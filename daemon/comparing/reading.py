"""Store or recording -> frames -> blocks -> stretches of one period.

The frames walk the daemon's own code. Where nobody reports the gates, the estimator infers them as it does live; its
hypothesis is used where it is probable enough (:mod:`analysis.compare.stretch`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.baseline.model import Baseline
from analysis.blocks import Block, BlockBuilder
from analysis.compare.stretch import Gathered, Gatherer
from analysis.duct.design import DuctDesign
from analysis.estimates import Estimate
from analysis.estimator.estimator import Estimator
from analysis.events import EventKind, ShopEvent
from analysis.readings import CHANNELS, Frame, Quality, RunState
from daemon.config.config import Config
from daemon.replaying import calibrated
from daemon.sources.recording import read_recording
from daemon.sources.recording_lines import RecordingReport
from daemon.store.reader import Reader
from daemon.wiring import FRAME_S, build_pipeline, build_sensor_sds

LEAD_S = 3.0 * 3600.0
"""Read before the period itself: the zeros of the sensors, and what the estimator learns of the drag [s]."""
_NOTHING = Estimate(0.0)
_ON = (RunState.STARTING, RunState.RUNNING)


@dataclass(frozen=True, slots=True)
class Span:
    """A period of event time [s]."""

    start: float
    end: float


def store_frames(reader: Reader, span: Span, reported: bool) -> Iterator[Frame]:
    """The stored frames of a span. ``reported``: the gates in the store come from gate sensors, not from the estimator."""
    began: float | None = None
    for row in reader.frames(span.start, span.end):
        t, state = float(row["t"]), RunState(row["state"])
        if state not in _ON:
            began = None
        elif began is None:
            began = t
        gates = row["gates"]
        yield Frame(
            t, {name: row[name] for name in CHANNELS if row[name] is not None},
            {name: Quality(word) for name, word in row["quality"].items()},
            None if gates is None or not reported else dict.fromkeys(gates, True), state, 0.0 if began is None else t - began)


def recording_frames(config: Config, path: Path, report: RecordingReport | None = None) -> Iterator[Frame]:
    """The frames of a recording, vetted and framed as live readings are."""
    parts = build_pipeline(calibrated(config))
    running = False
    for sample in read_recording(path, report):
        readings = parts.vetter.vet(parts.calibrator.readings(sample), running)
        for frame in parts.framer.add(sample.t, readings, sample.gates):
            running = frame.state is RunState.RUNNING
            yield frame
    yield from parts.framer.flush()


def blocks_of(
    frames: Iterable[Frame], estimator: Estimator | None, events: Sequence[ShopEvent] = ()
) -> Iterator[Block]:
    """Blocks of ten seconds, with the estimator's gates where the frames bring none."""
    builder = BlockBuilder(frame_s=FRAME_S)
    waiting = sorted(events, key=lambda event: event.t, reverse=True)
    for frame in frames:
        if estimator is None or frame.gates is not None:
            estimate = _NOTHING
        else:
            while waiting and waiting[-1].t <= frame.t:
                estimator.event(waiting.pop())
            estimate = estimator.update(frame)
        block = builder.add(frame, estimate)
        if block is not None:
            yield block
    last = builder.close()
    if last is not None:
        yield last


def gathered(blocks: Iterable[Block], design: DuctDesign, span: Span | None = None) -> Gathered:
    """The stretches of the blocks within a span; what runs before it only teaches the zeros."""
    gatherer = Gatherer(design)
    for block in blocks:
        if span is not None and (block.began_t > span.end or (block.began_t < span.start and block.state in _ON)):
            continue
        gatherer.add(block)
    return gatherer.done()


def from_store(
    reader: Reader, config: Config, span: Span, design: DuctDesign, shop: DuctDesign, baseline: Baseline | None
) -> Gathered:
    """The stretches of a span of the store. ``shop`` is the drawing in force then, by which the gates are inferred;
    ``design`` the one whose ports are compared."""
    reported = gates_reported(reader)
    measured = baseline if baseline is not None and baseline.fits(shop) is None else None
    estimator = None if reported else Estimator(shop, baseline=measured, sensors=build_sensor_sds(config))
    wide = Span(span.start - LEAD_S, span.end)
    return gathered(blocks_of(store_frames(reader, wide, reported), estimator, tended(reader, wide)), design, span)


def from_recording(
    config: Config, path: Path, design: DuctDesign, shop: DuctDesign, baseline: Baseline | None
) -> tuple[Gathered, RecordingReport]:
    """The stretches of a recording, and what was not taken of it."""
    report = RecordingReport(path)
    measured = baseline if baseline is not None and baseline.fits(shop) is None else None
    estimator = Estimator(shop, baseline=measured, sensors=build_sensor_sds(config))
    return gathered(blocks_of(recording_frames(config, path, report), estimator), design), report


def gates_reported(reader: Reader) -> bool:
    """Whether the gates in the store were reported rather than inferred: the daemon's latest frame has reported ones, or an
    earlier one had (the daemon remembers)."""
    now: Any = reader.status("now")
    if isinstance(now, dict) and isinstance(now.get("gates"), dict):
        return True
    remembered: Any = reader.status("added_run")
    return isinstance(remembered, dict) and remembered.get("gates_reported") is True


def tended(reader: Reader, span: Span) -> list[ShopEvent]:
    """Cleanings, new bags and emptyings of a span, as the estimator is told of them."""
    kinds = (EventKind.CLEANED, EventKind.REPLACED, EventKind.EMPTIED)
    rows = reader.journal(span.start, span.end, kinds=[kind.value for kind in kinds])
    return [ShopEvent(row.t, EventKind(row.kind), row.by, row.text, row.where, row.id) for row in rows]
