"""``ductwarden journal``: what was done to the unit, as the owner wrote it or as the daemon found it in the readings."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Annotated

import typer

from analysis.events import EventKind
from daemon.cli.common import Json, Shop, ask, give, local_moment, one_of, opened
from daemon.config.config import Config
from daemon.config.load import load
from daemon.errors import NOT_DONE
from daemon.store.reader import JournalEntry

KINDS = tuple(kind.value for kind in EventKind if kind is not EventKind.BASELINE)


def journal(
    shop: Shop,
    kind: Annotated[str | None, typer.Argument(help=f"What was done ({', '.join(KINDS)}). Without it: the list.")] = None,
    text: Annotated[str | None, typer.Argument(help="A few words.")] = None,
    at: Annotated[str | None, typer.Option(help="When, as 2026-03-01T09:00 in local time; else now.")] = None,
    where: Annotated[str | None, typer.Option(help="Port or part that it concerns.")] = None,
    correct: Annotated[int | None, typer.Option(
        metavar="NUMBER", help="Correct this entry; what is not given stays. What it said before is kept.")] = None,
    strike: Annotated[int | None, typer.Option(
        metavar="NUMBER", help="Strike this entry out; it stays in the record as struck out.")] = None,
    last: Annotated[int, typer.Option(min=1, max=10_000, help="How many entries the list shows.")] = 30,
    as_json: Json = False,
) -> None:
    """Write into the journal of the running daemon, show it, or correct it. What the daemon found by itself is marked so."""
    config = load(shop)
    t = None if at is None else local_moment(at)
    payload: dict[str, object]
    if strike is not None:
        if correct is not None or kind is not None:
            raise typer.BadParameter("--strike takes the number of the entry and nothing else")
        asked, payload = "journal_remove", {"entry_id": strike}
    elif correct is not None:
        asked, payload = "journal_correct", _corrected(config, correct, kind, text, where, t)
    elif kind is not None:
        one_of(kind, KINDS, "a kind of entry")
        asked, payload = "journal_add", {"kind": kind, "text": text or "", "where": where or "", "t": t}
    else:
        with opened(config) as reader:
            entries = list(reversed(reader.journal(limit=last)))
        give(as_json, [asdict(entry) for entry in entries], _lines(entries))
        return
    if not ask(config.at(config.file.store.file), asked, payload):
        raise typer.Exit(NOT_DONE)


def _lines(entries: Sequence[JournalEntry]) -> Iterator[str]:
    for entry in entries:
        when = datetime.fromtimestamp(entry.t).strftime("%Y-%m-%d %H:%M")
        found = "" if entry.by == "owner" else "  (found by ductwarden)"
        changed = f"  (corrected: it said {entry.changes[-1]['before'].get('kind')})" if entry.changes else ""
        said = ": ".join(part for part in (entry.where, entry.text) if part)
        yield f"{entry.id:5d}  {when}  {entry.kind:10s} {said}{found}{changed}".rstrip()
    if not entries:
        yield "the journal is empty"


def _corrected(
    config: Config, number: int, kind: str | None, text: str | None, where: str | None, t: float | None
) -> dict[str, object]:
    """The whole entry as it should be: what was given, and the rest as it was."""
    if kind is None and text is None and where is None and t is None:
        raise typer.BadParameter("--correct needs what should stand there: a kind, a text, --at or --where")
    if kind is not None:
        one_of(kind, KINDS, "a kind of entry")
    with opened(config) as reader:
        entry = next((entry for entry in reader.journal(limit=1_000_000) if entry.id == number), None)
    if entry is None:
        raise typer.BadParameter(f"there is no journal entry {number}; the list without --correct shows the numbers")
    return {
        "entry_id": number, "kind": entry.kind if kind is None else kind, "text": entry.text if text is None else text,
        "where": entry.where if where is None else where, "t": entry.t if t is None else t,
    }
