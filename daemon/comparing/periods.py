"""What lies before and what after, as written or around a journal entry, and its readings: store or recording -> frames -> the
stretches of one period."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from analysis.compare.steady import READINGS, Side, reduce
from analysis.duct.design import DuctDesign
from analysis.events import EventKind
from analysis.readings import Frame, RunState
from analysis.run_state import RunDetector
from daemon.calibrate import Calibrator
from daemon.config.config import Config
from daemon.errors import CompareError
from daemon.framing import Framer
from daemon.replaying import calibrated
from daemon.sources.contract import Sample
from daemon.sources.recording import read_recording
from daemon.sources.recording_lines import RecordingReport
from daemon.store.codec import JournalEntry
from daemon.store.reader import Reader
from daemon.vetting import Vetter
from daemon.wiring import FRAME_S

WORK_S = 12.0 * 3600.0
"""The hours before the entry count to neither side: the owner writes it down when the pipe is cut already."""
SIDE_S = 21.0 * 86400.0
"""How far a side reaches from the entry, where no other change of the ducts comes first."""
_CHANGES = (EventKind.ADDED_RUN.value, EventKind.CHANGED.value)
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


def read_span(text: str, where: str) -> Span:
    """``2026-03-01..2026-03-07`` or with times, local; a last day counts whole. Raises :class:`CompareError`."""
    first, dots, last = text.partition("..")
    if not dots:
        raise CompareError(f"{where}: {text!r} is not a period; write it as 2026-03-01..2026-03-07 or with times")
    start, end = _moment(first.strip(), where, False), _moment(last.strip(), where, True)
    if not start < end:
        raise CompareError(f"{where}: {text!r} ends before it begins")
    return Span(start, end)


def _moment(text: str, where: str, whole_day: bool) -> float:
    try:
        found = datetime.fromisoformat(text)
    except ValueError as error:
        raise CompareError(f"{where}: {text!r} is not a date; write it as 2026-03-01 or 2026-03-01T09:00") from error
    if whole_day and len(text) <= 10:
        found += timedelta(days=1)
    return found.astimezone().timestamp()


def entry_of(reader: Reader, number: int | None) -> JournalEntry:
    """The entry of that number, or the latest added run. Raises :class:`CompareError` where there is none."""
    if number is None:
        found = reader.last_event(EventKind.ADDED_RUN.value)
        if found is None:
            raise CompareError(
                "the journal has no entry of an added run; write one (ductwarden journal SHOP added_run), or say what to"
                " compare: --before and --after, --entry, --baselines, or recordings")
        return found
    for entry in reader.journal(limit=100_000):
        if entry.id == number:
            return entry
    raise CompareError(f"the journal has no entry {number}; ductwarden journal SHOP lists them")


def around(reader: Reader, entry: JournalEntry, side_s: float = SIDE_S) -> tuple[Span, Span]:
    """The time before and after an entry, up to the changes of the ducts that stand next to it in the journal."""
    before, after = entry.t - WORK_S - side_s, entry.t + side_s
    for other in reader.journal(before, after, kinds=_CHANGES):
        if other.id == entry.id or other.t == entry.t:
            continue
        if other.t < entry.t:
            before = max(before, other.t)
        else:
            after = min(after, other.t - WORK_S)
    return Span(before, min(entry.t - WORK_S, entry.t)), Span(entry.t, max(after, entry.t + 1.0))


def span_words(span: Span, moment: Callable[[float], str] | None = None) -> str:
    """``2026-03-01 08:00 to 2026-03-07 17:00``."""
    told = moment or local_words
    return f"{told(span.start)} to {told(span.end)}"


def local_words(t: float) -> str:
    """Date and time by the computer's own zone."""
    return datetime.fromtimestamp(t).astimezone().strftime("%Y-%m-%d %H:%M")


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
