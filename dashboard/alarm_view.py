"""Alarms as a person reads them: what, where, since when, how sure, on what evidence, what else it could be, what to do."""

from __future__ import annotations

from analysis.conditions import TEXTS, Condition, Urgency
from analysis.events import EventKind
from analysis.findings import UNDECIDED, Evidence, Finding, titled
from daemon.store.reader import Alarm, AlarmState, Step
from dashboard.shapes import Out, Screen, place_words, text
from dashboard.snapshot import Snapshot
from dashboard.words import NO_BREAK, day_and_time, duration, sentence, since, unbroken

URGENCY_WORDS = {Urgency.STOP: "Stop now", Urgency.SOON: "Look today", Urgency.PLAN: "When it suits you"}
"""What each urgency asks of the owner."""

STATE_WORDS = {
    AlarmState.NORMAL: "Over",
    AlarmState.UNACKNOWLEDGED: "Not seen yet",
    AlarmState.ACKNOWLEDGED: "Seen",
    AlarmState.RETURNED: "Fine now. Seen it?",
    AlarmState.LATCHED_UNACKNOWLEDGED: "Fine now. Have a look",
    AlarmState.LATCHED_ACKNOWLEDGED: "Fine now and seen, kept until you close it",
    AlarmState.SHELVED: "Put off",
    AlarmState.SUPPRESSED: "Follows from another alarm",
    AlarmState.OUT_OF_SERVICE: "Switched off by you",
}
"""The alarm states in plain words."""
WAITING = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED, AlarmState.LATCHED_UNACKNOWLEDGED)
"""States that wait for the owner's word."""
LATCHED = (AlarmState.LATCHED_ACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED)
"""States that last until the owner ends them."""
OVER = (AlarmState.RETURNED, *LATCHED)
"""States in which the cause is gone: what is left is to look."""
LOOK = "Check that everything is in order."
"""What is left to do about an alarm whose cause is gone."""
QUIET = (AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE)
"""States in which nobody is to be disturbed."""


ANSWERS: dict[Condition, tuple[EventKind, str]] = {
    Condition.BAG_FULL: (EventKind.EMPTIED, "I emptied it"),
    Condition.FILTER_LOADING: (EventKind.CLEANED, "I cleaned it"),
    Condition.FILTER_BLINDED: (EventKind.REPLACED, "I washed or replaced the bags"),
}
"""What the one large button writes into the journal, and what it says. Every other alarm is answered by "Got it"."""
GOT_IT = "Got it"
_CHANNEL = dict.fromkeys(
    (Condition.FILTER_LOADING, Condition.FILTER_BLINDED, Condition.FILTER_BREACH, Condition.BAG_FULL), "filter_pa"
) | dict.fromkeys(
    (Condition.BLOCKED_RUN, Condition.OPEN_GATE_OR_LEAK, Condition.WEAK_FAN, Condition.LOW_VELOCITY, Condition.SUCTION_LOST),
    "inlet_pa",
) | {Condition.MOTOR_OVERLOAD: "motor_a"}


def channel_of(condition: Condition | str, where: str) -> str:
    """The reading that an alarm is about; "" where it is about none."""
    return where if condition == Condition.SENSOR_FAULT else _CHANNEL.get(Condition(condition), "")


def sure_words(confidence: float) -> str:
    """How sure a claim is, in words and in percent.

    >>> sure_words(0.97), sure_words(0.6), sure_words(0.5)
    ('almost sure (97\xa0%)', 'more likely than not (60\xa0%)', 'a possibility (50\xa0%)')
    """
    percent = min(99, max(1, round(confidence * 100)))
    for least, words in ((0.95, "almost sure"), (0.8, "very likely"), (0.65, "likely"), (0.5, "more likely than not")):
        if confidence >= least and confidence > UNDECIDED:
            return f"{words} ({percent}{NO_BREAK}%)"
    return f"a possibility ({percent}{NO_BREAK}%)"


def title_of(finding: Finding, where: str, over: bool = False) -> str:
    """The condition's title, with the place; in the past for what is over."""
    title = in_the_past(titled(finding)) if over else titled(finding)
    return f"{title}: {place_words(where)}" if where else title


def in_the_past(words: str) -> str:
    """A condition's title of what is over.

    >>> in_the_past("A gate is open or a hose is off"), in_the_past("A port has lost suction")
    ('A gate was open or a hose was off', 'A port had lost suction')
    """
    for now, then in ((" is ", " was "), (" has ", " had "), (" cannot ", " could not "), ("restores", "restored")):
        words = words.replace(now, then)
    return words


def answer_of(alarm: Alarm) -> tuple[EventKind | None, str]:
    """What the alarm's one button enters into the journal (None: nothing), and its words ("": no button)."""
    if alarm.state in QUIET or alarm.state is AlarmState.NORMAL:
        return None, ""
    if alarm.cleared_t is None and alarm.condition in ANSWERS:
        return ANSWERS[alarm.condition]
    if alarm.state in LATCHED:
        return None, "I looked: close it"
    return None, GOT_IT if alarm.state in WAITING else ""


def open_alarm(alarm: Alarm, screen: Screen, snapshot: Snapshot) -> Out:
    """One that is open, beside what is known now. The desk does not follow an alarm that was put off: whether its cause is gone
    is then the detector's to say."""
    absent = any(text(claim, "condition") == alarm.condition and text(claim, "where") == alarm.where
                 and text(claim, "claim") == "absent" for claim in snapshot.detectors)
    return alarm_out(alarm, screen, snapshot.clock, text(snapshot.now, "state"), absent and alarm.state is AlarmState.SHELVED)


