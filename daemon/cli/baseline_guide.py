"""Guides a baseline tour from a terminal: shows what the daemon's tour asks for, and passes on the owner's word."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from analysis.baseline.recording import MarkedFrames
from analysis.estimates import Estimate
from analysis.events import ShopEvent
from analysis.findings import Finding
from analysis.readings import Frame
from daemon.alarms.types import Transition
from daemon.errors import DuctwardenError


class Marks(MarkedFrames):
    """Takes every frame; nothing else of the pipeline concerns it."""

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


Ask = Callable[[dict[str, object]], tuple[bool, str]]
LOOK_EVERY_S = 0.5
KEYS = "Enter: ready   s: skip   b: back one step   q: leave it for later   x: forget the tour"


class BaselineDeclined(DuctwardenError):
    """No baseline could be made; the message says why and what would be needed."""


class Guide:
    """One sitting at the terminal.

    ``ask`` sends a request to the daemon's tour and returns whether it was taken, with the answer; ``status`` is the
    latest status document "tour"; ``echo`` shows a line and ``prompt`` asks for one; ``wait`` lets time pass.
    """

    def __init__(
        self, ask: Ask, status: Callable[[], Mapping[str, Any]], echo: Callable[[str], object],
        prompt: Callable[[str], str], wait: Callable[[float], object] = time.sleep,
    ) -> None:
        self._ask, self._status, self._echo, self._prompt, self._wait = ask, status, echo, prompt, wait
        self._shown = ""

    def run(self, name: str, clean: bool, pairs: int) -> bool:
        """Begin a tour (or go on with the one under way) and see it through. True: a baseline was stored."""
        if not self._status().get("active"):
            taken, words = self._ask({"action": "start", "name": name, "clean": clean, "pairs": pairs})
            if not taken:
                raise BaselineDeclined(words)
            if not self._until(lambda s: bool(s.get("active"))):
                raise BaselineDeclined("the daemon shows no tour; is it running?")
        else:
            self._echo("A tour is under way; going on with it.")
        self._echo(KEYS)
        while True:
            status = self._status()
            phase = status.get("phase")
            if not status.get("active"):
                raise BaselineDeclined("the tour was ended elsewhere")
            if phase == "done":
                return self._finish()
            self._show(status)
            if phase == "measure":
                self._wait(LOOK_EVERY_S)
                continue
            if phase == "zero" and not self._zero_wanted():
                continue
            word = self._prompt("> ").strip().lower()
            if word == "q":
                self._echo("The tour waits; the same command goes on with it.")
                return False
            if word == "x":
                self._ask({"action": "cancel"})
                self._echo("The tour is forgotten.")
                return False
            self._pass_on(word, status)

    def _zero_wanted(self) -> bool:
        """While the zeros are being found there is nothing to ask for ten seconds at a time."""
        for _ in range(20):
            self._wait(LOOK_EVERY_S)
            if self._status().get("phase") != "zero":
                return False
        return True

    def _pass_on(self, word: str, before: Mapping[str, Any]) -> None:
        actions = {"": "done", "s": "skip", "b": "back"}
        if word not in actions:
            self._echo(KEYS)
            return
        taken, words = self._ask({"action": actions[word]})
        if not taken:
            self._echo(words)
            return
        key = (before.get("phase"), before.get("step"))
        self._until(lambda s: (s.get("phase"), s.get("step")) != key)

    def _until(self, true: Callable[[Mapping[str, Any]], bool], timeout_s: float = 15.0) -> bool:
        for _ in range(round(timeout_s / LOOK_EVERY_S)):
            if true(self._status()):
                return True
            self._wait(LOOK_EVERY_S)
        return False

    def _show(self, status: Mapping[str, Any]) -> None:
        number = f"step {int(status.get('step', 0)) + 1} of {status.get('steps', '?')}: "
        words = ("" if status.get("phase") == "zero" else number) + str(status.get("words", ""))
        if status.get("reason"):
            words += f"\n  {status['reason']}"
        if status.get("phase") == "measure" and not status.get("reason"):
            tenth = int(10.0 * float(status.get("progress", 0.0)))
            words += f" {'.' * tenth}"
        if words != self._shown:
            self._echo(words)
            self._shown = words

    def _finish(self) -> bool:
        taken, words = self._ask({"action": "finish"})
        self._echo(words)
        if not taken:
            return False
        if self._until(lambda s: bool(s.get("report"))):
            for line in document_lines(self._status()):
                self._echo(line)
        return True


def document_lines(status: Mapping[str, Any]) -> list[str]:
    """The report of a finished tour's status document as lines."""
    lines = ["as built over design:"]
    rows: Sequence[Mapping[str, Any]] = status.get("report") or []
    for row in rows:
        lines.append(f"  {report_line(str(row['kind']), str(row['name']), float(row['ratio']), float(row['sd']))}")
    lines += [f"* {row['words']}" for row in rows if row.get("words")]
    lines += [f"* {note}" for note in status.get("notes") or []]
    return lines


def report_line(kind: str, name: str, ratio: float, sd: float) -> str:
    """One part: as built over design, with one standard deviation."""
    return f"{kind:7s}{name:22s} {ratio:6.2f} ± {ratio * sd:.2f}"


def opened_words(opened: Sequence[str]) -> str:
    """A gate set in words."""
    return f"{' and '.join(opened)} open" if opened else "all gates shut"


class CheckGuide(Guide):
    """One sitting at the terminal for the check before or after the work."""

    def _finish(self) -> bool:
        taken, words = self._ask({"action": "finish"})
        self._echo(words)
        return taken
