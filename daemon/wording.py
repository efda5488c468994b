"""The words of notices: what, where, since when, how sure, the numbers, what else it could be, what to do, cautions.

Plain words of the trade, the owner's units, the shop's local time. Pure text: nothing here decides whether or when
something is told (:mod:`daemon.notices` does).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from datetime import datetime, tzinfo
from types import MappingProxyType

from analysis.causes import sentence
from analysis.conditions import TEXTS, Condition, Urgency
from analysis.findings import Evidence, titled
from analysis.readings import CHANNELS
from analysis.units import System, show
from daemon.alarms.types import Alarm, AlarmState

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

URGENCY_WORDS: Mapping[Urgency, str] = MappingProxyType({
    Urgency.STOP: "Stop the fan", Urgency.SOON: "Look today", Urgency.PLAN: "When it suits you"})

LOCK_OUT = "Switch off and lock out the power before you open anything, and wait until the fan wheel stands still."
DUST = ("Fine wood dust harms the lungs: wear a respirator made for fine dust when you handle bags or chips. A comfort "
        "mask is no substitute.")
FIRE = "Dust in the air can burn or explode: no flame, no grinding, no sparks near it."
MAINS = "Work on mains wiring and inside the starter box is for a licensed electrician, de-energised and locked out."

CAUTIONS: Mapping[Condition, tuple[str, ...]] = MappingProxyType({
    Condition.FILTER_LOADING: (LOCK_OUT, DUST, FIRE),
    Condition.FILTER_BLINDED: (LOCK_OUT, DUST, FIRE),
    Condition.BAG_FULL: (LOCK_OUT, DUST, FIRE),
    Condition.BLOCKED_RUN: (LOCK_OUT, "Never reach into a hood or a run while the machine or the fan can start."),
    Condition.OPEN_GATE_OR_LEAK: ("Keep hands and sleeves away from open hoods and running cutters.",),
    Condition.FILTER_BREACH: ("Leave the room with the unit until the dust has settled.", LOCK_OUT, DUST, FIRE),
    Condition.WEAK_FAN: (LOCK_OUT, MAINS),
    Condition.MOTOR_OVERLOAD: (
        "Do not reset a tripped overload again and again: find the cause first.", LOCK_OUT, MAINS),
    Condition.LOW_VELOCITY: ("Chips that settle in a run can plug it and feed a fire: do not leave it so.",),
    Condition.LEFT_RUNNING: (),
    Condition.SHORT_CYCLING: ("Each start heats the motor; let it cool before the next.",),
    Condition.SENSOR_FAULT: ("What needs this sensor is not watched until it works again.", MAINS),
    Condition.SUCTION_LOST: (LOCK_OUT,),
})
"""What to mind at each condition. Common practice; the local rules and the machine's manual stand above them."""

ADVISORY = "This is advice, not a safety device: nothing here starts or stops the motor."


STATE_WORDS = {
    AlarmState.NORMAL: "over", AlarmState.UNACKNOWLEDGED: "not seen yet", AlarmState.ACKNOWLEDGED: "seen",
    AlarmState.RETURNED: "fine now, not seen yet", AlarmState.LATCHED_UNACKNOWLEDGED: "fine now, have a look",
    AlarmState.LATCHED_ACKNOWLEDGED: "fine now and seen, kept until you close it", AlarmState.SHELVED: "put off",
    AlarmState.SUPPRESSED: "follows from another alarm", AlarmState.OUT_OF_SERVICE: "switched off by you",
}
"""How an alarm stands, in plain words."""


def local_time(t: float, tz: tzinfo) -> str:
    """Event time ``t`` [s since the epoch] as the shop's clock shows it.

    >>> from datetime import timezone
    >>> local_time(1772355600.0, timezone.utc)
    'Sun 1 Mar 2026, 09:00'
    """
    at = datetime.fromtimestamp(t, tz)
    return f"{_DAYS[at.weekday()]} {at.day} {_MONTHS[at.month - 1]} {at.year}, {at:%H:%M}"


def duration(seconds: float) -> str:
    """A length of time [s] in the unit a person would use.

    >>> duration(40), duration(2100), duration(9000), duration(300000)
    ('40 s', '35 min', '2.5 h', '3.5 days')
    """
    if seconds < 90:
        return f"{seconds:.0f} s"
    if seconds < 5400:
        return f"{seconds / 60:.0f} min"
    if seconds < 172800:
        return f"{seconds / 3600:.1f} h"
    return f"{seconds / 86400:.1f} days"


