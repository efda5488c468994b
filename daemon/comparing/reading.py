"""Store or recording -> frames -> the stretches of one period."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.compare.steady import READINGS, Side, reduce
from analysis.duct.design import DuctDesign
from analysis.readings import Frame, RunState
from analysis.run_state import RunDetector
from daemon.calibrate import Calibrator
from daemon.config.config import Config
from daemon.framing import Framer
from daemon.replaying import calibrated
from daemon.sources.contract import Sample
from daemon.sources.recording import read_recording
from daemon.sources.recording_lines import RecordingReport
from daemon.store.reader import Reader
from daemon.vetting import Vetter
from daemon.wiring import FRAME_S

LEAD_S = 3.0 * 3600.0
"""Read before the period itself, for the zeros of the sensors [s]."""
TOLD_EVERY = 5000
_ON = (RunState.STARTING, RunState.RUNNING)
_COLUMNS = (*READINGS, "air_c", "air_rh", "barometer_pa", "line_v")

Progress = Callable[[str], None]


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
            t, {name: row[name] for name in _COLUMNS if row[name] is not None}, {},
            None if gates is None or not reported else dict.fromkeys(gates, True), state, 0.0 if began is None else t - began)


def frames_of(config: Config, samples: Iterable[Sample]) -> Iterator[Frame]:
    """Samples as the daemon vets and frames them."""
    config = calibrated(config)
    framer = Framer(config.sensors, RunDetector(config.running), period_s=FRAME_S)
    vetter, calibrator = Vetter(config.sensors), Calibrator(config.sensors, {})
    running = False
    for sample in samples:
        for frame in framer.add(sample.t, vetter.vet(calibrator.readings(sample), running), sample.gates):
            running = frame.state is RunState.RUNNING
            yield frame
    yield from framer.flush()


def from_store(
    reader: Reader, span: Span, design: DuctDesign, words: str = "", progress: Progress | None = None
) -> Side:
    """The stretches of a span of the store."""
    frames = store_frames(reader, Span(span.start - LEAD_S, span.end), gates_reported(reader))
    return reduce(design, _counted(frames, words, progress), span.start, span.end)


def from_recording(
    config: Config, path: Path, design: DuctDesign, words: str = "", progress: Progress | None = None
) -> tuple[Side, RecordingReport]:
    """The stretches of a recording, and what was not taken of it."""
    report = RecordingReport(path)
    return reduce(design, _counted(frames_of(config, read_recording(path, report)), words, progress)), report


def _counted(frames: Iterator[Frame], words: str, progress: Progress | None) -> Iterator[Frame]:
    for number, frame in enumerate(frames):
        if progress is not None and number % TOLD_EVERY == 0:
            progress(f"reading {words}: {number} readings")
        yield frame


def gates_reported(reader: Reader) -> bool:
    """Whether the gates in the store were reported rather than inferred: the daemon's latest frame has reported ones, or an
    earlier one had (the daemon remembers)."""
    now: Any = reader.status("now")
    if isinstance(now, dict) and isinstance(now.get("gates"), dict):
        return True
    remembered: Any = reader.status("added_run")
    return isinstance(remembered, dict) and remembered.get("gates_reported") is True
