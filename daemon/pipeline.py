"""The data's way, in order: sample -> reading -> frame -> estimate -> block -> finding -> alarm -> notice.

Read this file first. Live running, replay, simulation and tests all walk through :class:`Pipeline`; only what feeds it
and the sinks at its end differ. It runs on event time and knows no clock.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from operator import is_not
from typing import Any, Protocol

from analysis.baseline.model import Baseline
from analysis.blocks import Block, BlockBuilder
from analysis.causes import explain
from analysis.conditions import Condition
from analysis.detectors.contract import Detector, Recogniser
from analysis.estimates import Estimate
from analysis.events import ShopEvent
from analysis.findings import Claim, Finding
from analysis.readings import Frame, RunState
from daemon.alarms.desk import AlarmDesk
from daemon.alarms.types import Transition
from daemon.calibrate import Calibrator
from daemon.framing import Framer
from daemon.sources.contract import Sample
from daemon.vetting import Vetter

FAILED = "the estimator failed by an error of our own; the log has it"


class Estimating(Protocol):
    """What the pipeline needs of an estimator."""

    @property
    def baseline(self) -> Baseline | None:
        """The baseline that it estimates by, if any."""

    def update(self, frame: Frame) -> Estimate:
        """The state of the shop at this frame."""

    def with_baseline(self, baseline: Baseline) -> Estimating:
        """An estimator by this baseline that keeps what else was learned."""

    def event(self, event: ShopEvent) -> None:
        """Something was done to the unit."""

    def snapshot(self) -> dict[str, object]:
        """What was learned, as plain JSON values."""

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a snapshot."""


class Sink(Protocol):
    """Where the pipeline's products go. Every method is called in event order, from one thread."""

    def frame(self, frame: Frame, estimate: Estimate) -> None:
        """A frame with its estimate."""

    def run(self, began_t: float, ended_t: float | None) -> None:
        """A run began (``ended_t`` None) or ended."""

    def finding(self, finding: Finding, raised: bool) -> None:
        """A claim that nothing else explains was raised, or was cleared."""

    def transition(self, transition: Transition) -> None:
        """An alarm moved from one state to another."""

    def event(self, event: ShopEvent) -> object:
        """Something was done to the unit, recognised from the data."""


