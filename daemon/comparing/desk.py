"""The check of an added run in the daemon: asked for on the dashboard, answered again and again as running time grows.

| action | what it does |
| --- | --- |
| ``start`` | the run ``name`` is built: write it into the journal, and compare from now on |
| ``cancel`` | end the check |

Every comparison is made by a short-lived process (:mod:`daemon.comparing.__main__`), so that neither its memory nor its
time are the daemon's.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from typing import IO, Any

from analysis.events import EventKind, ShopEvent
from daemon.config.config import Config
from daemon.pipeline import Pipeline
from daemon.store.writer import Writer

Document = dict[str, Any]

EVERY_S = 1800.0
"""Running seconds between two comparisons."""
FIRST_S = 600.0
"""Running seconds after the entry before the first one."""
LONGEST_S = 900.0
"""A comparison that takes longer (wall clock, counted in turns) is ended [s]."""


class AddedRunDeclined(ValueError):
    """What was asked cannot be done now; the text says why."""


class AddedRunDesk:
    """Holds the check under way, if any. ``turn`` and ``document`` are called from the pipeline's thread and return at
    once."""

    def __init__(self, config: Config, writer: Writer, pipeline: Pipeline) -> None:
        self._config, self._writer, self._pipeline = config, writer, pipeline
        self._name = ""
        self._entry: int | None = None
        self._ran_s = 0.0
        self._due_s = FIRST_S
        self._last_t: float | None = None
        self._answer: Document = {}
        self._trouble = ""
        self._process: subprocess.Popen[bytes] | None = None
        self._out: IO[bytes] | None = None
        self._err: IO[bytes] | None = None
        self._deadline = 0.0

    def ask(self, payload: Mapping[str, Any], t: float, by: str) -> str:
        """Do what the owner asks; returns words for him. Raises :class:`AddedRunDeclined`."""
        action = str(payload.get("action") or "")
        if action == "cancel":
            if self._entry is None:
                raise AddedRunDeclined("no run is being checked")
            self.close()
            self._entry, self._answer, self._name, self._trouble = None, {}, "", ""
            return "the check is ended; the journal keeps its entry"
        if action != "start":
            raise AddedRunDeclined(f"{action!r} is nothing that this check knows")
        name = str(payload.get("name") or "").strip()
        if not name:
            raise AddedRunDeclined("say which run it is")
        self.close()
        event = ShopEvent(t, EventKind.ADDED_RUN, by, name, name)
        self._entry = self._writer.event(event)
        self._pipeline.happened(event)
        self._name, self._answer, self._trouble = name, {}, ""
        self._ran_s, self._due_s, self._last_t = 0.0, FIRST_S, None
        return f"journal entry {self._entry}; from now on the ports are compared with the time before"

    def turn(self, running: bool, t: float, wall_t: float) -> None:
        """Count running time, start a comparison when it is due, and take its answer when it is there."""
        if self._entry is None:
            return
        if self._last_t is not None and running and 0.0 < t - self._last_t < 60.0:
            self._ran_s += t - self._last_t
        self._last_t = t
        if self._process is not None:
            self._look(wall_t)
        elif self._ran_s >= self._due_s:
            self._due_s = self._ran_s + EVERY_S
            self._begin(wall_t)

    def document(self) -> Document:
        """The status document "added_run"."""
        if self._entry is None:
            return {}
        if self._answer:
            return {**self._answer, "name": self._name, "entry": self._entry}
        minutes = self._ran_s / 60.0
        words = f"{minutes:.0f} running minutes since; the first comparison is made after {FIRST_S / 60.0:.0f}."
        if self._trouble:
            words = f"Not yet: {self._trouble}"
        elif self._ran_s >= FIRST_S:
            words = "Comparing."
        return {"phase": "after", "name": self._name, "entry": self._entry, "words": words, "ports": []}

    def snapshot(self) -> dict[str, object]:
        """The check under way, so that it survives a restart."""
        if self._entry is None:
            return {}
        return {"entry": self._entry, "name": self._name, "ran_s": self._ran_s, "answer": self._answer}

    def restore(self, data: Mapping[str, object]) -> None:
        """Go on with the check of a snapshot; anything else is left behind."""
        entry, ran, answer = data.get("entry"), data.get("ran_s"), data.get("answer")
        if isinstance(entry, int) and isinstance(ran, int | float):
            self._entry, self._name, self._ran_s = entry, str(data.get("name") or ""), float(ran)
            self._answer = dict(answer) if isinstance(answer, Mapping) else {}
            self._due_s = max(FIRST_S, self._ran_s)

    def close(self) -> None:
        """End a comparison under way."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(timeout=5.0)
        for file in (self._out, self._err):
            if file is not None:
                file.close()
        self._process = self._out = self._err = None

    # -- inside -------------------------------------------------------------------------------------------------------

    def _begin(self, wall_t: float) -> None:
        self._out, self._err = tempfile.TemporaryFile(), tempfile.TemporaryFile()  # noqa: SIM115
        command = [
            sys.executable, "-m", "daemon.comparing", str(self._config.path.resolve()), "--entry", str(self._entry),
            "--name", self._name,
        ]
        try:
            self._process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=self._out, stderr=self._err)
        except OSError as error:
            self._trouble = f"the comparison could not be started: {error}"
            self.close()
        self._deadline = wall_t + LONGEST_S

    def _look(self, wall_t: float) -> None:
        assert self._process is not None
        assert self._out is not None
        assert self._err is not None
        code = self._process.poll()
        if code is None:
            if wall_t > self._deadline:
                self._trouble = "the comparison took too long and was ended"
                self.close()
            return
        self._out.seek(0)
        self._err.seek(0)
        told, wrong = self._out.read().decode(errors="replace"), self._err.read().decode(errors="replace")
        self.close()
        try:
            answer = json.loads(told) if code == 0 else None
        except ValueError:
            answer = None
        if isinstance(answer, dict):
            self._answer, self._trouble = answer, ""
        else:
            lines = [line for line in wrong.splitlines() if line.strip()]
            self._trouble = lines[-1] if lines else f"the comparison ended with code {code}"
