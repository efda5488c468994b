"""The guided check: a short tour before the work and the same after it, then the comparison.

The tour is the baseline's own (:mod:`analysis.baseline.tour`), fed with the frames that the running daemon stores; it
changes nothing in the daemon. What it measured is kept beside the store, with the configuration of that day.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from analysis.baseline.plan import plan
from analysis.baseline.steps import TourData
from analysis.baseline.tour import Tour
from analysis.compare.steady import of_tour
from analysis.duct.design import DuctDesign
from analysis.duct.tree import upstream_ports
from daemon.comparing.comparing import Report, Told, report_of
from daemon.comparing.designs import Designs, baseline_of
from daemon.comparing.periods import Span, local_words, store_frames
from daemon.config.changes import load_change
from daemon.config.config import Config
from daemon.config.load import parse
from daemon.config.secrets import scrubbed
from daemon.errors import CompareError, ConfigError
from daemon.store.reader import EVER, Reader
from daemon.wiring import build_sensor_sds

Side = Literal["before", "after"]
SIDES: tuple[Side, Side] = ("before", "after")
FORMAT = 1
RESUMED_S = 48.0 * 3600.0
"""A check that was laid aside is gone on with for so long; each day of its steps has its own bags and air in the comparison."""


@dataclass(frozen=True, slots=True)
class Kept:
    """A check that was kept: the drawing of its day, what was measured, and the run that is cut ("" where nobody said)."""

    design: DuctDesign
    data: TourData
    steps: tuple[tuple[str, ...], ...]
    run: str = ""


def check_file(config: Config, side: Side) -> Path:
    """Where a check is kept: beside the store."""
    store = config.at(config.file.store.file)
    return store.with_name(f"{store.stem}.check-{side}.json")


def load_check(config: Config, side: Side) -> Kept:
    """A kept check. Raises :class:`CompareError` where there is none that can be read."""
    path = check_file(config, side)
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
        design = parse(kept["config"], config.path).design
        tour = Tour.restored(design, kept["tour"], build_sensor_sds(config))
    except FileNotFoundError as error:
        raise CompareError(
            f"there is no check {side} the work yet; do it first, on the page or with ductwarden tour SHOP"
            f" {side}") from error
    except (OSError, ValueError, KeyError, TypeError, AttributeError, ConfigError) as error:
        raise CompareError(f"{path} cannot be read: {error}") from error
    return Kept(design, tour.data(), tour.plan, str(kept.get("run") or ""))


def steps_of(design: DuctDesign, run: str) -> tuple[tuple[str, ...], ...]:
    """All gates shut, then each port whose air passes the run that is cut, and one other, which tells fan and bags from the
    ducts; every port where nobody said which run it is. What the change does to the ports left out is reckoned."""
    steps = plan(design, 0)
    touched = set(upstream_ports(design, run)) if run in design.run_names else set(design.port_names)
    other = [step for step in steps if step and not touched & set(step)][:1]
    return tuple(step for step in steps if not step or touched & set(step) or step in other)


class CheckTour:
    """A short tour over the frames in the store, from ``since`` on (None: from now). Speaks as the daemon's tour does:
    requests in, a status document out."""

    def __init__(self, config: Config, reader: Reader, side: Side, since: float | None = None, run: str = "") -> None:
        self._config, self._reader, self._side = config, reader, side
        self._design, steps, self._run = config.design, steps_of(config.design, run), run
        self._text = scrubbed(config.text)
        if side == "after":
            earlier = load_check(config, "before")
            # The same steps, in the ports of that day: what was added since stays shut.
            self._design, steps, self._run = earlier.design, earlier.steps, earlier.run
            self._text = json.loads(check_file(config, "before").read_text(encoding="utf-8"))["config"]
        self._steps = steps
        self._last = reader.last_t() or -EVER if since is None else since
        self._tour = self._left()

    def close(self) -> None:
        """Let go of the store. A check under way is laid aside; the next one of its side goes on with it."""
        if self._tour is not None:
            kept = {"format": FORMAT, "tour": self._tour.snapshot()}
            # Where nothing can be written there is nothing to go on with: the check is begun anew.
            with contextlib.suppress(OSError):
                self._aside.write_text(json.dumps(kept) + "\n", encoding="utf-8")
        self._reader.close()

    @property
    def _aside(self) -> Path:
        path = check_file(self._config, self._side)
        return path.with_name(f"{path.stem}.part.json")

    def _left(self) -> Tour | None:
        try:
            kept = json.loads(self._aside.read_text(encoding="utf-8"))
            if self._last - float(kept["tour"]["t"]) > RESUMED_S:
                return None
            return Tour.restored(self._design, kept["tour"], build_sensor_sds(self._config))
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            # None was laid aside, or it is of another day or drawing: the check begins anew.
            return None

    def _end(self) -> None:
        self._tour = None
        self._aside.unlink(missing_ok=True)

    def ask(self, payload: Mapping[str, object]) -> tuple[bool, str]:
        """Start, done, skip, back, finish or cancel; whether it was taken, and words."""
        action = payload.get("action")
        if action == "start":
            if self._tour is not None:
                return True, self._tour.status.words
            self._tour = Tour(
                self._design, name=f"check {self._side} the work", sensors=build_sensor_sds(self._config), steps=self._steps)
            return True, self._tour.status.words
        if self._tour is None:
            return False, "no check is in progress"
        if action == "done":
            self._tour.ready()
        elif action == "skip":
            self._tour.skip()
        elif action == "back":
            at = self._tour.status.step - 1
            if at < 0:
                return False, "this is the first step"
            self._tour.again(self._tour.plan[at])
        elif action == "finish":
            return self._keep(self._tour)
        else:
            self._end()
            return True, "the check has been discarded"
        return True, self._tour.status.words

    def status(self, until: float = EVER) -> dict[str, Any]:
        """Where the check stands, after the frames that came since the last look and not after ``until``."""
        if self._tour is None:
            return {"active": False}
        for frame in store_frames(self._reader, Span(self._last + 0.001, until), reported=False):
            self._last = frame.t
            self._tour.update(frame)
        return {"active": True, **self._tour.status.to_dict()}

    def _keep(self, tour: Tour) -> tuple[bool, str]:
        if not tour.data().steps:
            return False, "no step was measured"
        path = check_file(self._config, self._side)
        kept = {"format": FORMAT, "config": self._text, "run": self._run, "tour": tour.snapshot()}
        path.write_text(json.dumps(kept) + "\n", encoding="utf-8")
        self._end()
        return True, f"the check {self._side} the work is saved in {path}"


def compare_checks(config: Config, reader: Reader | None, told: Told) -> Report:
    """The comparison of both checks. The drawing after is that of ``config``, or that of the change's file."""
    before, after = load_check(config, "before"), load_check(config, "after")
    later = config.design
    if told.change is not None:
        later = load_change(told.change, config).design
    words = tuple(f"guided check of {local_words(one.data.t)}" for one in (before, after))
    baseline = baseline_of(reader, before.design, before.data.t)
    if told.joined is None and before.run:
        told = replace(told, joined=before.run)
    return report_of(
        config, [of_tour(before.data), of_tour(after.data)], Designs(before.design, later), told, (words[0], words[1]), baseline)
