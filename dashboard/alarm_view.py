"""Alarms as a person reads them: what, where, since when, how sure, on what evidence, what else it could be, what to do."""

from __future__ import annotations

from pydantic import BaseModel, Field

from analysis.conditions import TEXTS, Condition, Urgency
from analysis.events import EventKind
from analysis.findings import Evidence
from daemon.store.reader import Alarm, AlarmState, Step
from dashboard.shapes import Out, Screen, place_words
from dashboard.words import NO_BREAK, day_and_time, duration, sentence, since, unbroken

URGENCY_WORDS = {Urgency.STOP: "Stop now", Urgency.SOON: "Look today", Urgency.PLAN: "When it suits you"}
"""What each urgency asks of the owner."""
_URGENCY_ORDER = {Urgency.STOP: 0, Urgency.SOON: 1, Urgency.PLAN: 2}

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


class AlarmOut(BaseModel):
    """One alarm, open or past. One without content is what the page's template for further alarms is made from."""

    id: int = Field(default=0, examples=[12])
    condition: str = Field(default="", examples=["bag_full"])
    where: str = Field(default="", examples=[""])
    title: str = Field(default="", examples=["The chip bag is full"])
    meaning: str = Field(default="", examples=["Chips are being carried up into the filter bags."])
    action: str = Field(default="", examples=["Stop the fan and empty the chip bag."])
    urgency: str = Field(default="", examples=["stop"])
    urgency_words: str = Field(default="", examples=["Stop now"])
    tag: str = Field(default="", examples=["Stop now"])
    line: str = Field(default="", examples=["since 09:14 · almost sure (97 %) · Not seen yet"])
    state: str = Field(default="", examples=["unacknowledged"])
    state_words: str = Field(default="", examples=["Not seen yet"])
    tone: str = Field(default="", examples=["stop"])
    since_t: float = 0.0
    raised_t: float = 0.0
    cleared_t: float | None = None
    acknowledged_t: float | None = None
    shelved_until: float | None = None
    since: str = Field(default="", examples=["09:14"])
    until: str = Field(default="", examples=["12:30"])
    sure: str = Field(default="", examples=["almost sure (97 %)"])
    confidence: float = Field(default=0.0, examples=[0.97])
    evidence: list[Out] = []
    could_be: list[str] = []
    raised: str = Field(default="", examples=["09:14"])
    cleared: str = Field(default="", examples=["10:02"])
    answer: str = Field(default="", examples=["I emptied it"], description="what the button that answers it says")
    answer_url: str = Field(default="", examples=["/alarms/12/answer"])
    acknowledgeable: bool = False
    resettable: bool = False
    shelved: bool = False
    shelvable: bool = False
    in_service: bool = False
    asks: bool = Field(default=False, description="whether there is anything to say about it")
    history: str = Field(default="/alarms/0", examples=["/alarms/12"])


def sure_words(confidence: float) -> str:
    """How sure a claim is, in words and in percent.

    >>> sure_words(0.97), sure_words(0.6)
    ('almost sure (97\xa0%)', 'more likely than not (60\xa0%)')
    """
    percent = min(99, max(1, round(confidence * 100)))
    for least, words in ((0.95, "almost sure"), (0.8, "very likely"), (0.65, "likely"), (0.5, "more likely than not")):
        if confidence >= least:
            return f"{words} ({percent}{NO_BREAK}%)"
    return f"a possibility ({percent}{NO_BREAK}%)"


def title_of(condition: Condition, where: str, over: bool = False) -> str:
    """The condition's title, with the place; in the past for what is over."""
    title = in_the_past(TEXTS[condition].title) if over else TEXTS[condition].title
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


