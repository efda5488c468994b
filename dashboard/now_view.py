"""The page "Now" as data: one line of state, two gauges, the fan, three readings, what is open, and the numbers below."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, Field

from analysis.readings import CHANNELS
from dashboard.alarm_view import AlarmOut, alarm_out, by_weight, channel_of
from dashboard.demo_view import DemoOut, demo_out
from dashboard.machine_view import NO_GATES, air_out, bag_out, filter_out
from dashboard.shapes import SERIES, TWO_SD, Out, Quantity, Screen, dig, number, place_words, table, text
from dashboard.snapshot import Snapshot
from dashboard.words import DASH, clock_time, day_and_time, duration, sentence, since

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
STATE_WORDS = {"off": "Fan off", "starting": "Fan starting", "stopping": "Fan coasting down: it still turns"}
NOT_KNOWN = "Not known whether the fan runs"


class SignalOut(BaseModel):
    """One reading and what is normal for it with the gates as they are."""

    channel: str = Field(examples=["inlet_pa"])
    words: str = Field(examples=["Suction before the fan"])
    fitted: bool
    value: Quantity
    low: Quantity
    high: Quantity
    verdict: str = Field(examples=["within"])
    verdict_words: str = Field(examples=["normal for these gates: 7.6–8.3"])


class Verdict(BaseModel):
    """The line that a person reads first. ``tone``: ok, plan, soon, stop, over, wait or silent."""

    tone: str = Field(examples=["ok"])
    title: str = Field(examples=["All good"])
    text: str = Field(default="", examples=["Motor current is silent."])
    tag: str = Field(default="", examples=["Stop now · since 09:14 · almost sure (97 %)"])
    answer: str = Field(default="", examples=["I emptied it"], description="what the button says that answers the alarm")
    answer_url: str = Field(default="", examples=["/alarms/12/answer"])
    more: str = Field(default="", examples=["/alarms/12"])


class NowOut(BaseModel):
    """Everything on the page "Now"."""

    t: float | None
    shop: str
    units: str
    day: str = Field(examples=["Tue 3 Mar 2026, 09:14"])
    clock: str = Field(examples=["09:14:07"])
    pace: str = Field(default="", examples=["120 times as fast as real time"])
    state: str = Field(examples=["running"])
    state_words: str = Field(examples=["Fan running for 12 min"])
    verdict: Verdict
    waiting: bool
    silent: bool
    contact: str = Field(description="lost: what is shown is not the present, and nothing may look well", examples=["ok"])
    signals: dict[str, SignalOut]
    others: list[SignalOut]
    air: Out
    filter: Out
    bag: Out
    alarms: list[AlarmOut]
    rest: list[AlarmOut] = Field(description="the alarms that the verdict does not already tell")
    alarm_count: int
    demo: DemoOut | None = Field(default=None, description="what happens in a simulated shop")


def now_out(snapshot: Snapshot, screen: Screen) -> NowOut:
    """The page "Now" made from a snapshot."""
    state = text(snapshot.now, "state", default="unknown")
    alarms = by_weight([alarm_out(alarm, screen, snapshot.clock, state) for alarm in snapshot.alarms])
    pace = number(snapshot.daemon, "pace")
    # One that was put off still stands: nothing is called fine beside it.
    there = [alarm for alarm in alarms if alarm.tone not in ("quiet", "over") or (alarm.shelved and alarm.cleared_t is None)]
    told = {channel_of(alarm.condition, alarm.where) for alarm in there}
    signals = {name: _signal(snapshot, name, screen, state, name in told) for name in MAIN_CHANNELS}
    words = state_words(snapshot, state)
    air = air_out(snapshot, screen)
    others = [_signal(snapshot, name, screen, state, name in told)
              for name in CHANNELS if name not in MAIN_CHANNELS and is_fitted(snapshot, name)]
    if air["gates"] == NO_GATES:  # "for these gates" would make a fact of a guess
        for signal in (*signals.values(), *others):
            if signal.verdict in ("within", "above", "below"):
                normal = f"{signal.low.number}{DASH}{signal.high.number}"
                signal.verdict, signal.verdict_words = "unknown", f"gates not known; if the guess is right: {normal}"
    if snapshot.silent:
        old = {"verdict": "unknown", "verdict_words": "as it was then"}
        signals = {name: signal.model_copy(update=old) for name, signal in signals.items()}
    verdict, first = _verdict(snapshot, alarms, state)
    if verdict.tone == "silent":
        words = f"Last heard: {words[:1].lower()}{words[1:]}"
    bags, bag = filter_out(snapshot, screen), bag_out(snapshot, screen)
    stands = {alarm.condition for alarm in there}
    if "bag_full" in stands:  # an alarm lasts a little longer than its cause: the gauge says the same as the alarm
        bag |= {"tone": "stop", "words": "Full", "detail": "", "fill": 100}
    if "filter_loading" in stands and bags["tone"] == "ok":
        bags |= {"tone": "plan", "words": "Clean the bags", "detail": ""}
    for name, gauge, channel in (("Filter", bags, "filter"), ("Chip bag", bag, "bag_full")):
        # What a gauge says is said on top as well, also before it has lasted long enough for an alarm.
        if any(alarm.condition.startswith(channel) for alarm in alarms):
            continue
        if verdict.tone in ("ok", "plan") and not verdict.more and gauge["tone"] in ("stop", "plan"):
            verdict = Verdict(tone=gauge["tone"], title=f"{name}: {gauge['words'][:1].lower()}{gauge['words'][1:]}")
    waiting = snapshot.t is None or snapshot.never_measured
    return NowOut(
        t=snapshot.t,
        shop=snapshot.shop_name,
        units=screen.system,
        day="" if snapshot.clock is None else day_and_time(snapshot.clock),
        clock="" if snapshot.t is None else clock_time(snapshot.t),
        pace=f"{pace:g} times as fast as real time" if pace is not None and pace != 1 else "",
        state=state,
        state_words=words,
        verdict=verdict,
        waiting=waiting,
        silent=snapshot.silent,
        contact="lost" if verdict.tone == "silent" or waiting else "ok",
        signals=signals,
        others=others,
        air=air,
        filter=bags,
        bag=bag,
        alarms=alarms,
        rest=[alarm for alarm in alarms if alarm.id != first],
        demo=demo_out(snapshot),
        alarm_count=sum(alarm.tone != "quiet" for alarm in alarms),
    )


def state_words(snapshot: Snapshot, state: str) -> str:
    """What the fan does. Only a fan that is known to stand still is called off."""
    run_s = number(snapshot.now, "run_s")
    if state == "running":
        return f"Fan running for {duration(run_s)}" if run_s else "Fan running"
    return STATE_WORDS.get(state, NOT_KNOWN)


def is_fitted(snapshot: Snapshot, name: str) -> bool:
    """Whether the shop has a sensor for this channel."""
    fitted = dig(snapshot.shop, "channels", name, "fitted")
    if isinstance(fitted, bool):
        return fitted
    return name in table(snapshot.now, "values") or name in table(snapshot.now, "quality")


def _signal(snapshot: Snapshot, name: str, screen: Screen, state: str, alarmed: bool) -> SignalOut:
    series, fitted = SERIES[name], is_fitted(snapshot, name)
    quality, value = text(snapshot.now, "quality", name), number(snapshot.now, "values", name)
    why = "not fitted" if not fitted else QUALITY_WORDS.get(quality, quality) or "not yet known"
    expected, sd = number(snapshot.now, "expected", name, "value"), number(snapshot.now, "expected", name, "sd")
    band = None if expected is None or sd is None or state != "running" else (expected - TWO_SD * sd, expected + TWO_SD * sd)
    low, high = sorted(band, key=lambda si: si * series.sign) if band else (None, None)
    signal = SignalOut(
        channel=name,
        words=series.words,
        fitted=fitted,
        value=screen.channel(name, value, why),
        low=screen.channel(name, low),
        high=screen.channel(name, high),
        verdict="unknown",
        verdict_words="",
    )
    if value is None:
        signal.verdict_words = "no reading"
    elif state != "running":
        still = {"off": "the fan is off", "starting": "the fan is starting", "stopping": "the fan is coasting down"}
        signal.verdict, signal.verdict_words = "off", still.get(state, "not known whether the fan runs")
    elif band is None:
        signal.verdict_words = "nothing to compare with yet"
    else:
        normal = f"{signal.low.number}{DASH}{signal.high.number}"
        if band[0] <= value <= band[1]:
            signal.verdict, signal.verdict_words = "within", f"normal for these gates: {normal}"
        else:
            signal.verdict = "above" if (value - (expected or 0.0)) * series.sign > 0 else "below"
            high_low = "high" if signal.verdict == "above" else "low"
            signal.verdict_words = f"{high_low} for these gates; normal: {normal}"
        if alarmed and signal.verdict == "within":
            # What is expected follows the bags as they are; beside an alarm on the same thing nothing is called normal.
            signal.verdict, signal.verdict_words = "alarm", "see the alarm"
    return signal


# -- the line that is read first ------------------------------------------------------------------------------------------


def _verdict(snapshot: Snapshot, alarms: list[AlarmOut], state: str) -> tuple[Verdict, int]:
    """The line, and the id of the alarm that it tells (0: none). Trouble with what is known comes first, then the alarms."""
    clock = snapshot.clock
    loud = [alarm for alarm in alarms if alarm.tone not in ("quiet", "over")]
    before = f"Open before that: {_named(loud)}" if loud else ""

    def plain(tone: str, title: str, *words: str) -> tuple[Verdict, int]:
        return Verdict(tone=tone, title=title, text=" ".join(part for part in words if part)), 0

    if snapshot.problem:
        return plain("wait", "Waiting for the daemon", snapshot.problem)
    if snapshot.silent and snapshot.heard is not None:
        look = "What you see below is from then. Check that the small computer has power."
        return plain("silent", f"No word from the daemon since {since(snapshot.heard, snapshot.wall)}", look)
    if snapshot.t is None or snapshot.never_measured:
        return plain("wait", "Waiting for the first reading", _waiting_for(snapshot))
    if clock is not None and clock - snapshot.t > FRAMES_LATE_S:
        return plain("silent", f"No reading since {since(snapshot.t, clock)}", "The daemon runs, but nothing arrives.",
                     _waiting_for(snapshot))
    lost = _lost(snapshot)
    if not snapshot.measuring_now:
        dead = f"No sensor has sent anything since {since(number(snapshot.measuring, 'since'), clock)}."
        return plain("silent", "Nothing is measured", dead, before, _waiting_for(snapshot))
    if lost and all(number(snapshot.now, "values", name) is None for name in MAIN_CHANNELS):
        return plain("silent", "Nothing is measured", sentence(" and ".join(lost)), before, _waiting_for(snapshot))
    unstored = ""
    if snapshot.daemon.get("store_ok") is False:
        words = text(snapshot.daemon, "store_words", default="The database cannot be written")
        unstored = f"{sentence(words)} Alarms still work, but readings are kept for a few hours only."
    for alarm in [alarm for alarm in alarms if alarm.tone != "quiet"][:1]:
        if alarm.tone == "over" and unstored:
            break
        return Verdict(
            tone=alarm.tone,
            title=alarm.title,
            text=f"{alarm.action} {unstored}".strip(),
            tag=alarm.line if alarm.tone == "over" else f"{alarm.tag} · {alarm.line}",
            answer=alarm.answer,
            answer_url=f"{alarm.history}/answer",
            more=alarm.history,
        ), alarm.id
    if unstored:
        return plain("soon", "Nothing is being recorded", unstored)
    if state == "unknown":
        return plain("wait", NOT_KNOWN, "Neither the motor current nor the pressures show it yet.")
    if lost:
        return plain("wait", f"Watching in part: {lost[0]}", sentence(" and ".join(lost[1:])) if lost[1:] else "",
                     "What needs this sensor is not watched.")
    for alarm in alarms:
        if alarm.shelved and alarm.cleared_t is None:  # nobody is to be disturbed, but all is not good
            title = f"Put off: {alarm.title[:1].lower()}{alarm.title[1:]}"
            return plain("quiet", title, f"Until {alarm.until}.", "Nothing else is open.")
    return plain("ok", "All good")


def _lost(snapshot: Snapshot) -> list[str]:
    """The main sensors that give nothing just now, long before that is an alarm."""
    return [
        f"{place_words(name)} is {QUALITY_WORDS[quality]}"
        for name in MAIN_CHANNELS
        if (quality := text(snapshot.now, "quality", name)) in QUALITY_WORDS and number(snapshot.now, "values", name) is None
    ]


def _named(alarms: list[AlarmOut]) -> str:
    named = "; ".join(alarm.title[:1].lower() + alarm.title[1:] for alarm in alarms[:3])
    return sentence(f"{named}; and {len(alarms) - 3} more" if len(alarms) > 3 else named)


def _waiting_for(snapshot: Snapshot) -> str:
    def words(source: Any) -> str:
        name, kind = text(source, "name", default="a source"), text(source, "kind", default="unknown kind")
        error = text(source, "last_error")
        return f"{name} ({kind}): {text(source, 'state', default='no word yet')}{f', {error}' if error else ''}"

    return sentence("; ".join(words(source) for source in snapshot.sources[:4])) if snapshot.sources else ""
