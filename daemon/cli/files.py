"""The commands that read and write files: ``replay``, ``record``, ``export``, ``backup`` and ``service``."""

from __future__ import annotations

import sys
import time
from contextlib import ExitStack
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from daemon import deploy
from daemon.cli.common import Json, Progress, Shop, event_now, give, opened, period
from daemon.clock import LocalZone
from daemon.config.load import load
from daemon.errors import StoreError
from daemon.record.gather import gather
from daemon.record.period import Month, PeriodError
from daemon.record.sheet import sheet
from daemon.record.tables import tables
from daemon.replaying import read_baseline, replay_recording
from daemon.selfcheck import program_version
from daemon.store import backup as copies
from daemon.store.export import Format, export_table
from daemon.store.writer import opened_store


def replay(
    recording: Annotated[Path, typer.Argument(help="JSON Lines or CSV, plain or .gz.", exists=True, dir_okay=False)],
    config: Annotated[Path, typer.Option(help="The shop's configuration.", exists=True, dir_okay=False)],
    findings: Annotated[Path | None, typer.Option(help="Write findings here, one JSON object a line.")] = None,
    estimates: Annotated[Path | None, typer.Option(help="Write estimates here, one JSON object a line.")] = None,
    baseline: Annotated[
        Path | None, typer.Option(help="Estimate by this baseline (JSON of baseline --out, or a store).", exists=True)
    ] = None,
    store: Annotated[Path | None, typer.Option(help="Also fill this store, as the live daemon would.")] = None,
    as_json: Json = False,
) -> None:
    """Play a recording through the same code as the live daemon and write what it finds."""
    shop = load(config)
    with ExitStack() as stack:
        out = [None if path is None else stack.enter_context(path.open("w")) for path in (findings, estimates)]
        sinks = [] if store is None else [stack.enter_context(opened_store(store, shop))]
        progress = stack.enter_context(Progress("replaying"))
        measured = None if baseline is None else read_baseline(baseline, shop.design)
        summary = replay_recording(shop, recording, out[0], out[1], sinks, progress, measured)
    report = summary.report
    document = {
        "recording": str(recording), "samples": report.samples, "frames": summary.frames, "raised": summary.raised,
        "alarms": summary.alarms, "skipped": report.skipped, "refused": report.refused,
    }
    if as_json:
        give(True, document, ())
    typer.echo(report.words(), err=True)
    typer.echo(summary.sentence(), err=True)


def record(
    shop: Shop,
    month: Annotated[str | None, typer.Option(help="The month, as 2026-03; else the last whole one.")] = None,
    to: Annotated[Path, typer.Option(help="Folder to write into.", file_okay=False)] = Path(),
    as_json: Json = False,
) -> None:
    """Write the record of a month: a page to print (hours, suction and flow against the baseline, filter, alarms and what
    was done, energy, sensor checks) and its tables as CSV."""
    config, zone = load(shop), LocalZone()
    with opened(config) as reader:
        now = event_now(reader)
        at = datetime.fromtimestamp(now, zone)
        before = f"{at.year}-{at.month - 1:02d}" if at.month > 1 else f"{at.year - 1}-12"
        chosen = Month.of(month or before, zone)
        try:
            facts = gather(config, reader, chosen, now, zone)
        except PeriodError as error:
            # The last whole month is our guess; who began this month must hear of the option.
            raise PeriodError(str(error) if month else f"{error}; name a month, as --month {at:%Y-%m}") from error
    page = to / f"record-{chosen.stamp}.html"
    written = tables(facts)
    files = {name: to / f"record-{chosen.stamp}-{name}.csv" for name in written}
    try:
        to.mkdir(parents=True, exist_ok=True)
        clean_at = config.design.filter.clean_at_drag_ratio
        page.write_text(sheet(facts, zone, time.time(), program_version(), clean_at), encoding="utf-8")
        for name, text in written.items():
            files[name].write_text(text, encoding="utf-8")
    except OSError as error:
        raise StoreError(f"{error.filename or to} cannot be written: {error.strerror or error}") from error
    document = {
        "month": chosen.stamp, "until_t": facts.until_t, "run_s": facts.run_s, "starts": facts.starts,
        "alarms_raised": sum(day.alarms for day in facts.days), "energy_j": facts.energy_j, "page": page, "tables": files,
    }
    give(as_json, document, (
        f"{page}: {facts.run_s / 3600.0:.1f} h of running, alarms: {facts.alarm_words}; print it from a browser",
        f"tables beside it as CSV: {', '.join(files)}",
    ))


def export(
    shop: Shop,
    table: Annotated[str, typer.Argument(help="frames, minutes, hours, runs, alarms, transitions, journal, notices ...")],
    target: Annotated[Path, typer.Argument(help="File to write.")],
    since: Annotated[str | None, typer.Option(help="From this local date or time on, as 2026-03-01.")] = None,
    until: Annotated[str | None, typer.Option(help="Up to this local date or time.")] = None,
    parquet: Annotated[bool, typer.Option(help="Write Parquet (needs pyarrow) instead of CSV.")] = False,
    as_json: Json = False,
) -> None:
    """Write a table of the store as CSV, with SI units and UTC times. A CSV of frames is a recording to replay."""
    config = load(shop)
    start, end = period(since, until)
    path = config.at(config.file.store.file)
    with Progress(f"exporting {table}") as progress:
        form: Format = "parquet" if parquet else "csv"
        count = export_table(path, table, target, start=start, end=end, format=form, progress=progress)
    give(as_json, {"table": table, "file": target, "rows": count}, [f"{count} rows of {table} written to {target}"])


def backup(
    shop: Shop,
    file: Annotated[Path, typer.Argument(help="The copy to write, or with --restore the one to put back.")],
    put_back: Annotated[bool, typer.Option("--restore", help="Put this copy back; the daemon must not run.")] = False,
    overwrite: Annotated[bool, typer.Option(help="Replace an older backup of that name.")] = False,
    as_json: Json = False,
) -> None:
    """Copy the store while the daemon runs and verify the copy; or verify a copy and put it back, the store being kept."""
    config = load(shop)
    path = config.at(config.file.store.file)
    if not put_back:
        with Progress() as progress:
            report = copies.backup(path, file, overwrite=overwrite, progress=progress)
        document = {"file": report.path, "bytes": report.bytes, "frames": report.frames, "verified": True}
        give(as_json, document, [f"{report.path}: {report.bytes} bytes, {report.frames} single frames, verified"])
        return
    if not file.is_file():
        raise typer.BadParameter(f"there is no backup {file}")
    kept = copies.restore(file, path)
    words = f"{file} restored to {path}" + ("" if kept is None else f"; what was there is kept as {kept}")
    give(as_json, {"file": file, "restored": path, "kept": kept}, [words])


def service(
    shop: Annotated[Path, typer.Argument(help="The shop's configuration, where it will lie for good.")],
    container: Annotated[bool, typer.Option(help="Print a Containerfile instead of a systemd unit.")] = False,
    user: Annotated[str, typer.Option(help="The user that the daemon runs as.")] = "ductwarden",
) -> None:
    """Print a systemd unit that keeps the daemon running (or a Containerfile), made for this configuration; nothing is
    installed."""
    config = load(shop)
    program = Path(sys.executable).absolute().parent / "ductwarden"
    typer.echo(deploy.containerfile(config) if container else deploy.unit(config, program, user), nl=False)
