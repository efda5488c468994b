"""``ductwarden record``: the monthly record, to print and keep."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def record(
    shop: Annotated[Path, typer.Argument(help="The shop's configuration.", exists=True, dir_okay=False)],
    month: Annotated[str | None, typer.Option(help="The month, as 2026-03; else the last whole one.")] = None,
    to: Annotated[Path, typer.Option(help="Folder to write into.", file_okay=False)] = Path(),
) -> None:
    """Write the record of a month: a page to print (hours, suction and flow against the baseline, filter, alarms and what
    was done, energy, sensor checks) and its tables as CSV."""
    import time
    from datetime import datetime

    from daemon.cli.common import event_now
    from daemon.clock import LocalZone
    from daemon.config.load import load
    from daemon.errors import StoreError
    from daemon.record.gather import gather
    from daemon.record.period import Month, PeriodError
    from daemon.record.sheet import sheet
    from daemon.record.tables import tables
    from daemon.selfcheck import program_version
    from daemon.store.reader import Reader

    config, zone = load(shop), LocalZone()
    reader = Reader(config.at(config.file.store.file))
    try:
        now = event_now(reader)
        chosen = Month.of(month or _month_before(now), zone)
        try:
            facts = gather(config, reader, chosen, now, zone)
        except PeriodError as error:
            # The last whole month is our guess; who began this month must be told of the option.
            begun = f"{datetime.fromtimestamp(now, zone):%Y-%m}"
            raise PeriodError(str(error) if month else f"{error}; name a month, as --month {begun}") from error
    finally:
        reader.close()
    page = to / f"record-{chosen.stamp}.html"
    try:
        to.mkdir(parents=True, exist_ok=True)
        clean_at = config.design.filter.clean_at_drag_ratio
        page.write_text(sheet(facts, zone, time.time(), program_version(), clean_at), encoding="utf-8")
        names = tables(facts)
        for name, text in names.items():
            (to / f"record-{chosen.stamp}-{name}.csv").write_text(text, encoding="utf-8")
    except OSError as error:
        raise StoreError(f"{error.filename or to} cannot be written: {error.strerror or error}") from error
    typer.echo(f"{page}: {facts.run_s / 3600.0:.1f} h of running, alarms: {facts.alarm_words}; print it from a browser")
    typer.echo(f"tables beside it as CSV: {', '.join(names)}")


def _month_before(now: float) -> str:
    """The last whole month at event time ``now`` [s], by local time."""
    from datetime import datetime

    from daemon.clock import LocalZone

    at = datetime.fromtimestamp(now, LocalZone())
    return f"{at.year}-{at.month - 1:02d}" if at.month > 1 else f"{at.year - 1}-12"
