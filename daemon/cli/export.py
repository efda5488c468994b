"""``ductwarden export`` and ``ductwarden backup``: the store's content out, whole or in part, while the daemon runs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

_SHOP = typer.Argument(help="The shop's configuration.", exists=True, dir_okay=False)


def export(
    shop: Annotated[Path, _SHOP],
    table: Annotated[str, typer.Argument(help="frames, minutes, hours, runs, alarms, transitions, journal, notices ...")],
    target: Annotated[Path, typer.Argument(help="File to write.")],
    since: Annotated[str | None, typer.Option(help="From this local date or time on, as 2026-03-01.")] = None,
    until: Annotated[str | None, typer.Option(help="Up to this local date or time.")] = None,
    parquet: Annotated[bool, typer.Option(help="Write Parquet (needs pyarrow) instead of CSV.")] = False,
) -> None:
    """Write a table of the store as CSV, with SI units and UTC times. A CSV of frames is a recording to replay."""
    from daemon.config.load import load
    from daemon.store.export import export_table
    from daemon.store.reader import EVER

    config = load(shop)
    count = export_table(
        config.at(config.file.store.file), table, target,
        start=-EVER if since is None else local_moment(since),
        end=EVER if until is None else local_moment(until),
        format="parquet" if parquet else "csv",
    )
    typer.echo(f"{count} rows of {table} written to {target}")


def backup(
    shop: Annotated[Path, _SHOP],
    target: Annotated[Path, typer.Argument(help="File to write, or with --restore the backup to put back.")],
    overwrite: Annotated[bool, typer.Option(help="Replace an older backup of that name.")] = False,
    restore: Annotated[bool, typer.Option(help="Put the backup in the place of the store (the daemon must not run).")] = False,
) -> None:
    """Copy the store while the daemon runs, and verify the copy; or put a copy back."""
    from daemon.config.load import load
    from daemon.store import backup as backups

    config = load(shop)
    path = config.at(config.file.store.file)
    if restore:
        kept = backups.restore(target, path)
        typer.echo(f"{target} restored to {path}" + ("" if kept is None else f"; what stood there is kept as {kept}"))
        return
    report = backups.backup(path, target, overwrite=overwrite)
    typer.echo(f"{report.path}: {report.bytes} bytes, {report.frames} single frames, verified")


def local_moment(text: str) -> float:
    """A local date or time as seconds since the epoch. Raises a usage error for anything else."""
    from datetime import datetime

    try:
        return datetime.fromisoformat(text).astimezone().timestamp()
    except ValueError as error:
        raise typer.BadParameter(f"{text!r} is no date; write it as 2026-03-01 or 2026-03-01T09:00") from error
