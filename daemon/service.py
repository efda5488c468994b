"""The live daemon: starts everything, turns the one loop, stops everything. DEVELOPERS.md has the failure table.

Threads: one a source, one an outlet, one for the dashboard, and this one, which owns the pipeline and the store. Sources
put lists of samples on one bounded queue; nothing else crosses between threads but SQLite and the outlets' queues.
"""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable, Iterable
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

from analysis.events import EventKind, ShopEvent
from analysis.readings import RunState
from daemon import documents
from daemon.answering import Answerer
from daemon.clock import WAIT_S, Clock, ClockWatch, PacedClock, WallClock, step_words, wait_for_sound_clock
from daemon.comparing.desk import AddedRunDesk
from daemon.config.config import Config
from daemon.documents import DuctsNow
from daemon.errors import DamagedStore
from daemon.memory import Past, read_past, remember, restore
from daemon.pipeline import Pipeline
from daemon.selfcheck import Ear, StoreWatch, daemon_document
from daemon.sources.build import build_sources
from daemon.sources.contract import Sample, SampleQueue, Source
from daemon.store.lock import StoreLock
from daemon.store.migrate import SchemaReport, ensure_schema, put_aside
from daemon.store.postgres import Mirror
from daemon.store.writer import Writer
from daemon.supervision import Beside, Side, Supervisor, hand_back, keep_source, part_failed
from daemon.telling import Teller
from daemon.touring import TourDesk, newest_baseline
from daemon.wiring import build_pipeline

LOG = logging.getLogger("ductwarden")

QUEUE_ROOM = 2_000
TURN_S = 0.25
"""The loop turns at least this often: stopping, requests and silence are noticed promptly."""
STATUS_S = 2.0
COMMIT_S, LEAST_COMMIT_S = 10.0, 0.5
"""How long a frame waits at most to be committed, in event time: a page of the database is then written for ten frames, not for
one. Alarms, journal entries and answers never wait, and pages of this process show every frame at once."""
REMEMBER_S, REMEMBER_TOUR_S = 300.0, 30.0
HAND_BACK_S = 600.0
"""What visitors needed is given back to the system so often."""
GRACE_S = 0.5
"""How long after its end a tick waits for slower sources."""
AT_ONCE = 5_000
"""Samples taken in before the loop looks elsewhere."""
NOTED_STEP_S = 60.0
"""A clock that was set by more than this gets a line in the journal, so that a trend shows the correction."""


