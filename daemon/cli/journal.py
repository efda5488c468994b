"""``ductwarden journal``: what was done to the unit, by the owner's word or found from the data."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

KINDS = "cleaned, replaced, emptied, changed, added_run, note"


def journal(
    shop: Annotated[Path, typer.Argument(help="The shop's configuration.", exists=True, dir_okay=False)],
    kind: Annotated[str | None, typer.Argument(help=f"What was done ({KINDS}). Without it: the list.")] = None,
    text: Annotated[str, typer.Argument(help="A few words.")] = "",
    at: Annotated[str | None, typer.Option(help="When, as 2026-03-01T09:00 in local time; else now.")] = None,
    where: Annotated[str, typer.Option(help="Port or part that it concerns.")] = "",
    last: Annotated[int, typer.Option(min=1, max=10_000, help="How many entries the list shows.")] = 30,
) -> None:
    """Write into the journal of the running daemon, or show it. What the daemon found by itself is marked so."""
    from datetime import datetime

    from analysis.events import EventKind
    from daemon.cli.export import local_moment
    from daemon.config.load import load
    from daemon.store import requests
    from daemon.store.reader import Reader

    config = load(shop)
    path = config.at(config.file.store.file)
    if kind is None:
        reader = Reader(path)
        entries = reader.journal(limit=last)
        reader.close()
        for entry in reversed(entries):
            when = datetime.fromtimestamp(entry.t).strftime("%Y-%m-%d %H:%M")
            found = "" if entry.by == "owner" else "  (found by ductwarden)"
            typer.echo(f"{entry.id:5d}  {when}  {entry.kind:10s} {entry.where} {entry.text}{found}".rstrip())
        if not entries:
            typer.echo("the journal is empty")
        return
    allowed = [item.value for item in EventKind if item is not EventKind.BASELINE]
    if kind not in allowed:
        raise typer.BadParameter(f"{kind!r} is not a kind of entry; allowed: {', '.join(allowed)}")
    t = None
    if at is not None:
        t = local_moment(at)
    number = requests.append(path, "journal_add", {"kind": kind, "text": text, "where": where, "t": t})
    answer = requests.wait_for_answer(path, number, 5.0)
    if not answer.done:
        typer.echo("asked; the daemon has not answered yet (is it running?)")
    elif answer.accepted:
        typer.echo(answer.result)
    else:
        typer.echo(f"declined: {answer.result}", err=True)
        raise typer.Exit(1)
