"""``ductwarden replay``: a recording through the whole pipeline, as fast as the machine allows."""

from __future__ import annotations

import sys
import time
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from daemon.cli.common import JSON, say_json

if TYPE_CHECKING:
    from collections.abc import Callable

    from daemon.sources.recording_lines import RecordingReport


def replay(
    recording: Annotated[Path, typer.Argument(help="JSON Lines or CSV, plain or .gz.", exists=True, dir_okay=False)],
    config: Annotated[Path, typer.Option(help="The shop's configuration.", exists=True, dir_okay=False)],
    findings: Annotated[Path | None, typer.Option(help="Write findings here, one JSON object a line.")] = None,
    estimates: Annotated[Path | None, typer.Option(help="Write estimates here, one JSON object a line.")] = None,
    baseline: Annotated[
        Path | None, typer.Option(help="Estimate by this baseline (JSON of baseline --out, or a store).", exists=True)
    ] = None,
    store: Annotated[Path | None, typer.Option(help="Also fill this store, as the live daemon would.")] = None,
    as_json: Annotated[bool, JSON] = False,
) -> None:
    """Play a recording through the same code as the live daemon and write what it finds."""
    from daemon.config.load import load
    from daemon.replaying import read_baseline, replay_recording
    from daemon.store.writer import opened_store

    shop = load(config)
    with ExitStack() as stack:
        out = [None if path is None else stack.enter_context(path.open("w")) for path in (findings, estimates)]
        sinks = [] if store is None else [stack.enter_context(opened_store(store, shop))]
        progress = _bar(stack) if sys.stderr.isatty() else _Lines()
        measured = None if baseline is None else read_baseline(baseline, shop.design)
        summary = replay_recording(shop, recording, out[0], out[1], sinks, progress, measured)
    if as_json:
        report = summary.report
        say_json({
            "recording": str(recording), "samples": report.samples, "frames": summary.frames, "raised": summary.raised,
            "alarms": summary.alarms, "skipped": report.skipped, "refused": report.refused,
        })
    typer.echo(summary.report.words(), err=True)
    typer.echo(summary.sentence(), err=True)


class _Lines:
    """Progress where there is no terminal: a line now and then."""

    EVERY_S = 10.0

    def __init__(self) -> None:
        self._told = time.monotonic()

    def __call__(self, report: RecordingReport) -> None:
        now = time.monotonic()
        if report.bytes_total and now - self._told >= self.EVERY_S:
            self._told = now
            typer.echo(f"replaying: {report.bytes_done / report.bytes_total:.0%}, {report.samples} samples", err=True)


def _bar(stack: ExitStack) -> Callable[[RecordingReport], None]:
    from rich.console import Console
    from rich.progress import Progress

    progress = stack.enter_context(Progress(console=Console(stderr=True), transient=True))
    task = progress.add_task("replaying", total=None)

    def show(report: RecordingReport) -> None:
        progress.update(task, total=report.bytes_total or None, completed=report.bytes_done)

    return show