class Service:
    """One shop, watched. ``side`` makes what runs beside the loop; it starts while the sources run already. With a ``pace``
    other than 1, event time passes that many times as fast as real time: a rehearsal. ``wait_s`` is how long a computer's
    clock that cannot be believed is waited for; ``wall`` is that clock.
    """

    def __init__(
        self, config: Config, side: Callable[[], Side] | None = None, *, pace: float = 1.0, wait_s: float = WAIT_S,
        wall: Callable[[], float] = time.time,
    ) -> None:
        self._config = config
        self._beside = Beside(side)
        self._mirror = Mirror.of(config)
        self._pace = pace
        self._wait_s = wait_s
        self._wall = wall
        self._stop = threading.Event()
        self._began_wall = time.time()
        self._samples: SampleQueue = queue.Queue(QUEUE_ROOM)
        self._ducts = DuctsNow(config.design)
        self._supervisor = Supervisor()
        self._watch: ClockWatch | None = None

    def stop(self) -> None:
        """Ask the loop to end; safe from a signal handler or another thread."""
        self._stop.set()

    def run(self) -> None:
        """Run until stopped. Raises :class:`daemon.errors.StoreError` or ConfigError where it cannot begin.

        What was started is stopped in reverse order, whatever happens; the store is closed last.
        """
        path = self._config.at(self._config.file.store.file)
        with ExitStack() as stack:
            stack.callback(self._supervisor.close)
            stack.enter_context(StoreLock(path))
            try:
                self._live(path, ensure_schema(path))
            except DamagedStore as error:
                if self._stop.is_set():
                    raise
                # Met while the start read what a short look did not reach.
                aside = put_aside(path, "damaged")
                words = f"{error}; it was set aside as {aside} and a new one was begun"
                self._live(path, replace(ensure_schema(path), set_aside=aside, words=words))

    def _live(self, path: Path, report: SchemaReport) -> None:
        config = self._config
        with ExitStack() as stack:
            LOG.log(logging.ERROR if report.set_aside else logging.INFO, "%s", report.words)
            writer = Writer(
                path, keep_raw_days=config.file.store.keep_raw / 86400.0,
                commit_every_s=LEAST_COMMIT_S if _simulated(config) else max(LEAST_COMMIT_S, COMMIT_S / self._pace),
            )
            stack.callback(writer.close)
            if report.set_aside is not None:
                writer.health.set_aside, writer.health.words = str(report.set_aside), report.words
            past = read_past(path)
            live_clock = self._live_clock(past)
            sources, own_clock = build_sources(config, live_clock, past)
            clock = own_clock or live_clock
            health = {source.health.name: source.health for source in sources}
            baseline, trouble = newest_baseline(path, config.design)
            if trouble:
                LOG.warning("%s", trouble)
            pipeline = build_pipeline(
                config, health, grace_s=0.0 if own_clock else GRACE_S * self._pace, baseline=baseline
            )
            tours = TourDesk(config, writer, pipeline)
            added = _desk(config, writer, pipeline)
            stack.callback(added.close)
            teller = Teller(config, writer, pipeline)
            restore(writer, pipeline, teller.desk, tours, added)
            pipeline.sinks = [writer, teller, tours]
            pipeline.trouble = part_failed
            if isinstance(clock, WallClock):
                wait_for_sound_clock(
                    past.last_t, self._stop, self._wait_s, wall=self._wall, told=self._supervisor.status
                )
                self._watch = ClockWatch(clock.now)
            writer.configuration(config.text, clock.now())
            writer.status("shop", documents.shop_document(config))
            pipeline.advance(clock.now())  # time is watched from here on: what arrives while the rest starts is not lost
            self._start_sources(stack, sources)
            teller.start(clock.now())
            stack.callback(teller.stop)
            if self._mirror is not None:
                self._mirror.start(self._stop)
                stack.callback(self._mirror.join)
            self._beside.start()
            stack.callback(self._beside.stop)
            self._loop(writer, pipeline, teller, tours, added, sources, clock)
            self._supervisor.stopping()
            pipeline.finish()
            teller.turn()
            remember(writer, pipeline, teller.desk, tours, added)

    def _live_clock(self, past: Past) -> Clock:
        """The clock of sources without a time of their own."""
        if self._pace == 1.0:
            return WallClock(past.last_t, self._wall)
        clock = PacedClock(max(self._wall(), past.last_t or 0.0), self._pace)
        LOG.info("a rehearsal: event time begins at %.3f and passes %g times as fast as real time", clock.now(), self._pace)
        return clock

    def _start_sources(self, stack: ExitStack, sources: Iterable[Source]) -> None:
        threads = [
            threading.Thread(
                target=keep_source, args=(source, self._samples, self._stop), name=source.health.name, daemon=True
            )
            for source in sources
        ]
        for thread in threads:
            thread.start()
        stack.callback(_join, threads)
        stack.callback(self._stop.set)

    def _loop(
        self, writer: Writer, pipeline: Pipeline, teller: Teller, tours: TourDesk, added: AddedRunDesk,
        sources: list[Source], clock: Clock,
    ) -> None:
        set_pace = clock.go_at if _simulated(self._config) and isinstance(clock, PacedClock) else None
        answerer = Answerer(pipeline, writer, tours, added, set_pace)
        store = StoreWatch(writer, teller.tell)
        status_due = remember_due = time.monotonic()
        ear = Ear()
        measuring: documents.Document = {}
        ready, hand_back_due = False, 0.0
        toured = tours.document()
        while not self._stop.is_set():
            samples = self._take()
            pipeline.feed(samples)
            now = clock.now()
            ear.hear(samples, now)
            pipeline.advance(now)
            self._look_at_clock(writer, now)
            answerer.answer_all(now)
            teller.turn()
            turn = time.monotonic()
            heard = ear.document()
            if heard["ok"] != measuring.get("ok") or turn >= status_due:
                measuring = heard
                writer.status("measuring", measuring)
            if turn >= status_due:
                status_due = turn + STATUS_S
                self._show(writer, pipeline, teller, sources, clock)
                writer.status("tour", tour := tours.document(), soon=tour != toured)
                if tour != toured:
                    remember_due = min(remember_due, turn + REMEMBER_TOUR_S)
                toured = tour
                frame = pipeline.last_frame
                if frame is not None:
                    added.turn(frame.state is RunState.RUNNING, frame.t, turn)
                writer.status("added_run", added.document())
            if turn >= remember_due:
                remember_due = turn + REMEMBER_S
                remember(writer, pipeline, teller.desk, tours, added)
            writer.tick()
            store.look(now)
            if not ready and self._beside.running():
                ready = True
                self._supervisor.ready()
                hand_back_due = turn
            if ready and turn >= hand_back_due:
                hand_back_due = turn + HAND_BACK_S
                hand_back()
            self._supervisor.turn()

    def _take(self) -> list[Sample]:
        """What has arrived, after waiting at most a turn for the first of it."""
        try:
            samples = self._samples.get(timeout=TURN_S)
        except queue.Empty:
            return []
        while len(samples) < AT_ONCE:
            try:
                samples = samples + self._samples.get_nowait()
            except queue.Empty:
                break
        return samples

    def _look_at_clock(self, writer: Writer, now: float) -> None:
        by = None if self._watch is None else self._watch.moved()
        if by is None:
            return
        words = step_words(by)
        LOG.warning("%s", words)
        if abs(by) >= NOTED_STEP_S:
            writer.event(ShopEvent(now, EventKind.NOTE, "ductwarden", words))

    def _show(
        self, writer: Writer, pipeline: Pipeline, teller: Teller, sources: list[Source], clock: Clock
    ) -> None:
        writer.status("detectors", [documents.finding_document(finding) for finding in pipeline.last_findings])
        writer.status("sources", [documents.source_document(source.health) for source in sources])
        mirrored = [] if self._mirror is None else [self._mirror.health]
        writer.status("outlets", [documents.outlet_document(health) for health in (*teller.health, *mirrored)])
        writer.status("daemon", daemon_document(writer, pipeline, clock, self._began_wall, self._watch))
        frame, estimate = pipeline.last_frame, pipeline.last_estimate
        if frame is not None and estimate is not None:
            writer.status("ducts", self._ducts.document(frame, estimate, pipeline.estimator.baseline))
            teller.show({"t": frame.t, "state": frame.state.value, "run_s": frame.run_s, **frame.values})


def _simulated(config: Config) -> bool:
    """Whether an invented shop sends the readings: at its pace ten seconds are half an hour of charts."""
    return any(table.kind == "simulator" for table in config.file.source)


def _desk(config: Config, writer: Writer, pipeline: Pipeline) -> AddedRunDesk:
    """The desk of the added run; in the invented shop its maker sits at it."""
    if _simulated(config):
        from daemon.demo.maker import MakersDesk

        return MakersDesk(config, writer, pipeline)
    return AddedRunDesk(config, writer, pipeline)


def _join(threads: list[threading.Thread]) -> None:
    for thread in threads:
        thread.join(timeout=3.0)
