"""The lines that ``ductwarden alarms`` prints."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from analysis.findings import Claim
from daemon.alarms.machine import HIDDEN
from daemon.alarms.rates import ACCEPTABLE_PER_DAY, FLOOD_BEGINS, raised_times, rate_history
from daemon.alarms.types import Alarm, AlarmState
from daemon.clock import LocalZone
from daemon.store.reader import Reader
from daemon.wording import URGENCY_WORDS, duration, headline, local_time, sureness

MOST_STEPS = 1_000_000
_ZONE = LocalZone()


def open_list(alarms: Sequence[Alarm]) -> Iterator[str]:
    """Every open alarm in two lines."""
    if not alarms:
        yield "no alarm is open"
    for alarm in alarms:
        yield f"{alarm.id:5d}  {URGENCY_WORDS[alarm.urgency]}: {headline(alarm)}"
        unsaid = alarm.finding.claim is Claim.NOT_YET_KNOWN
        yield f"       {standing(alarm)}{'' if unsaid else f'; {sureness(alarm.finding.confidence)}'}"


def standing(alarm: Alarm) -> str:
    """Its state, and since or until when."""
    words = alarm.state.value.replace("_", " ")
    if alarm.state is AlarmState.SHELVED and alarm.shelved_until is not None:
        return f"{words} until {local_time(alarm.shelved_until, _ZONE)}"
    if alarm.state is AlarmState.SUPPRESSED and alarm.suppressed_by is not None:
        return f"{words}: explained by {alarm.suppressed_by.value}"
    return f"{words}, since {local_time(alarm.since_t, _ZONE)}"


def history(alarms: Sequence[Alarm]) -> Iterator[str]:
    """One line an alarm, the oldest first."""
    if not alarms:
        yield "no alarm in this time"
    for alarm in reversed(alarms):
        parts = [f"{alarm.id:5d}  {local_time(alarm.raised_t, _ZONE)}  {headline(alarm)}"]
        if alarm.acknowledged_t is not None:
            parts.append(f"acknowledged after {duration(max(0.0, alarm.acknowledged_t - alarm.raised_t))}")
        if alarm.cleared_t is not None:
            parts.append(f"over after {duration(max(0.0, alarm.cleared_t - alarm.raised_t))}")
        if alarm.state is not AlarmState.NORMAL:
            parts.append(f"now {alarm.state.value.replace('_', ' ')}")
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
        yield f"  {local_time(step.t, _ZONE)}  {step.after.value.replace('_', ' ')} by {step.by}{reason}"


def rates(reader: Reader, start: float, end: float) -> Iterator[str]:
    """How many alarms were raised, by day, against the published figures."""
    found = rate_history(raised_in(reader, start, end), _ZONE)
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
        yield f"kept quiet now: {', '.join(_quiet(hidden))}"


def rates_document(reader: Reader, start: float, end: float) -> dict[str, object]:
    """The same as numbers."""
    found = rate_history(raised_in(reader, start, end), _ZONE)
    return {
        "raised": found.told, "most_in_ten_minutes": found.busiest_10_min, "floods": found.floods,
        "days": {str(day): count for day, count in sorted(found.days.items())},
    }


def raised_in(reader: Reader, start: float, end: float) -> list[float]:
    """When alarms were raised to a person."""
    return raised_times(reader.transitions(start=start, end=end, limit=MOST_STEPS))


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _quiet(alarms: Iterable[Alarm]) -> Iterator[str]:
    for alarm in alarms:
        yield f"{headline(alarm)} ({alarm.state.value.replace('_', ' ')})"
