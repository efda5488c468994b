"""``ductwarden compare``: did a change to the ducts cost the ports their air, and how much of it was the filter?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from daemon.cli.common import JSON, SHOP, UNITS, Progress, ask_line, say_json
from daemon.errors import NOT_DONE, CompareError

if TYPE_CHECKING:
    from daemon.comparing.comparing import Report, Told
    from daemon.config.config import Config
    from daemon.store.reader import Reader


def compare(
    shop: Annotated[Path, SHOP],
    before: Annotated[str | None, typer.Option(help="The period before, as 2026-03-01..2026-03-07 in local time.")] = None,
    after: Annotated[str | None, typer.Option(help="The period after.")] = None,
    entry: Annotated[int | None, typer.Option(help="Around this journal entry; else around the latest added run.")] = None,
    baselines: Annotated[tuple[str, str] | None, typer.Option(help="Two stored baselines by name.")] = None,
    before_recording: Annotated[
        Path | None, typer.Option(help="A recording from before.", exists=True, dir_okay=False)] = None,
    after_recording: Annotated[
        Path | None, typer.Option(help="A recording from after.", exists=True, dir_okay=False)] = None,
    change: Annotated[
        Path | None, typer.Option(help="What was drawn: the file of ductwarden plan.", exists=True, dir_okay=False)] = None,
    joined: Annotated[str | None, typer.Option(help="The duct that was cut into.")] = None,
    baseline: Annotated[Path | None, typer.Option(
        help="The shop as built (JSON of baseline --out, or a store); else the store's own.", exists=True)] = None,
    name: Annotated[str, typer.Option(help="What to call the change in the sentences.")] = "",
    html: Annotated[Path | None, typer.Option(help="Write the report as one HTML file.", dir_okay=False)] = None,
    csv: Annotated[Path | None, typer.Option(help="Write the measures as CSV (SI).", dir_okay=False)] = None,
    units: Annotated[str | None, UNITS] = None,
    as_json: Annotated[bool, JSON] = False,
) -> None:
    """Compare the time before and after a change: the air at each port, the filter's share, and what the drawing predicted."""
    from daemon.comparing.comparing import Told
    from daemon.config.load import load

    config = load(shop)
    ways = {
        "--before and --after": before is not None or after is not None, "--entry": entry is not None,
        "--baselines": baselines is not None,
        "--before-recording and --after-recording": before_recording is not None or after_recording is not None,
    }
    chosen = [way for way, wanted in ways.items() if wanted]
    if len(chosen) > 1:
        raise typer.BadParameter(f"one comparison at a time: {' or '.join(chosen)}")
    with Progress() as progress:
        told = Told(change, joined, name, baseline, progress)
        report = _report(config, told, before, after, entry, baselines, before_recording, after_recording)
    _tell(config, report, html, csv, units, as_json)


def tour(
    shop: Annotated[Path, SHOP],
    side: Annotated[str, typer.Argument(help="before (the work), after (it), or report on both.")],
    change: Annotated[
        Path | None, typer.Option(help="What was drawn: the file of ductwarden plan.", exists=True, dir_okay=False)] = None,
    joined: Annotated[str | None, typer.Option(help="The duct that was cut into.")] = None,
    name: Annotated[str, typer.Option(help="What to call the change in the sentences.")] = "",
    html: Annotated[Path | None, typer.Option(help="Write the report as one HTML file.", dir_okay=False)] = None,
    units: Annotated[str | None, UNITS] = None,
    as_json: Annotated[bool, JSON] = False,
) -> None:
    """Walk through a ten-minute check before a duct change and again after it, then compare the two: good to about 1 %."""
    from daemon.comparing.comparing import Told
    from daemon.config.load import load
    from daemon.store.reader import Reader

    config = load(shop)
    reader = Reader(config.at(config.file.store.file))
    try:
        report = _check(config, reader, side, Told(change, joined, name))
    finally:
        reader.close()
    if report is not None:
        _tell(config, report, html, None, units, as_json)


def _report(
    config: Config, told: Told, before: str | None, after: str | None, entry: int | None, baselines: tuple[str, str] | None,
    before_recording: Path | None, after_recording: Path | None,
) -> Report:
    from daemon.comparing import comparing
    from daemon.comparing.periods import entry_of, read_span
    from daemon.store.reader import Reader

    store = config.at(config.file.store.file)
    if before_recording is not None or after_recording is not None:
        if before_recording is None or after_recording is None:
            raise typer.BadParameter("two recordings are needed: --before-recording and --after-recording")
        reader = Reader(store) if store.exists() else None
        try:
            return comparing.between_recordings(config, before_recording, after_recording, told, reader)
        finally:
            if reader is not None:
                reader.close()
    reader = Reader(store)
    try:
        if baselines is not None:
            return comparing.between_baselines(config, reader, baselines[0], baselines[1], told)
        if before is not None or after is not None:
            if before is None or after is None:
                raise typer.BadParameter("two periods are needed: --before and --after")
            spans = (read_span(before, "--before"), read_span(after, "--after"))
            return comparing.between_spans(config, reader, spans[0], spans[1], told)
        return comparing.around_entry(config, reader, entry_of(reader, entry), told)
    finally:
        reader.close()


def _check(config: Config, reader: Reader, check: str, told: Told) -> Report | None:
    from daemon.cli.baseline import CheckGuide
    from daemon.comparing.guided import CheckTour, compare_checks
    from daemon.store.reader import Reader

    if check not in ("before", "after", "report"):
        raise typer.BadParameter(f"{check!r} is not a side of the work; allowed: before, after, report")
    if check != "report":
        tour = CheckTour(
            config, Reader(config.at(config.file.store.file)), "before" if check == "before" else "after", run=told.joined or "")
        try:
            through = CheckGuide(tour.ask, tour.status, typer.echo, ask_line).run("", False, 0)
        finally:
            tour.close()
        if not through:
            raise typer.Exit(NOT_DONE)
        if check == "before":
            typer.echo(
                "Now do the work. Afterwards add the new run to the configuration, let the daemon run, and enter"
                " ductwarden tour SHOP after")
            return None
    return compare_checks(config, reader, told)


def _tell(
    config: Config, report: Report, html: Path | None, csv: Path | None, units: str | None, as_json: bool
) -> None:
    from daemon.cli.common import chosen_system, terminal

    system = chosen_system(units, config)
    if as_json:
        from daemon.comparing.reports import as_json as plain

        say_json(plain(report))
    else:
        from daemon.comparing.reports import print_report

        print_report(terminal(), report, system)
    if html is not None:
        from daemon.comparing.reports import write_page

        write_page(report, html, system)
        typer.echo(f"the report is in {html}", err=True)
    if csv is not None:
        from daemon.comparing.reports import write_csv

        typer.echo(f"{write_csv(report, csv)} rows written to {csv}", err=True)
    if not report.answer.known:
        raise typer.Exit(CompareError.exit_code)