def number(item: Evidence, units: System) -> str:
    """One number of the evidence in the owner's units; a kind without a unit of its own as a plain number."""
    if not math.isfinite(item.value):
        return "–"
    if item.kind == "time":
        return duration(item.value)
    if item.kind == "ratio":
        return f"{item.value:.2f} times"
    try:
        return show(item.value, item.kind, units)
    except KeyError:
        return f"{item.value:.3g}"


def sureness(confidence: float) -> str:
    """How sure a claim is, in a word with its number.

    >>> sureness(0.97), sureness(0.7)
    ('almost certain (97 %)', 'likely (70 %)')
    """
    word = ("almost certain" if confidence >= 0.95 else "very likely" if confidence >= 0.8
            else "likely" if confidence >= 0.6 else "possible")
    return f"{word} ({100 * confidence:.0f} %)"


def place(condition: Condition, where: str) -> str:
    """Where it is, in words: a port by its name, a channel by what it measures."""
    if not where:
        return "the whole unit"
    if condition is Condition.SENSOR_FAULT and where in CHANNELS:
        return f"{CHANNELS[where].words} ({where})"
    return where


def headline(alarm: Alarm) -> str:
    """The condition's title with its place, if it has one."""
    title = titled(alarm.finding)
    return f"{title}: {place(alarm.condition, alarm.where)}" if alarm.where else title


def standing(alarm: Alarm, tz: tzinfo) -> str:
    """How an alarm stands, and since or until when."""
    if alarm.state is AlarmState.SHELVED and alarm.shelved_until is not None:
        return f"put off until {local_time(alarm.shelved_until, tz)}"
    if alarm.state is AlarmState.SUPPRESSED and alarm.suppressed_by is not None:
        title = TEXTS[alarm.suppressed_by].title
        return f"follows from: {title[:1].lower()}{title[1:]}"
    return f"{STATE_WORDS[alarm.state]}, since {local_time(alarm.since_t, tz)}"


_LEADS = {"raised": "", "repeated": "Still: ", "escalated": "Nobody has answered: ", "cleared": "Over: ",
          "acknowledged": "Seen: "}


def title(alarm: Alarm, event: str) -> str:
    """The subject line of a notice."""
    if event == "cleared" and alarm.state in (AlarmState.LATCHED_ACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED):
        return f"Fine now, please have a look: {headline(alarm)}"
    if event in ("cleared", "acknowledged"):
        return _LEADS[event] + headline(alarm)
    return f"{_LEADS[event]}{URGENCY_WORDS[alarm.urgency]}: {headline(alarm)}"


def body(alarm: Alarm, event: str, t: float, shop: str, units: System, tz: tzinfo,
         explained: Iterable[Alarm] = ()) -> str:
    """The text of a notice about ``alarm`` at event time ``t`` [s].

    ``explained`` are the alarms that are suppressed because this one is their root cause.
    """
    text, finding = TEXTS[alarm.condition], alarm.finding
    lines = [f"{shop}: {text.title[0].lower()}{text.title[1:]}. {text.meaning}",
             f"Where: {place(alarm.condition, alarm.where)}."]
    if event == "cleared":
        lines.append(f"From {local_time(alarm.since_t, tz)} to {local_time(alarm.cleared_t or t, tz)} "
                     f"({duration(max((alarm.cleared_t or t) - alarm.since_t, 0.0))}).")
        if alarm.state in (AlarmState.LATCHED_ACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED):
            lines.append("The readings are normal again. The alarm stays until somebody has looked and closed it.")
        elif alarm.state is AlarmState.RETURNED:
            lines.append("It went away by itself before anybody had seen it.")
        return "\n".join(lines)
    lines.append(f"Since: {local_time(alarm.since_t, tz)} ({duration(max(t - alarm.since_t, 0.0))}).")
    if event == "acknowledged":
        lines.append(f"Seen by {'you' if alarm.by == 'owner' else alarm.by}.")
        return "\n".join(lines)
    lines.append(f"How sure: {sureness(finding.confidence)}.")
    if finding.evidence:
        lines.append("Numbers: " + "; ".join(f"{e.words} {number(e, units)}" for e in finding.evidence.values()) + ".")
    for other in explained:
        lines.append(f"It also explains: {headline(other)}. {sentence(alarm.condition, other.condition)}".rstrip())
    if finding.could_be:
        lines.append("It could also be: " + "; ".join(finding.could_be) + ".")
    lines.append(f"What to do: {finding.action or text.action}")
    if CAUTIONS[alarm.condition]:
        lines.append("Take care: " + " ".join(CAUTIONS[alarm.condition]))
    if alarm.urgency is Urgency.STOP:
        lines.append(ADVISORY)
    return "\n".join(lines)
