"""``ductwarden alarms``: the open alarms, what came before, how many there were, and what to do about them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from daemon.errors import NOT_DONE

if TYPE_CHECKING:
    from daemon.store.reader import Reader

ACTIONS = {
    "list": "the open alarms",
    "history": "past and open alarms; with an ID every step of that one",
    "rates": "how many were told, against what a person can follow",
    "acknowledge": "you have seen it (an ID, or all)",
    "reset": "end an alarm that is kept until somebody has looked",
    "shelve": "keep it quiet --for a while or --until a time",
    "unshelve": "end that now",
    "out": "take a condition out of service (its name; --where for one place)",
    "return": "return it to service",
}


def alarms(
    shop: Annotated[Path, typer.Argument(help="The shop's configuration.", exists=True, dir_okay=False)],
    action: Annotated[str, typer.Argument(help="; ".join(f"{name}: {words}" for name, words in ACTIONS.items()))] = "list",
    what: Annotated[str, typer.Argument(help="The alarm's ID, or the condition's name.")] = "",
    where: Annotated[str, typer.Option(help="Port, run or channel; without it a condition everywhere.")] = "",
    until: Annotated[str | None, typer.Option(help="End of a shelf or of the history, local, as 2026-03-01T09:00.")] = None,
    since: Annotated[str | None, typer.Option(help="Beginning of the history or of the rates, local.")] = None,
    for_: Annotated[str | None, typer.Option("--for", help='How long a shelf lasts, as "4 h" or "2 days".')] = None,
    reason: Annotated[str, typer.Option(help="A few words for the record.")] = "",
    last: Annotated[int, typer.Option(min=1, max=10_000, help="How many the history shows.")] = 30,
    as_json: Annotated[bool, typer.Option("--json", help="List, history or rates as JSON.")] = False,
) -> None:
    """Show the alarms of the running daemon, or do something about them. What is done is done by the daemon."""
    from daemon.config.load import load
    from daemon.store.reader import Reader

    if action not in ACTIONS:
        raise typer.BadParameter(f"{action!r} is not something to do; allowed: {', '.join(ACTIONS)}")
    config = load(shop)
    reader = Reader(config.at(config.file.store.file))
    try:
        if action in ("list", "history", "rates"):
            _show(reader, action, what, since, until, last, as_json)
        elif not _act(reader, action, what, where, until, for_, reason):
            raise typer.Exit(NOT_DONE)
    finally:
        reader.close()


def _show(
    reader: Reader, action: str, what: str, since: str | None, until: str | None, last: int, as_json: bool
) -> None:
    from daemon.alarms.picture import alarm_document
    from daemon.cli import alarm_words
    from daemon.cli.common import local_moment, say_json
    from daemon.store.reader import EVER

    start = -EVER if since is None else local_moment(since)
    end = EVER if until is None else local_moment(until)
    if action == "rates" and as_json:
        say_json(alarm_words.rates_document(reader, start, end))
        return
    if action == "rates":
        lines = alarm_words.rates(reader, start, end)
    elif action == "history" and what:
        lines = alarm_words.steps(reader, _number(what))
    else:
        found = reader.open_alarms() if action == "list" else reader.alarms(start, end, last)
        if as_json:
            say_json([alarm_document(alarm) for alarm in found])
            return
        lines = alarm_words.open_list(found) if action == "list" else alarm_words.history(found)
    for line in lines:
        typer.echo(line)


def _act(
    reader: Reader, action: str, what: str, where: str, until: str | None, for_: str | None, reason: str
) -> bool:
    from daemon.alarms.machine import TO_ACKNOWLEDGE
    from daemon.cli.common import ask

    if not what:
        raise typer.BadParameter(f"{action} what? Give the {'condition' if action in ('out', 'return') else 'ID'}")
    path = reader.path
    if action == "acknowledge" and what == "all":
        waiting = [alarm.id for alarm in reader.open_alarms() if alarm.state in TO_ACKNOWLEDGE]
        if not waiting:
            typer.echo("no alarm waits to be acknowledged")
        answers = [ask(path, "acknowledge", {"alarm_id": alarm_id}) for alarm_id in waiting]
        return all(answers)
    if action in ("acknowledge", "reset", "unshelve"):
        return ask(path, action, {"alarm_id": _number(what)})
    if action == "shelve":
        end = _end(reader, until, for_)
        return ask(path, "shelve", {"alarm_id": _number(what), "until_t": end, "reason": reason})
    kind = "out_of_service" if action == "out" else "return_to_service"
    return ask(path, kind, {"condition": _condition(what), "where": where, "reason": reason})


def _end(reader: Reader, until: str | None, for_: str | None) -> float:
    from analysis.units import UnitError, parse
    from daemon.cli.common import event_now, local_moment

    if (until is None) == (for_ is None):
        raise typer.BadParameter('say until when: either --until 2026-03-01T09:00 or --for "4 h"')
    if until is not None:
        return local_moment(until)
    try:
        return event_now(reader) + parse(for_ or "", "time")
    except UnitError as error:
        raise typer.BadParameter(f"--for: {error}") from error


def _number(text: str) -> int:
    try:
        return int(text)
    except ValueError:
        raise typer.BadParameter(f"{text!r} is not the ID of an alarm; the list shows them") from None


def _condition(name: str) -> str:
    from analysis.conditions import Condition

    allowed = [condition.value for condition in Condition]
    if name not in allowed:
        raise typer.BadParameter(f"{name!r} is not a condition; allowed: {', '.join(allowed)}")
    return name