def alarm_out(alarm: Alarm, screen: Screen, now: float | None, fan: str = "") -> AlarmOut:
    """One alarm for a screen. ``fan`` is the state of the fan, where it is known: nobody is told to stop one that stands."""
    texts = TEXTS[alarm.condition]
    finding = alarm.finding
    quiet = alarm.state in QUIET or alarm.state in (AlarmState.NORMAL, AlarmState.LATCHED_ACKNOWLEDGED)
    over = alarm.state in OVER and not quiet
    began = since(alarm.since_t, now)
    ended = since(alarm.cleared_t, now) if alarm.cleared_t is not None else ""
    sure, state_words = sure_words(finding.confidence), STATE_WORDS[alarm.state]
    until = since(alarm.shelved_until, now) if alarm.shelved_until else ""
    when = f"{began} to {ended}" if ended else f"since {began}"
    meaning, action = texts.meaning, sentence(finding.action or texts.action)
    stop = "Stop the fan and "
    if fan == "off" and action.startswith(stop):
        action = f"{action[len(stop)].upper()}{action[len(stop) + 1:]}"
    if alarm.cleared_t is not None:
        # Its cause is gone, also where it was put off since: what was to be done then would mislead now.
        meaning = f"What it meant: {meaning[:1].lower()}{meaning[1:]}"
        action = "" if alarm.state is AlarmState.NORMAL else LOOK
    urgency = URGENCY_WORDS[alarm.urgency]
    if fan == "off" and alarm.urgency is Urgency.STOP:
        urgency = "Before the next start"
    asks = [] if over or alarm.state is AlarmState.NORMAL else [state_words]
    return AlarmOut(
        id=alarm.id,
        condition=alarm.condition.value,
        where=alarm.where,
        title=title_of(alarm.condition, alarm.where, alarm.cleared_t is not None),
        meaning=meaning,
        action=action,
        urgency=alarm.urgency.value,
        urgency_words=URGENCY_WORDS[alarm.urgency],
        tag=urgency if alarm.cleared_t is None else state_words if over else "Fine now",
        line=" · ".join([when, sure] + ([f"{state_words} until {until}"] if until else asks)),
        state=alarm.state.value,
        state_words=state_words,
        tone="quiet" if quiet else "over" if over else alarm.urgency.value,
        since_t=alarm.since_t,
        raised_t=alarm.raised_t,
        cleared_t=alarm.cleared_t,
        acknowledged_t=alarm.acknowledged_t,
        shelved_until=alarm.shelved_until,
        since=began,
        until=until,
        sure=sure,
        confidence=finding.confidence,
        evidence=[evidence_out(item, screen) for item in finding.evidence.values()],
        could_be=[unbroken(words) for words in finding.could_be],
        raised=since(alarm.raised_t, now),
        cleared=ended,
        answer=answer_of(alarm)[1],
        answer_url=f"/alarms/{alarm.id}/answer",
        acknowledgeable=alarm.state in WAITING,
        resettable=alarm.state in LATCHED,
        shelved=alarm.state is AlarmState.SHELVED,
        shelvable=alarm.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED),
        in_service=alarm.state is not AlarmState.OUT_OF_SERVICE,
        asks=alarm.state not in (AlarmState.NORMAL, AlarmState.SUPPRESSED),
        history=f"/alarms/{alarm.id}",
    )


def evidence_out(item: Evidence, screen: Screen) -> Out:
    """One number of evidence in words, as shown and in SI; a kind of quantity that the screen does not know is shown as it is."""
    try:
        shown = duration(item.value) if item.kind == "time" else screen.quantity(item.value, item.kind).shown
    except KeyError:
        shown = f"{item.value:.3g}"
    return {"words": item.words, "shown": shown, "si": item.value}


def by_weight(alarms: list[AlarmOut]) -> list[AlarmOut]:
    """The alarms in the order in which they want to be looked at: urgent first, quiet last, then the oldest."""
    order = {urgency.value: rank for urgency, rank in _URGENCY_ORDER.items()}
    return sorted(
        alarms,
        key=lambda alarm: (
            alarm.tone == "quiet",
            alarm.tone == "over",
            order.get(alarm.urgency, 9),
            not alarm.acknowledgeable,
            alarm.raised_t,
        ),
    )


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
