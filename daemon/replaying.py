"""A recording through the whole pipeline, without clocks or threads, and the files of findings and estimates that come of it."""

from __future__ import annotations

import gc
import json
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TextIO

from analysis.baseline.model import Baseline
from analysis.baseline.recording import MarkedFrames
from analysis.duct.design import DuctDesign
from analysis.estimates import Estimate
from analysis.events import ShopEvent
from analysis.findings import Finding
from analysis.readings import Frame
from daemon.alarms.types import AlarmState, Transition
from daemon.config.config import Config
from daemon.errors import ConfigError
from daemon.pipeline import Sink
from daemon.sources.contract import Sample
from daemon.sources.recording import read_recording
from daemon.sources.recording_lines import RecordingReport
from daemon.touring import newest_baseline
from daemon.wiring import build_pipeline


def time_text(t: float) -> str:
    """Event time as ISO 8601 in UTC; with fractions only where there are any.

    >>> time_text(1772355600.0)
    '2026-03-01T09:00:00Z'
    """
    moment = datetime.fromtimestamp(t, UTC)
    return moment.strftime("%Y-%m-%dT%H:%M:%S") + (f".{moment.microsecond:06d}Z" if moment.microsecond else "Z")


class FileSink:
    """Writes one line per finding raised or cleared, and one line per estimate."""

    def __init__(self, findings: TextIO | None, estimates: TextIO | None) -> None:
        self._findings = findings
        self._estimates = estimates
        self.raised = 0
        self.alarms = 0

    def frame(self, frame: Frame, estimate: Estimate) -> None:
        """An estimate line (written by hand: it is the hot path of a replay). Where the fan gives less or more than it
        should, or a channel was left out, the line says so in ``fan_strength`` (1 is right) or ``doubtful``."""
        if self._estimates is None:
            return
        gates = estimate.gates
        strength, more = estimate.fan_strength, ""
        if strength is not None and strength != 1.0:
            more = f',"fan_strength":{_number(strength)}'
        if estimate.doubtful:
            more += f',"doubtful":{json.dumps(list(estimate.doubtful))}'
        self._estimates.write(
            f'{{"t":"{time_text(frame.t)}","flow_m3s":{_number(estimate.flow_m3s)},'
            f'"flow_sd":{_number(estimate.flow_sd)},"filter_drag":{_number(estimate.filter_drag)},'
            f'"gates":{"null" if gates is None else json.dumps(list(gates))}{more}}}\n'
        )

    def run(self, began_t: float, ended_t: float | None) -> None:
        """Runs are not written."""

    def finding(self, finding: Finding, raised: bool) -> None:
        """A finding line."""
        self.raised += raised
        if self._findings is None:
            return
        document = {
            "t": time_text(finding.t),
            "condition": finding.condition.value,
            "state": "raised" if raised else "cleared",
            "where": finding.where,
            "confidence": round(finding.confidence, 4),
            "since": None if finding.since is None else time_text(finding.since),
            "evidence": {name: item.value for name, item in finding.evidence.items()},
        }
        self._findings.write(json.dumps(document) + "\n")

    def transition(self, transition: Transition) -> None:
        """Alarms are counted, not written: a recording has no owner who acknowledges."""
        self.alarms += transition.after is AlarmState.UNACKNOWLEDGED

    def event(self, event: ShopEvent) -> None:
        """Recognised events are not written."""


class Marks(MarkedFrames):
    """A sink that gathers the steady stretches of frames with gate marks, for a baseline from a recording."""

    def frame(self, frame: Frame, estimate: Estimate) -> None:
        """A frame with its gate marks."""
        self.update(frame)

    def run(self, began_t: float, ended_t: float | None) -> None:
        """Runs are of no concern."""

    def finding(self, finding: Finding, raised: bool) -> None:
        """Findings are of no concern."""

    def transition(self, transition: Transition) -> None:
        """Alarms are of no concern."""

    def event(self, event: ShopEvent) -> None:
        """Recognised events are of no concern."""


def _number(value: float | None) -> str:
    return "null" if value is None else f"{value:.7g}"


Progress = Callable[[str], object]
LOOK_EVERY = 2_000


@dataclass
class ReplaySummary:
    """What a replay took in and found."""

    report: RecordingReport
    frames: int = 0
    raised: int = 0
    alarms: int = 0

    def sentence(self) -> str:
        """The summary in words."""
        return (
            f"{self.frames} frames from {self.report.samples} samples; {self.raised} findings raised, "
            f"{self.alarms} of them lasted and became alarms"
        )


def replay_recording(
    config: Config,
    recording: Path,
    findings: TextIO | None = None,
    estimates: TextIO | None = None,
    sinks: Iterable[Sink] = (),
    progress: Progress | None = None,
    baseline: Baseline | None = None,
) -> ReplaySummary:
    """Play ``recording`` through the pipeline of ``config``; write findings and estimates as JSON Lines.

    The channels of a recording are SI and calibrated already: names, units, scales and offsets of the configuration
    are left aside, its ranges and limits are used. ``baseline`` is what the live daemon estimated by, if any.
    """
    summary = ReplaySummary(RecordingReport(recording))
    pipeline = build_pipeline(calibrated(config), baseline=baseline)
    out = FileSink(findings, estimates)
    pipeline.sinks = [out, *sinks]
    samples = read_recording(recording, summary.report)
    with seldom_collected():
        pipeline.feed(samples if progress is None else watched(samples, summary.report, progress))
        pipeline.finish()
    summary.frames, summary.raised, summary.alarms = pipeline.frames, out.raised, out.alarms
    return summary


@contextmanager
def seldom_collected() -> Iterator[None]:
    """Look for cycles of garbage more seldom: frames and blocks make none, and the looking is paid for with each of them."""
    usual = gc.get_threshold()
    gc.collect()
    gc.freeze()  # modules and settings need no looking at
    gc.set_threshold(50_000, 20, 100)
    try:
        yield
    finally:
        gc.set_threshold(*usual)
        gc.unfreeze()


def read_baseline(path: Path, design: DuctDesign) -> Baseline:
    """A baseline from a JSON file, or the newest of a store. Raises :class:`ConfigError` where it cannot be used."""
    if path.read_bytes()[:15] == b"SQLite format 3":
        newest, why = newest_baseline(path, design)
        if newest is None:
            raise ConfigError([f"{path}: {why or 'there is no baseline in this store'}"])
        return newest
    try:
        found = Baseline.from_dict(json.loads(path.read_text()))
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise ConfigError([f"{path}: is no baseline: {error}"]) from error
    misfit = found.fits(design)
    if misfit is not None:
        raise ConfigError([f"{path}: {misfit}"])
    return found


def calibrated(config: Config) -> Config:
    """The configuration for readings that are channels in SI units already."""
    plain = tuple(
        replace(spec, raw_name=spec.channel, source="", unit="", scale=1.0, offset=0.0, volts=None) for spec in config.sensors
    )
    return replace(config, sensors=plain)


def watched(samples: Iterator[Sample], report: RecordingReport, progress: Progress) -> Iterator[Sample]:
    """The samples, with ``progress`` called now and then as they are read."""
    for count, sample in enumerate(samples):
        if count % LOOK_EVERY == 0:
            progress(report.so_far())
        yield sample
    progress(report.so_far())
