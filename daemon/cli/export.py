"""``ductwarden export`` and ``backup``: what the store holds, out of it while the daemon runs, and back."""

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
    from daemon.cli.common import local_moment
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
    file: Annotated[Path, typer.Argument(help="The copy to write, or with --restore the one to put back.")],
    put_back: Annotated[bool, typer.Option("--restore", help="Put this copy back; the daemon must not run.")] = False,
    overwrite: Annotated[bool, typer.Option(help="Replace an older backup of that name.")] = False,
) -> None:
    """Copy the store while the daemon runs and verify the copy; or verify a copy and put it back, the store being kept."""
    from daemon.config.load import load
    from daemon.store.backup import backup as make
    from daemon.store.backup import restore

    config = load(shop)
    path = config.at(config.file.store.file)
    if not put_back:
        report = make(path, file, overwrite=overwrite)
        typer.echo(f"{report.path}: {report.bytes} bytes, {report.frames} single frames, verified")
        return
    if not file.is_file():
        raise typer.BadParameter(f"there is no backup {file}")
    kept = restore(file, path)
    typer.echo(f"{file} restored to {path}" + ("" if kept is None else f"; what stood there is kept as {kept}"))
