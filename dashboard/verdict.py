"""The one sentence that a person reads first, and what to do."""

from __future__ import annotations

from pydantic import BaseModel, Field

from dashboard.alarm_view import AlarmOut
from dashboard.shapes import number, place_words, table, text
from dashboard.snapshot import Snapshot
from dashboard.words import since

MAIN_CHANNELS = ("inlet_pa", "filter_pa", "motor_a")
FRAMES_LATE_S = 60.0
"""Event seconds without a frame after which the page says that readings have stopped."""
QUALITY_WORDS = {
    "out_of_range": "out of its range",
    "jump": "jumping",
    "stuck": "stuck",
    "silent": "silent",
    "doubled": "sent by two senders that disagree",
    "unreadable": "unreadable",
}
"""Why a channel has no value, in plain words."""

_LOOK = "Acknowledge when you have looked."
_CALLS = {"stop": "Stop the fan", "soon": "Go and look today", "plan": "Something is due, when it suits"}


class Verdict(BaseModel):
    """The one sentence that a person reads first. ``tone``: ok, plan, soon, stop, wait or silent."""

    tone: str = Field(examples=["ok"])
    title: str = Field(examples=["All is well"])
    text: str = Field(examples=["Nothing needs you."])


def verdict_of(snapshot: Snapshot, alarms: list[AlarmOut], state: str, silent: bool) -> Verdict:
    """The verdict: trouble with what it knows first, then the alarms, then that all is well."""
    if snapshot.problem:
        return Verdict(tone="wait", title="Waiting for the daemon", text=snapshot.problem)
    if silent and snapshot.heard is not None:
        when = since(snapshot.heard, snapshot.wall)
        return Verdict(
            tone="silent",
            title=f"No word from the daemon since {when}",
            text="What stands below is from then. Look whether the small computer has power.",
        )
    if snapshot.t is None or snapshot.never_measured:
        return Verdict(tone="wait", title="Waiting for the first reading", text=_waiting_for(snapshot))
    clock = snapshot.clock
    late = clock is not None and clock - snapshot.t > FRAMES_LATE_S
    if late:
        return Verdict(
            tone="silent",
            title=f"No reading since {since(snapshot.t, clock)}",
            text=f"The daemon is alive, but nothing arrives. {_waiting_for(snapshot)}".strip(),
        )
    loud = [alarm for alarm in alarms if alarm.tone not in ("quiet", "over")]
    if dead := _nothing_measured(snapshot):
        standing = f"Open before that: {_named(loud)}" if loud else ""
        words = " ".join(part for part in (dead, standing, _waiting_for(snapshot)) if part)
        return Verdict(tone="silent", title="Nothing is measured", text=words)
    if loud:
        first = loud[0].urgency
        call = "Leave the fan off" if first == "stop" and state == "off" else _CALLS[first]
        words = f"{_named(loud)} {_to_do(loud[0].action, state)}"
        return Verdict(tone=first, title=call, text=f"{words} {_not_stored(snapshot)}".strip())
    if unstored := _not_stored(snapshot):
        return Verdict(tone="soon", title="Nothing is being recorded", text=unstored)
    over = [alarm for alarm in alarms if alarm.tone == "over"]
    if over:
        return Verdict(tone="over", title="Something was wrong, and is over", text=f"You were told: {_named(over)} {_LOOK}")
    if alarms:
        return Verdict(tone="ok", title="Nothing needs you", text=f"{len(alarms)} put aside or over; see below.")
    if state == "unknown":
        return Verdict(
            tone="wait", title="Not known whether the fan runs", text="Neither motor current nor pressure tells it yet."
        )
    return Verdict(tone="ok", title="Nothing needs you", text=f"No alarm is open.{_missing(snapshot)}")


def _nothing_measured(snapshot: Snapshot) -> str:
    """Why none of the main sensors tells anything just now, "" where one does."""
    fitted = {
        name: text(snapshot.now, "quality", name)
        for name in MAIN_CHANNELS
        if name in table(snapshot.now, "values") or name in table(snapshot.now, "quality")
    }
    if not snapshot.measuring_now:
        return f"No sensor has said anything since {since(number(snapshot.measuring, 'since'), snapshot.clock)}."
    if not fitted or any(number(snapshot.now, "values", name) is not None for name in fitted):
        return ""
    told = [f"{place_words(name)} is {QUALITY_WORDS.get(quality, 'not known')}" for name, quality in fitted.items()]
    words = f"{', '.join(told[:-1])} and {told[-1]}" if len(told) > 1 else told[0]
    return f"{words[:1].upper()}{words[1:]}."


def _not_stored(snapshot: Snapshot) -> str:
    """What keeps readings from being stored, "" where nothing does."""
    if snapshot.daemon.get("store_ok") is not False:
        return ""
    words = text(snapshot.daemon, "store_words", default="The database cannot be written")
    return f"{words[:1].upper()}{words[1:]}. Alarms still work, but readings are kept for a few hours only."


def _missing(snapshot: Snapshot) -> str:
    """The main sensors that give nothing just now, long before that is an alarm."""
    lost = [
        f"{place_words(name)} is {QUALITY_WORDS[quality]}"
        for name in MAIN_CHANNELS
        if (quality := text(snapshot.now, "quality", name)) in QUALITY_WORDS and number(snapshot.now, "values", name) is None
    ]
    return f" But {' and '.join(lost)}." if lost else ""


def _to_do(action: str, state: str) -> str:
    """What to do about the first alarm; nobody is told to stop a fan that stands still."""
    stop = "Stop the fan and "
    if state == "off" and action.startswith(stop):
        action = action[len(stop) :]
    return action[:1].upper() + action[1:]


def _named(alarms: list[AlarmOut]) -> str:
    """The alarms in one sentence."""
    named = "; ".join(alarm.title[:1].lower() + alarm.title[1:] for alarm in alarms[:3])
    more = f"; and {len(alarms) - 3} more" if len(alarms) > 3 else ""
    return f"{named[:1].upper()}{named[1:]}{more}."


def _waiting_for(snapshot: Snapshot) -> str:
    told = [
        f"{text(source, 'name', default='a source')} ({text(source, 'kind', default='unknown kind')}): "
        f"{text(source, 'last_error') or text(source, 'state', default='nothing yet')}"
        for source in snapshot.sources
    ]
    if told:
        return f"Source {'; '.join(told)}."
    return "The daemon is up and listens to its sources." if snapshot.t is None else ""
