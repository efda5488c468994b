"""``ductwarden journal``: what was done to the unit, by the owner's word or found from the data."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from daemon.cli.common import JSON, ask, local_moment, say_json
from daemon.errors import NOT_DONE

KINDS = "cleaned, replaced, emptied, changed, added_run, note"


def journal(
    shop: Annotated[Path, typer.Argument(help="The shop's configuration.", exists=True, dir_okay=False)],
    kind: Annotated[str | None, typer.Argument(help=f"What was done ({KINDS}). Without it: the list.")] = None,
    text: Annotated[str | None, typer.Argument(help="A few words.")] = None,
    at: Annotated[str | None, typer.Option(help="When, as 2026-03-01T09:00 in local time; else now.")] = None,
    where: Annotated[str | None, typer.Option(help="Port or part that it concerns.")] = None,
    correct: Annotated[int | None, typer.Option(
        metavar="NUMBER", help="Correct this entry; what is not given stays. What it said before is kept.")] = None,
    strike: Annotated[int | None, typer.Option(
        metavar="NUMBER", help="Strike this entry out; it stays in the record as struck out.")] = None,
    last: Annotated[int, typer.Option(min=1, max=10_000, help="How many entries the list shows.")] = 30,
    as_json: Annotated[bool, JSON] = False,
) -> None:
    """Write into the journal of the running daemon, show it, or correct it. What the daemon found by itself is marked so."""
    from daemon.config.load import load

    config = load(shop)
    path = config.at(config.file.store.file)
    t = None if at is None else local_moment(at)
    payload: dict[str, object]
    if strike is not None:
        if correct is not None or kind is not None:
            raise typer.BadParameter("--strike takes the number of the entry and nothing else")
        asked, payload = "journal_remove", {"entry_id": strike}
    elif correct is not None:
        asked, payload = "journal_correct", _corrected(path, correct, kind, text, where, t)
    elif kind is not None:
        _allowed(kind)
        asked, payload = "journal_add", {"kind": kind, "text": text or "", "where": where or "", "t": t}
    else:
        _show(path, last, as_json)
        return
    if not ask(path, asked, payload):
        raise typer.Exit(NOT_DONE)


def _show(path: Path, last: int, as_json: bool) -> None:
    from datetime import datetime

    from daemon.store.reader import Reader

    reader = Reader(path)
    entries = reader.journal(limit=last)
    reader.close()
    if as_json:
        say_json([asdict(entry) for entry in reversed(entries)])
        return
    for entry in reversed(entries):
        when = datetime.fromtimestamp(entry.t).strftime("%Y-%m-%d %H:%M")
        found = "" if entry.by == "owner" else "  (found by ductwarden)"
        changed = f"  (corrected: it said {entry.changes[-1]['before'].get('kind')})" if entry.changes else ""
        said = ": ".join(part for part in (entry.where, entry.text) if part)
        typer.echo(f"{entry.id:5d}  {when}  {entry.kind:10s} {said}{found}{changed}".rstrip())
    if not entries:
        typer.echo("the journal is empty")


def _corrected(
    path: Path, number: int, kind: str | None, text: str | None, where: str | None, t: float | None
) -> dict[str, object]:
    """The whole entry as it should be: what was given, and the rest as it was."""
    from daemon.store.reader import Reader

    if kind is None and text is None and where is None and t is None:
        raise typer.BadParameter("--correct needs what should stand there: a kind, a text, --at or --where")
    if kind is not None:
        _allowed(kind)
    reader = Reader(path)
    entry = next((entry for entry in reader.journal(limit=1_000_000) if entry.id == number), None)
    reader.close()
    if entry is None:
        raise typer.BadParameter(f"there is no journal entry {number}; the list without --correct shows the numbers")
    return {
        "entry_id": number, "kind": entry.kind if kind is None else kind, "text": entry.text if text is None else text,
        "where": entry.where if where is None else where, "t": entry.t if t is None else t,
    }


def _allowed(kind: str) -> None:
    from analysis.events import EventKind

    allowed = [item.value for item in EventKind if item is not EventKind.BASELINE]
    if kind not in allowed:
        raise typer.BadParameter(f"{kind!r} is not a kind of entry; allowed: {', '.join(allowed)}")
