"""``ductwarden alarms``: the open alarms, what came before, how many there were, and what to do about them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict
from typing import Annotated

import typer

from analysis.conditions import Condition
from analysis.findings import Claim
from analysis.units import UnitError, parse
from daemon.alarms.machine import HIDDEN, TO_ACKNOWLEDGE
from daemon.alarms.picture import alarm_document
from daemon.alarms.rates import ACCEPTABLE_PER_DAY, FLOOD_BEGINS, raised_times, rate_history
from daemon.alarms.types import Alarm, AlarmState
from daemon.cli.common import Json, Shop, ask, event_now, give, local_moment, one_of, opened, period
from daemon.clock import LocalZone
from daemon.config.load import load
from daemon.errors import NOT_DONE
from daemon.store.reader import Reader
from daemon.wording import STATE_WORDS, URGENCY_WORDS, duration, headline, local_time, standing, sureness

MOST_STEPS = 1_000_000
ACTIONS = {
    "list": "the open alarms",
    "history": "past and open alarms; with an ID every step of that one",
    "rates": "how many were raised, against what a person can follow",
    "acknowledge": "you have seen it (an ID, or all)",
    "reset": "end an alarm that is kept until somebody has looked",
    "shelve": "put it off --for a while or --until a time",
    "unshelve": "end that now",
    "out": "take a condition out of service (its name; --where for one place)",
    "return": "return it to service",
}


def alarms(
    shop: Shop,
    action: Annotated[str, typer.Argument(help="; ".join(f"{name}: {words}" for name, words in ACTIONS.items()))] = "list",
    what: Annotated[str, typer.Argument(help="The alarm's ID, or the condition's name.")] = "",
    where: Annotated[str, typer.Option(help="Port, run or channel; without it a condition everywhere.")] = "",
    until: Annotated[str | None, typer.Option(help="Put off until, or end of the history: local, as 2026-03-01T09:00.")] = None,
    since: Annotated[str | None, typer.Option(help="Beginning of the history or of the rates, local.")] = None,
    for_: Annotated[str | None, typer.Option("--for", help='How long a shelf lasts, as "4 h" or "2 days".')] = None,
    reason: Annotated[str, typer.Option(help="A few words for the record.")] = "",
    last: Annotated[int, typer.Option(min=1, max=10_000, help="How many the history shows.")] = 30,
    as_json: Json = False,
) -> None:
    """Show the alarms of the running daemon, or do something about them. What is done is done by the daemon."""
    one_of(action, ACTIONS, "something to do")
    with opened(load(shop)) as reader:
        if action == "rates":
            start, end = period(since, until)
            give(as_json, rates_document(reader, start, end), rates(reader, start, end))
        elif action == "history" and what:
            give(as_json, steps_document(reader, _number(what)), steps(reader, _number(what)))
        elif action in ("list", "history"):
            found = reader.open_alarms() if action == "list" else reader.alarms(*period(since, until), last)
            lines = open_list(found) if action == "list" else history(found)
            give(as_json, [alarm_document(alarm) for alarm in found], lines)
        elif not _act(reader, action, what, where, until, for_, reason):
            raise typer.Exit(NOT_DONE)


def _act(
    reader: Reader, action: str, what: str, where: str, until: str | None, for_: str | None, reason: str
) -> bool:
    if not what:
        raise typer.BadParameter(f"{action} what? Give the {'condition' if action in ('out', 'return') else 'ID'}")
    path = reader.path
    if action == "acknowledge" and what == "all":
        waiting = [alarm.id for alarm in reader.open_alarms() if alarm.state in TO_ACKNOWLEDGE]
        if not waiting:
            typer.echo("no alarm waits for your word")
        answers = [ask(path, "acknowledge", {"alarm_id": alarm_id}) for alarm_id in waiting]
        return all(answers)
    if action in ("acknowledge", "reset", "unshelve"):
        return ask(path, action, {"alarm_id": _number(what)})
    if action == "shelve":
        end = _end(reader, until, for_)
        return ask(path, "shelve", {"alarm_id": _number(what), "until_t": end, "reason": reason})
    kind = "out_of_service" if action == "out" else "return_to_service"
    one_of(what, [condition.value for condition in Condition], "a condition")
    return ask(path, kind, {"condition": what, "where": where, "reason": reason})


def _end(reader: Reader, until: str | None, for_: str | None) -> float:
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


# -- in words ---------------------------------------------------------------------------------------------------------


def _when(t: float) -> str:
    return local_time(t, LocalZone())


def open_list(alarms: Sequence[Alarm]) -> Iterator[str]:
    """Every open alarm in two lines."""
    if not alarms:
        yield "no alarm is open"
    for alarm in alarms:
        yield f"{alarm.id:5d}  {URGENCY_WORDS[alarm.urgency]}: {headline(alarm)}"
        unsaid = alarm.finding.claim is Claim.NOT_YET_KNOWN
        yield f"       {standing(alarm, LocalZone())}{'' if unsaid else f'; {sureness(alarm.finding.confidence)}'}"


def history(alarms: Sequence[Alarm]) -> Iterator[str]:
    """One line an alarm, the oldest first."""
    if not alarms:
        yield "no alarm in this time"
    for alarm in reversed(alarms):
        parts = [f"{alarm.id:5d}  {_when(alarm.raised_t)}  {headline(alarm)}"]
        if alarm.acknowledged_t is not None:
            parts.append(f"seen after {duration(max(0.0, alarm.acknowledged_t - alarm.raised_t))}")
        if alarm.cleared_t is not None:
            parts.append(f"over after {duration(max(0.0, alarm.cleared_t - alarm.raised_t))}")
        if alarm.state is not AlarmState.NORMAL:
            parts.append(f"now {STATE_WORDS[alarm.state]}")
        yield "; ".join(parts)


def steps(reader: Reader, alarm_id: int) -> Iterator[str]:
    """Every step of one alarm."""
    alarm = reader.alarm(alarm_id)
    if alarm is None:
        yield f"there is no alarm {alarm_id}"
        return
    yield headline(alarm)
    for step in reader.transitions(alarm_id):
        reason = f": {step.reason}" if step.reason else ""
        yield f"  {_when(step.t)}  {STATE_WORDS[step.after]} (by {step.by}{reason})"


def steps_document(reader: Reader, alarm_id: int) -> dict[str, object] | None:
    """The same as values; None where there is no such alarm."""
    alarm = reader.alarm(alarm_id)
    return None if alarm is None else {
        **alarm_document(alarm), "steps": [asdict(step) for step in reader.transitions(alarm_id)],
    }


def rates(reader: Reader, start: float, end: float) -> Iterator[str]:
    """How many alarms were raised, by day, against the published figures."""
    found = rate_history(raised_in(reader, start, end), LocalZone())
    yield f"{_count(found.told, 'alarm')} raised on {_count(len(found.days), 'day')}"
    if found.told:
        yield f"most in ten minutes: {found.busiest_10_min} (1 can be followed, {FLOOD_BEGINS} are a flood)"
        yield f"floods: {found.floods}"
        most = max(found.days.values())
        yield f"most in a day: {most} (published as acceptable for a plant's operator: {ACCEPTABLE_PER_DAY})"
        yield from (f"  {day}  {count:4d}" for day, count in sorted(found.days.items())[-31:])
    status = reader.status("alarms")
    if isinstance(status, dict) and "words" in status:
        yield f"when the daemon last said: {status['words']}"
    hidden = [alarm for alarm in reader.open_alarms() if alarm.state in HIDDEN]
    if hidden:
        quiet = (f"{headline(alarm)} ({STATE_WORDS[alarm.state]})" for alarm in hidden)
        yield f"kept quiet now: {', '.join(quiet)}"


def rates_document(reader: Reader, start: float, end: float) -> dict[str, object]:
    """The same as numbers."""
    found = rate_history(raised_in(reader, start, end), LocalZone())
    return {
        "raised": found.told, "most_in_ten_minutes": found.busiest_10_min, "floods": found.floods,
        "days": {str(day): count for day, count in sorted(found.days.items())},
    }


def raised_in(reader: Reader, start: float, end: float) -> Iterable[float]:
    """When alarms were raised to a person."""
    return raised_times(reader.transitions(start=start, end=end, limit=MOST_STEPS))


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"
