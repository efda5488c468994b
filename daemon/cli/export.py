"""``ductwarden export``, ``backup`` and ``restore``: what the store holds, out of it while the daemon runs, and back."""

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
    target: Annotated[Path, typer.Argument(help="File to write.")],
    overwrite: Annotated[bool, typer.Option(help="Replace an older backup of that name.")] = False,
) -> None:
    """Copy the store while the daemon runs, and verify the copy."""
    from daemon.config.load import load
    from daemon.store.backup import backup as make

    config = load(shop)
    report = make(config.at(config.file.store.file), target, overwrite=overwrite)
    typer.echo(f"{report.path}: {report.bytes} bytes, {report.frames} single frames, verified")


def restore(
    shop: Annotated[Path, _SHOP],
    source: Annotated[Path, typer.Argument(help="The backup to put back.", exists=True, dir_okay=False)],
) -> None:
    """Verify a backup and put it in the place of the store, which is kept under a dated name. The daemon must not run."""
    from daemon.config.load import load
    from daemon.store.backup import restore as put_back

    config = load(shop)
    path = config.at(config.file.store.file)
    kept = put_back(source, path)
    typer.echo(f"{source} restored to {path}" + ("" if kept is None else f"; what stood there is kept as {kept}"))


def local_moment(text: str) -> float:
    """A local date or time as seconds since the epoch. Raises a usage error for anything else."""
    from datetime import datetime

    try:
        return datetime.fromisoformat(text).astimezone().timestamp()
    except ValueError as error:
        raise typer.BadParameter(f"{text!r} is no date; write it as 2026-03-01 or 2026-03-01T09:00") from error