@dataclass
class Pipeline:
    """The stages, wired once by :func:`daemon.wiring.build_pipeline`."""

    calibrator: Calibrator
    vetter: Vetter
    framer: Framer
    estimator: Estimating
    blocks: BlockBuilder
    recognisers: Sequence[Recogniser]
    detectors: Sequence[Detector]
    desk: AlarmDesk
    related: Mapping[str, Collection[str]] = field(default_factory=dict)
    sinks: list[Sink] = field(default_factory=list)
    trouble: Callable[[str, Exception], None] | None = None
    """Live: told which part failed by an error of our own, while the others go on. None: the error is raised."""

    last_frame: Frame | None = field(default=None, init=False)
    last_estimate: Estimate | None = field(default=None, init=False)
    last_findings: tuple[Finding, ...] = field(default=(), init=False)
    frames: int = field(default=0, init=False)
    _state: RunState = field(default=RunState.UNKNOWN, init=False)
    _present: dict[tuple[Condition, str], Finding] = field(default_factory=dict, init=False)
    _told: list[tuple[Finding, ...]] = field(default_factory=list, init=False)
    _running: bool = field(default=False, init=False)
    _run_began: float | None = field(default=None, init=False)

    def feed(self, samples: Iterable[Sample]) -> None:
        """Take in samples: calibrate, vet and frame them, and send each frame that closes on its way."""
        calibrate, vet, add = self.calibrator.readings, self.vetter.vet, self.framer.add
        for sample in samples:
            readings = vet(calibrate(sample), self._running)
            for frame in add(sample.t, readings, sample.gates):
                self._take(frame)

    def advance(self, now: float) -> None:
        """Live only: let event time pass although nothing arrives."""
        for frame in self.framer.advance(now):
            self._take(frame)

    def finish(self) -> None:
        """Close the tick under way, and judge once more."""
        for frame in self.framer.flush():
            self._take(frame)
        block = self.blocks.close()
        if block is not None:
            self._look(block)

    def happened(self, event: ShopEvent) -> None:
        """Something was done to the unit, by the owner's word: everything that learns takes it in."""
        self.estimator.event(event)
        for recogniser in self.recognisers:
            recogniser.event(event)
        for detector in self.detectors:
            detector.event(event)

    def moved(self, transitions: Iterable[Transition]) -> None:
        """Pass on transitions, of the pipeline's own making or asked for by the owner."""
        for transition in transitions:
            for sink in self.sinks:
                sink.transition(transition)

    def _take(self, frame: Frame) -> None:
        try:
            estimate = self.estimator.update(frame)
        except Exception as error:
            self._failed(self.estimator.update, error)
            estimate = Estimate(frame.t, notes=(FAILED,))
        for sink in self.sinks:
            sink.frame(frame, estimate)
        self.last_frame, self.last_estimate = frame, estimate
        self.frames += 1
        if frame.state is not self._state:
            self._follow_run(frame)
        block = self.blocks.add(frame, estimate)
        if block is not None:
            self._look(block)

    def _look(self, block: Block) -> None:
        for recogniser in self.recognisers:
            try:
                events = recogniser.update(block)
            except Exception as error:
                self._failed(recogniser.update, error)
                continue
            for event in events:
                self.happened(event)
                for sink in self.sinks:
                    sink.event(event)
        for detector in self.detectors:
            try:
                detector.update(block)
            except Exception as error:
                self._failed(detector.update, error)
        self._judge(block)

    def _follow_run(self, frame: Frame) -> None:
        before, now = self._state, frame.state
        self._state = now
        self._running = now is RunState.RUNNING
        on = now in (RunState.STARTING, RunState.RUNNING)
        was_on = before in (RunState.STARTING, RunState.RUNNING)
        if on and not was_on and self._run_began is None:
            self._run_began = frame.t - frame.run_s
            for sink in self.sinks:
                sink.run(self._run_began, None)
        elif now in (RunState.OFF, RunState.UNKNOWN) and self._run_began is not None:
            ended = self.framer.runs.ended_t
            ended_t = frame.t if ended is None else ended
            for sink in self.sinks:
                sink.run(self._run_began, max(self._run_began, ended_t))
            self._run_began = None

    def _judge(self, block: Block) -> None:
        told = []
        for detector in self.detectors:
            try:
                told.append(detector.findings())
            except Exception as error:
                self._failed(detector.findings, error)
        # Detectors keep their last telling, and most blocks say nothing new: then the causes are those of the last block.
        if len(told) != len(self._told) or any(map(is_not, told, self._told)):
            self._told = told
            self._weigh(told, block.t)
        on = block.state in (RunState.STARTING, RunState.RUNNING)
        self.moved(self.desk.update(block.t, self.last_findings, on))

    def _weigh(self, told: list[tuple[Finding, ...]], t: float) -> None:
        """Find the causes, and tell what was raised and what was cleared."""
        self.last_findings = findings = explain([finding for one in told for finding in one], related=self.related)
        present: dict[tuple[Condition, str], Finding] = {}
        for finding in findings:
            key = (finding.condition, finding.where)
            if finding.claim is Claim.PRESENT and finding.explained_by is None:
                present[key] = finding
            elif finding.claim is Claim.NOT_YET_KNOWN and key in self._present:
                present[key] = self._present[key]
        for key, finding in present.items():
            if key not in self._present:
                self._tell(finding, True)
        for key, finding in self._present.items():
            if key not in present:
                cleared = next((f for f in findings if (f.condition, f.where) == key), finding)
                # What a newly found cause explains is cleared now, though its detector last spoke before.
                self._tell(cleared if cleared.t == t else replace(cleared, t=t), False)
        self._present = present

    def _failed(self, work: Callable[..., Any], error: Exception) -> None:
        """One part failed by an error of its own: live it is told and spares the rest, else it is raised."""
        if self.trouble is None:
            raise error
        self.trouble(work.__qualname__, error)

    def _tell(self, finding: Finding, raised: bool) -> None:
        for sink in self.sinks:
            sink.finding(finding, raised)