def alarm_out(alarm: Alarm, screen: Screen, now: float | None, fan: str = "", gone: bool = False) -> Out:
    """One alarm for a screen. ``fan`` is the state of the fan, where it is known: nobody is told to stop one that stands."""
    texts = TEXTS[alarm.condition]
    finding, cleared = alarm.finding, gone or alarm.cleared_t is not None
    over = alarm.state in OVER and alarm.state is not AlarmState.LATCHED_ACKNOWLEDGED
    quiet = not over and alarm.state not in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
    began, sure, state_words = since(alarm.since_t, now), sure_words(finding.confidence), STATE_WORDS[alarm.state]
    ended = since(alarm.cleared_t, now) if alarm.cleared_t is not None else ""
    until = since(alarm.shelved_until, now) if alarm.shelved_until else ""
    meaning, action = texts.meaning, sentence(finding.action or texts.action)
    urgency, stop = URGENCY_WORDS[alarm.urgency], "Stop the fan and "
    if fan == "off" and action.startswith(stop):
        action = f"{action[len(stop)].upper()}{action[len(stop) + 1:]}"
    if fan == "off" and alarm.urgency is Urgency.STOP:
        urgency = "Before the next start"
    if cleared:  # also where it was put off since: what was to be done then would mislead now
        meaning = f"What it meant: {meaning[:1].lower()}{meaning[1:]}"
        action = "" if alarm.state is AlarmState.NORMAL else LOOK
    when = f"{began} to {ended}" if ended else f"{'from' if gone else 'since'} {began}"
    asks = f"{state_words} until {until}" if until else "" if over or alarm.state is AlarmState.NORMAL else state_words
    return {
        "id": alarm.id,
        "condition": alarm.condition.value,
        "where": alarm.where,
        "title": title_of(finding, alarm.where, cleared),
        "meaning": meaning,
        "action": action,
        "urgency": alarm.urgency.value,
        "urgency_words": URGENCY_WORDS[alarm.urgency],
        "confidence": finding.confidence,
        "tag": urgency if not cleared else state_words if over else "Fine now",
        "line": " · ".join(filter(None, (when, sure, asks))),
        "state": alarm.state.value,
        "state_words": state_words,
        "tone": "quiet" if quiet else "over" if over else alarm.urgency.value,
        "since_t": alarm.since_t,
        "raised_t": alarm.raised_t,
        "gone": cleared,
        "cleared_t": alarm.cleared_t,
        "acknowledged_t": alarm.acknowledged_t,
        "shelved_until": alarm.shelved_until,
        "since": began,
        "until": until,
        "sure": sure,
        "cleared": ended,
        "evidence": [evidence_out(item, screen) for item in finding.evidence.values()],
        "could_be": [unbroken(words) for words in finding.could_be],
        "answer": answer_of(alarm)[1],
        "acknowledgeable": alarm.state in WAITING,
        "shelved": alarm.state is AlarmState.SHELVED,
        "shelvable": alarm.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED),
        "in_service": alarm.state is not AlarmState.OUT_OF_SERVICE,
        "history": f"/alarms/{alarm.id}",
    }


BLANK = dict.fromkeys(("title", "tag", "line", "tone", "action", "answer"), "") | {"id": 0, "history": "/alarms/0"}
"""What the page's template for further alarms is made from."""


def evidence_out(item: Evidence, screen: Screen) -> Out:
    """One number of evidence in words, as shown and in SI; a kind of quantity that the screen does not know is shown as it is."""
    try:
        shown = duration(item.value) if item.kind == "time" else screen.quantity(item.value, item.kind).shown
    except KeyError:
        shown = f"{item.value:.3g}"
    return {"words": item.words, "shown": shown, "si": item.value}


def by_weight(alarms: list[Out]) -> list[Out]:
    """The alarms in the order in which they want to be looked at: urgent first, quiet last, then the oldest."""
    order = {urgency.value: rank for rank, urgency in enumerate(URGENCY_WORDS)}
    return sorted(alarms, key=lambda alarm: (alarm["tone"] == "quiet", alarm["tone"] == "over", order[alarm["urgency"]],
                                             not alarm["acknowledgeable"], alarm["raised_t"]))


def transition_out(step: Step) -> Out:
    """One step for a screen."""
    return {
        "t": step.t,
        "when": day_and_time(step.t),
        "before": step.before.value,
        "after": step.after.value,
        "words": STATE_WORDS[step.after],
        "by": step.by,
        "reason": in_words(step.reason),
    }


REASONS = {
    "explained by": "it follows from", "returned while it was suppressed": "it was gone before it was told",
    "the shelf ended": "the time was up", "unshelved": "", "its root cause is gone and it is still there":
    "what it followed from is gone, and it is still there", "acknowledged": "seen",
}  # fmt: skip
"""Reasons as the daemon writes them -> as people say them."""


def in_words(reason: str) -> str:
    """A reason of the daemon in plain words, the name of a condition by its title.

    >>> in_words("explained by bag_full")
    'it follows from “The chip bag is full”'
    """
    for said, plain in REASONS.items():
        reason = reason.replace(said, plain)
    for condition in Condition:
        if condition.value in reason:
            reason = reason.replace(condition.value, f"“{TEXTS[condition].title}”")
    return reason
