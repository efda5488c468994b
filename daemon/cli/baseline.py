"""``ductwarden baseline``: measure what the shop really does, guided step by step, or from a recording with gate marks."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from daemon.cli.common import ask_line, say_json
from daemon.errors import NOT_DONE

if TYPE_CHECKING:
    from analysis.baseline.model import Baseline
    from daemon.config.config import Config


def baseline(
    config: Annotated[
        Path, typer.Argument(metavar="SHOP", help="The shop's configuration.", exists=True, dir_okay=False)
    ],
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
    """Guide a baseline tour with the running daemon, or fit one from a recording; then tell design against as built."""
    from daemon.config.load import load

    shop = load(config)
    if recording is None:
        if keep or out is not None or as_json:
            raise typer.BadParameter("--keep, --out and --json belong to --recording; a guided tour is kept by the daemon")
        if not guided(shop, name, clean, pairs):
            raise typer.Exit(NOT_DONE)
        return
    found = from_recording(shop, recording, name or recording.stem, clean)
    if as_json:
        say_json(found.to_dict())
    for line in () if as_json else words_of(shop, found):
        typer.echo(line)
    if out is not None:
        import json

        out.write_text(json.dumps(found.to_dict(), indent=1) + "\n")
    if keep:
        put_away(shop, found)
        typer.echo(f"baseline {found.name!r} is in the store; the daemon takes it at its next start")


def guided(shop: Config, name: str, clean: bool, pairs: int) -> bool:
    """Guide the owner from the terminal; the tour itself runs in the daemon. Returns whether a baseline was stored."""
    from daemon.cli.baseline_guide import Guide
    from daemon.store import requests
    from daemon.store.reader import Reader

    path = shop.at(shop.file.store.file)
    reader = Reader(path)

    def ask(payload: dict[str, object]) -> tuple[bool, str]:
        answer = requests.wait_for_answer(path, requests.append(path, "tour", payload), 10.0)
        if not answer.done:
            return False, "the daemon does not answer; is it running?"
        return bool(answer.accepted), answer.result

    def status() -> dict[str, object]:
        document = reader.status("tour")
        return document if isinstance(document, dict) else {}

    try:
        return Guide(ask, status, typer.echo, ask_line).run(name, clean, pairs)
    finally:
        reader.close()


def from_recording(shop: Config, recording: Path, name: str, clean: bool) -> Baseline:
    """Fit the steady stretches of each gate set in a recording. Says on stderr what could not be used.

    Raises :class:`BaselineDeclined` where the recording does not carry a fit.
    """
    from analysis.baseline.fit import FitError, fit
    from daemon.cli.baseline_guide import BaselineDeclined, Marks, opened_words
    from daemon.replaying import calibrated
    from daemon.sources.recording import read_recording
    from daemon.sources.recording_lines import RecordingReport
    from daemon.wiring import build_pipeline, build_sensor_sds

    marks = Marks(shop.design, build_sensor_sds(shop))
    pipeline = build_pipeline(calibrated(shop))
    pipeline.sinks = [marks]
    report = RecordingReport(recording)
    pipeline.feed(read_recording(recording, report))
    pipeline.finish()
    typer.echo(report.words(), err=True)
    data = marks.data(name, clean=clean)
    for opened, reason in marks.refused.items():
        typer.echo(f"not used, {opened_words(opened)}: {reason}", err=True)
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
    from analysis.baseline.report import report, sentences
    from analysis.units import show
    from daemon.cli.baseline_guide import opened_words, report_line

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
    from daemon.store.lock import StoreLock
    from daemon.store.migrate import ensure_schema
    from daemon.store.writer import Writer

    path = shop.at(shop.file.store.file)
    path.parent.mkdir(parents=True, exist_ok=True)
    with StoreLock(path):
        ensure_schema(path)
        writer = Writer(path)
        try:
            writer.baseline(found.name, found.t, found.to_dict())
        finally:
            writer.close()
