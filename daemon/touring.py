"""The baseline tour in the daemon: guided by requests, fed by the pipeline's frames, ended by the fit.

| action | what it does |
| --- | --- |
| ``start`` | begin a tour: ``name``, ``clean`` (the bags were just cleaned), ``pairs`` |
| ``done`` | the gates of this step are set: measure |
| ``skip`` | leave this step out |
| ``repeat``, ``back`` | measure ``step`` (else the present, else the previous one) once more |
| ``finish`` | fit what was measured, store it as a baseline, and estimate by it from now on |
| ``cancel`` | forget the tour |
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from analysis.baseline.fit import FitError, fit
from analysis.baseline.model import Baseline, BaselineError
from analysis.baseline.report import report
from analysis.baseline.tour import Tour
from analysis.duct.design import DuctDesign
from analysis.estimates import Estimate
from analysis.events import EventKind, ShopEvent
from analysis.findings import Finding
from analysis.readings import Frame
from daemon.alarms.types import Transition
from daemon.config.config import Config
from daemon.pipeline import Pipeline
from daemon.store.reader import Reader
from daemon.store.writer import Writer
from daemon.wiring import build_sensor_sds

Document = dict[str, Any]


class TourDeclined(ValueError):
    """What was asked of the tour cannot be done now; the text says why."""


def newest_baseline(path: Path, design: DuctDesign) -> tuple[Baseline | None, str]:
    """The latest stored baseline that belongs to ``design``, and a sentence where the latest one does not."""
    reader = Reader(path)
    try:
        for row in reader.baselines():
            stored = reader.baseline(row["name"])
            if stored is None:
                continue
            try:
                found = Baseline.from_dict(stored["document"])
            except BaselineError as error:
                return None, f"the baseline {row['name']!r} cannot be read: {error}"
            why = found.fits(design)
            return (found, "") if why is None else (None, f"the baseline {row['name']!r} is not used: {why}")
        return None, ""
    finally:
        reader.close()


class TourDesk:
    """Holds the tour under way, if any. A sink of the pipeline: every frame reaches it."""

    def __init__(self, config: Config, writer: Writer, pipeline: Pipeline) -> None:
        self._config = config
        self._writer = writer
        self._pipeline = pipeline
        self._sensors = build_sensor_sds(config)
        self._tour: Tour | None = None
        self._report: Document = {}

    def frame(self, frame: Frame, estimate: Estimate) -> None:
        """Every frame goes to the tour."""
        if self._tour is not None:
            self._tour.update(frame)

    def ask(self, payload: Mapping[str, Any], t: float, by: str) -> str:
        """Do what the owner asks; returns words for him. Raises :class:`TourDeclined`."""
        action = str(payload.get("action") or "")
        if action == "start":
            return self._start(payload, t)
        if self._tour is None:
            raise TourDeclined("no tour is under way")
        if action in ("done", "ready"):
            self._tour.ready()
        elif action == "skip":
            self._tour.skip()
        elif action in ("repeat", "back"):
            self._again(payload, action)
        elif action == "finish":
            return self._finish(t, by)
        elif action == "cancel":
            self._tour = None
            return "the tour is forgotten"
        else:
            raise TourDeclined(f"{action!r} is nothing that a tour knows")
        return self._tour.status.words

    def _start(self, payload: Mapping[str, Any], t: float) -> str:
        if self._tour is not None:
            raise TourDeclined("a tour is under way; finish or cancel it first")
        name = str(payload.get("name") or datetime.fromtimestamp(t, UTC).strftime("tour of %Y-%m-%d"))
        self._tour = Tour(
            self._config.design, name=name, sensors=self._sensors, pairs=_whole(payload.get("pairs"), 3),
            clean=bool(payload.get("clean")),
        )
        self._report = {}
        return self._tour.status.words

    def _again(self, payload: Mapping[str, Any], action: str) -> None:
        assert self._tour is not None
        step = payload.get("step")
        at = self._tour.status.step if step is None else int(step)
        if step is None and action == "back":
            at -= 1
        if not 0 <= at < len(self._tour.plan):
            raise TourDeclined(f"step {at + 1} is none of the {len(self._tour.plan)} steps")
        self._tour.again(self._tour.plan[at])

    def _finish(self, t: float, by: str) -> str:
        assert self._tour is not None
        try:
            baseline = fit(self._config.design, self._tour.data())
        except FitError as error:
            raise TourDeclined(f"the tour does not make a baseline: {error}") from error
        self._tour = None
        self._report = {"report": [asdict(line) for line in report(baseline)], "notes": list(baseline.notes)}
        self._writer.baseline(baseline.name, baseline.t, baseline.to_dict())
        self._pipeline.estimator = self._pipeline.estimator.with_baseline(baseline)
        event = ShopEvent(t, EventKind.BASELINE, by, f"baseline {baseline.name!r} stored")
        self._writer.event(event)
        self._pipeline.happened(event)
        return f"baseline {baseline.name!r} is stored and in use"

    def document(self) -> Document:
        """The status document "tour"."""
        if self._tour is None:
            return {"active": False, "phase": "done" if self._report else "", **self._report}
        return {"active": True, "name": self._tour.name, **self._tour.status.to_dict()}

    def snapshot(self) -> dict[str, object]:
        """The tour under way, so that it survives a restart."""
        return {} if self._tour is None else {"tour": self._tour.snapshot()}

    def restore(self, data: Mapping[str, object]) -> None:
        """Go on with the tour of a snapshot; one of another design or version is left behind."""
        tour = data.get("tour")
        if isinstance(tour, Mapping):
            try:
                self._tour = Tour.restored(self._config.design, tour, self._sensors)
            except (KeyError, TypeError, ValueError):
                self._tour = None

    def run(self, began_t: float, ended_t: float | None) -> None:
        """Runs are of no concern to a tour."""

    def finding(self, finding: Finding, raised: bool) -> None:
        """Findings are of no concern to a tour."""

    def transition(self, transition: Transition) -> None:
        """Alarms are of no concern to a tour."""

    def event(self, event: ShopEvent) -> None:
        """Recognised events are of no concern to a tour."""


def _whole(said: object, usual: int) -> int:
    """A whole number as it was asked for (none is one too), the usual one where nothing was said."""
    if said is None or said == "":
        return usual
    try:
        return max(0, int(str(said)))
    except ValueError as error:
        raise TourDeclined(f"pairs: found {said!r}; a whole number of pairs is wanted, 0 for none") from error
