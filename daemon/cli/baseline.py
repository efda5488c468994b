"""``ductwarden baseline``: measure what the shop really does, guided step by step, or from a recording with gate marks."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from analysis.baseline.fit import FitError, fit
from analysis.baseline.model import Baseline
from analysis.baseline.report import report, sentences
from analysis.units import show
from daemon.cli.common import Progress, Shop, ask_line, give, opened
from daemon.config.config import Config
from daemon.config.load import load
from daemon.errors import NOT_DONE, DuctwardenError
from daemon.replaying import Marks, calibrated, watched
from daemon.sources.recording import read_recording
from daemon.sources.recording_lines import RecordingReport
from daemon.store import requests
from daemon.store.lock import StoreLock
from daemon.store.migrate import ensure_schema
from daemon.store.writer import Writer
from daemon.wiring import build_pipeline, build_sensor_sds


def baseline(
    config: Shop,
    recording: Annotated[Path | None, typer.Option(
        help="Fit a recording with gate marks instead of guiding a tour.", exists=True, dir_okay=False)] = None,
    name: Annotated[str, typer.Option(help="What to call it.")] = "",
    clean: Annotated[bool, typer.Option("--clean", help="The filter bags were cleaned just before.")] = False,
    pairs: Annotated[int, typer.Option(min=0, max=20, help="Pairs of gates to measure after each gate alone.")] = 3,
    keep: Annotated[bool, typer.Option(
        "--keep", help="Put the fitted recording into the shop's store (the daemon must not run).")] = False,
    out: Annotated[Path | None, typer.Option(help="Write the baseline here as JSON.", dir_okay=False)] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the fitted baseline as JSON instead of words.")] = False,
) -> None:
    """Guide a baseline tour with the running daemon, or fit one from a recording; then compare the drawing with it."""
    shop = load(config)
    if recording is None:
        if keep or out is not None or as_json:
            raise typer.BadParameter("--keep, --out and --json belong to --recording; a guided tour is kept by the daemon")
        if not guided(shop, name, clean, pairs):
            raise typer.Exit(NOT_DONE)
        return
    found = from_recording(shop, recording, name or recording.stem, clean)
    give(as_json, found.to_dict(), words_of(shop, found))
    if out is not None:
        out.write_text(json.dumps(found.to_dict(), indent=1) + "\n")
    if keep:
        put_away(shop, found)
        typer.echo(f"baseline {found.name!r} is in the store; the daemon takes it at its next start", err=as_json)


def guided(shop: Config, name: str, clean: bool, pairs: int) -> bool:
    """Guide the owner from the terminal; the tour itself runs in the daemon. Returns whether a baseline was stored."""
    path = shop.at(shop.file.store.file)

    def ask(payload: dict[str, object]) -> tuple[bool, str]:
        answer = requests.wait_for_answer(path, requests.append(path, "tour", payload), 10.0)
        if not answer.done:
            return False, "the daemon does not answer; is it running?"
        return bool(answer.accepted), answer.result

    with opened(shop) as reader:

        def status() -> dict[str, object]:
            document = reader.status("tour")
            return document if isinstance(document, dict) else {}

        return Guide(ask, status, typer.echo, ask_line).run(name, clean, pairs)


def from_recording(shop: Config, recording: Path, name: str, clean: bool) -> Baseline:
    """Fit the steady stretches of each gate set in a recording. Says on stderr what could not be used.

    Raises :class:`BaselineDeclined` where the recording does not carry a fit.
    """
    marks = Marks(shop.design, build_sensor_sds(shop))
    pipeline = build_pipeline(calibrated(shop))
    pipeline.sinks = [marks]
    report = RecordingReport(recording)
    with Progress("reading") as progress:
        pipeline.feed(watched(read_recording(recording, report), report, progress))
    pipeline.finish()
    typer.echo(report.words(), err=True)
    data = marks.data(name, clean=clean)
    for gates, reason in marks.refused.items():
        typer.echo(f"not used, {opened_words(gates)}: {reason}", err=True)
    if not marks.marked:
        raise BaselineDeclined(
            f"{recording} makes no baseline: it has no gate marks. Lines with the fan running must say which gates are open: "
            f'"gates":{{"{shop.design.ports[0].name}":true}} (JSON Lines) or columns gate:PORT (CSV).'
        )
    try:
        return fit(shop.design, data)
    except FitError as error:
        raise BaselineDeclined(
            f"{recording} makes no baseline: {error}. It needs gate marks, and each gate set held for 50 s or longer."
        ) from error


def words_of(shop: Config, found: Baseline) -> list[str]:
    """The report as lines: flows per step, design against as built, and what to look at."""
    lines = [f"baseline {found.name!r}: {len(found.steps)} steps"]
    for step in found.steps:
        flow = show(step.flow_m3s, "flow", shop.units)
        lines.append(f"  {opened_words(step.open_ports):40s} {flow:>12s} ± {step.flow_sd / step.flow_m3s:.1%}")
    lines.append("as built over design:")
    lines += [f"  {report_line(line.kind, line.name, line.ratio, line.sd)}" for line in report(found)]
    lines += [f"* {words}" for words in sentences(found)]
    return lines


def put_away(shop: Config, found: Baseline) -> None:
    """Store a baseline where no daemon runs. Raises :class:`daemon.errors.AlreadyRunning` where one does."""
    path = shop.at(shop.file.store.file)
    path.parent.mkdir(parents=True, exist_ok=True)
    with StoreLock(path):
        ensure_schema(path)
        writer = Writer(path)
        try:
            writer.baseline(found.name, found.t, found.to_dict())
        finally:
            writer.close()


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


def opened_words(gates: Sequence[str]) -> str:
    """A gate set in words."""
    return f"{' and '.join(gates)} open" if gates else "all gates shut"


class CheckGuide(Guide):
    """One sitting at the terminal for the check before or after the work."""

    def _finish(self) -> bool:
        taken, words = self._ask({"action": "finish"})
        self._echo(words)
        return taken
