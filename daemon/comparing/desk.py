"""The comparison in the daemon: asked for on the dashboard, answered by short-lived processes and a guided tour.

| action | what it does |
| --- | --- |
| ``start`` | the run ``name`` is built: write it into the journal, and compare again and again from now on |
| ``cancel`` | end that, and forget the last answer |
| ``compare`` | once: ``way`` is ``entry`` (``entry``), ``spans`` or ``baselines`` (``before``, ``after``), or ``checks`` |
| ``check`` | begin a guided check, ``side`` before or after the work, ``run`` the run that is cut |
| ``ready``, ``skip``, ``back``, ``keep``, ``leave`` | said to that check; ``keep`` stores it, and after the work compares |

Every comparison is made by a process of its own (:mod:`daemon.comparing.__main__`), so that neither its memory nor its
time are the daemon's.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from analysis.events import EventKind, ShopEvent
from daemon.comparing.checking import TO_CHECK, GuidedCheck
from daemon.config.config import Config
from daemon.errors import AddedRunDeclined
from daemon.pipeline import Pipeline
from daemon.store.writer import Writer

Document = dict[str, Any]

EVERY_S = 1800.0
"""Running seconds between two comparisons."""
FIRST_S = 600.0
"""Running seconds after the entry before the first one."""
LONGEST_S = 900.0
"""A comparison that takes longer (by the computer's own clock) is ended [s]."""


class AddedRunDesk:
    """Holds the comparison and the check under way, if any. ``turn`` and ``document`` are called from the pipeline's thread
    and return at once."""

    def __init__(self, config: Config, writer: Writer, pipeline: Pipeline) -> None:
        self._config, self._writer, self._pipeline = config, writer, pipeline
        self._name = ""
        self._entry: int | None = None
        self._ran_s = 0.0
        self._due_s = FIRST_S
        self._last_t: float | None = None
        self._answer: Document = {}
        self._trouble = ""
        self._job: Job | None = None
        self._check = GuidedCheck(config)
        # Whether gate sensors have ever spoken: with them silent for the moment, the stored gates are theirs all the same.
        self._reported = False

    def ask(self, payload: Mapping[str, Any], t: float, by: str) -> str:
        """Do what the owner asks; returns words for him. Raises :class:`AddedRunDeclined`."""
        action = str(payload.get("action") or "")
        if action == "cancel":
            return self._cancel()
        if action == "start":
            return self._start(payload, t, by)
        if action == "compare":
            return self._compare(payload)
        if action == "check":
            words = self._check.begin(payload.get("side"), str(payload.get("run") or "").strip())
            self._follow()
            return words
        if action in (*TO_CHECK, "keep", "leave"):
            return self._say_to_check(action, t)
        raise AddedRunDeclined(f"{action!r} is not an action this page knows")

    def turn(self, running: bool, t: float, wall_t: float) -> None:
        """Count running time; start a comparison when it is due."""
        frame = self._pipeline.last_frame
        if frame is not None and frame.gates is not None:
            self._reported = True
        ran = t - self._last_t if self._last_t is not None and running and 0.0 < t - self._last_t < 60.0 else 0.0
        self._last_t = t
        if self._entry is not None:
            self._ran_s += ran
            if self._job is None and self._ran_s >= self._due_s:
                self._due_s = self._ran_s + EVERY_S
                self._begin(["--entry", str(self._entry)], "Comparing.")

    def document(self) -> Document:
        """The status document "added_run". Whatever has been answered since the last look is taken first: there may be no
        frames, and so no turns, while sensors are silent."""
        self._follow()
        if self._job is not None:
            self._look(self._job)
        told: Document = {}
        if self._answer:
            told = {**self._answer, "name": self._name or self._answer.get("name", "")}
        elif self._entry is not None:
            minutes = self._ran_s / 60.0
            words = f"{minutes:.0f} minutes of running since the change; the first comparison comes after {FIRST_S / 60.0:.0f}."
            if self._ran_s >= FIRST_S:
                words = "Comparing."
            told = {"phase": "after", "name": self._name, "words": words, "ports": []}
        if self._entry is not None:
            told["entry"] = self._entry
        if self._trouble:
            told["trouble"] = self._trouble
            if not self._answer and self._entry is not None:
                told["words"] = f"No answer yet: {self._trouble}"
        if self._job is not None:
            told["busy"] = self._job.words
        told |= self._check.document()
        if self._reported:
            told["gates_reported"] = True
        return told

    def snapshot(self) -> dict[str, object]:
        """What is to survive a restart. A guided check lies beside the store."""
        told: dict[str, object] = {}
        if self._entry is not None:
            told |= {"entry": self._entry, "name": self._name, "ran_s": self._ran_s}
        if self._answer:
            told["answer"] = self._answer
        told |= self._check.snapshot()
        if self._reported:
            told["gates_reported"] = True
        return told

    def restore(self, data: Mapping[str, object]) -> None:
        """Go on with the check of a snapshot; anything else is left behind."""
        entry, ran, answer = (data.get(key) for key in ("entry", "ran_s", "answer"))
        if isinstance(entry, int) and isinstance(ran, int | float):
            self._entry, self._name, self._ran_s = entry, str(data.get("name") or ""), float(ran)
            self._due_s = max(FIRST_S, self._ran_s)
        self._answer = dict(answer) if isinstance(answer, Mapping) else {}
        self._reported = data.get("gates_reported") is True
        self._check.restore(data)

    def close(self) -> None:
        """End what is under way."""
        if self._job is not None:
            self._job.close()
        self._job = None
        self._check.leave()

    # -- the added run ------------------------------------------------------------------------------------------------

    def _start(self, payload: Mapping[str, Any], t: float, by: str) -> str:
        name = str(payload.get("name") or "").strip()
        if not name:
            raise AddedRunDeclined("enter a name for the new run")
        self.close()
        event = ShopEvent(t, EventKind.ADDED_RUN, by, name, name)
        self._entry = self._writer.event(event)
        self._pipeline.happened(event)
        self._name, self._answer, self._trouble = name, {}, ""
        self._ran_s, self._due_s = 0.0, FIRST_S
        return f"journal entry {self._entry}; from now on, airflow is compared with the time before"

    def _cancel(self) -> str:
        if self._entry is None and not self._answer:
            raise AddedRunDeclined("nothing is being compared")
        self.close()
        self._entry, self._answer, self._name, self._trouble = None, {}, "", ""
        return "comparing has stopped; the journal keeps its entry"

    def _compare(self, payload: Mapping[str, Any]) -> str:
        way = str(payload.get("way") or "")
        before, after = (str(payload.get(side) or "").strip() for side in ("before", "after"))
        if way == "entry":
            arguments = ["--entry", str(int(payload.get("entry") or 0))]
        elif way in ("spans", "baselines"):
            if not before or not after:
                raise AddedRunDeclined("give both a before and an after")
            if before.startswith("-") or after.startswith("-"):
                raise AddedRunDeclined("a name or date cannot start with a dash")
            arguments = [f"--{way}", before, after]
        elif way == "checks":
            arguments = ["--checks"]
        else:
            raise AddedRunDeclined(f"{way!r} is not a way to compare; allowed: entry, spans, baselines, checks")
        name = str(payload.get("name") or "").strip()
        self._begin([*arguments, f"--name={name}"], "Comparing.")
        return "comparing; the answer will appear here shortly"

    # -- processes ----------------------------------------------------------------------------------------------------

    def _begin(self, arguments: list[str], words: str) -> None:
        if self._job is not None:
            raise AddedRunDeclined("a comparison is already running; try again when it has finished")
        self._trouble = ""
        if not any(one.startswith("--name") for one in arguments):
            arguments = [*arguments, f"--name={self._name}"]
        # The process reads the store: what was measured up to now must be in it.
        self._writer.flush(force=True)
        try:
            self._job = Job(self._config.path, arguments, words)
        except OSError as error:
            self._trouble = f"the comparison could not be started: {error}"

    def _look(self, job: Job) -> None:
        answer, trouble = job.look()
        if answer is None and not trouble:
            return
        self._job = None
        self._trouble = trouble
        # What ordinary running cannot tell does not take the place of what a check has told.
        if answer is not None and (answer.get("ports") or not self._answer.get("ports")):
            self._answer = answer

    # -- the guided check ---------------------------------------------------------------------------------------------

    def _follow(self) -> None:
        trouble = self._check.follow()
        if trouble:
            self._trouble = trouble

    def _say_to_check(self, action: str, t: float) -> str:
        try:
            words = self._check.say(action, t)
            self._follow()
            if action == "keep" and self._check.side == "after" and self._job is None:
                self._begin(["--checks"], "Comparing the two checks.")
        except OSError as error:
            raise AddedRunDeclined(f"the check could not be saved: {error.strerror or error}") from error
        return words


class Job:
    """A process of :mod:`daemon.comparing.__main__`. Raises OSError where it cannot be started."""

    def __init__(self, shop: Path, arguments: Sequence[str], words: str) -> None:
        self.words = words
        self._until = time.monotonic() + LONGEST_S
        self._out, self._err = tempfile.TemporaryFile(), tempfile.TemporaryFile()  # noqa: SIM115
        # Its matrices are small: one thread is quicker than two, and leaves the other core to the daemon.
        surroundings = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        try:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "daemon.comparing", str(shop.resolve()), *arguments], stdin=subprocess.DEVNULL,
                stdout=self._out, stderr=self._err, env=surroundings)
        except OSError:
            self._out.close()
            self._err.close()
            raise

    def look(self) -> tuple[dict[str, Any] | None, str]:
        """What it said and what is wrong: nothing of both while it works. Closes it when it has ended."""
        code = self._process.poll()
        if code is None:
            if time.monotonic() <= self._until:
                return None, ""
            self.close()
            return None, "the comparison took too long and was stopped"
        self._out.seek(0)
        self._err.seek(0)
        told, wrong = self._out.read().decode(errors="replace"), self._err.read().decode(errors="replace")
        self.close()
        try:
            answer = json.loads(told) if code == 0 else None
        except ValueError:
            answer = None
        if isinstance(answer, dict):
            return answer, ""
        lines = [line for line in wrong.splitlines() if line.strip()]
        return None, lines[-1] if lines else f"the comparison ended with code {code}"

    def close(self) -> None:
        """End it."""
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait(timeout=5.0)
        self._out.close()
        self._err.close()
