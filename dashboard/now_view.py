"""The page "Now" as data: one line of state, two gauges, the fan, three readings, what is open, and the numbers below."""

from __future__ import annotations

from typing import Any

from analysis.readings import CHANNELS
from dashboard.alarm_view import by_weight, channel_of, open_alarm
from dashboard.demo_view import demo_out
from dashboard.machine_view import NO_GATES, air_out, bag_out, filter_out, ports_words
from dashboard.shapes import SERIES, TWO_SD, Out, Screen, dig, number, place_words, table, text
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
STANDS = {"off": "the fan is off", "starting": "the fan is starting", "stopping": "the fan is coasting down"}
NOT_KNOWN = "Not known whether the fan runs"


def now_out(snapshot: Snapshot, screen: Screen) -> Out:
    """The page "Now" made from a snapshot."""
    state = text(snapshot.now, "state", default="unknown")
    alarms = by_weight([open_alarm(alarm, screen, snapshot) for alarm in snapshot.alarms])
    pace = number(snapshot.daemon, "pace")
    # One that was put off still stands: nothing is called fine beside it.
    there = [alarm for alarm in alarms
             if alarm["tone"] not in ("quiet", "over") or (alarm["shelved"] and not alarm["gone"])]
    alarmed = {channel_of(alarm["condition"], alarm["where"]) for alarm in there}
    air, bags, bag = air_out(snapshot, screen), filter_out(snapshot, screen), bag_out(snapshot, screen)
    standing = {alarm["condition"] for alarm in there}
    if "bag_full" in standing:  # an alarm lasts a little longer than its cause: the gauge says the same as the alarm
        bag |= {"tone": "stop", "words": "Full", "detail": "", "fill": 100}
    if "filter_loading" in standing and bags["tone"] == "ok":
        bags |= {"tone": "plan", "words": "Clean the bags", "detail": ""}
    verdict = _verdict(snapshot, alarms, state)
    if not verdict["sure"]:
        verdict = _by_gauges(verdict, bags, bag, air, alarms, state)
    shown = [name for name in CHANNELS if name in MAIN_CHANNELS or is_fitted(snapshot, name)]
    signals = {name: _signal(snapshot, name, screen, state, name in alarmed, air["gates"] == NO_GATES) for name in shown}
    words = state_words(snapshot, state)
    if verdict["tone"] == "silent" and words != NOT_KNOWN:
        words = f"Last heard: {words[:1].lower()}{words[1:]}"
    waiting = snapshot.t is None or snapshot.never_measured
    return {
        "t": snapshot.t,
        "shop": snapshot.shop_name,
        "units": screen.system,
        "day": "" if snapshot.clock is None else day_and_time(snapshot.clock),
        "clock": "" if snapshot.t is None else clock_time(snapshot.t),
        "pace": f"{pace:g} times as fast as real time" if pace is not None and pace != 1 else "",
        "state": state,
        "state_words": words,
        "verdict": verdict,
        "waiting": waiting,
        "silent": snapshot.silent,
        # Lost: what is shown is not the present, and nothing may look well.
        "contact": "lost" if verdict["tone"] == "silent" or waiting else "ok",
        "signals": {name: signals.pop(name) for name in MAIN_CHANNELS},
        "others": list(signals.values()),
        "gates_known": air["gates"] != NO_GATES,
        "air": air,
        "filter": bags,
        "bag": bag,
        "alarms": alarms,
        "rest": [alarm for alarm in alarms if alarm["history"] != verdict["more"]],
        "demo": demo_out(snapshot),
        "alarm_count": sum(alarm["tone"] != "quiet" for alarm in alarms),
    }


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


def _signal(snapshot: Snapshot, name: str, screen: Screen, state: str, alarmed: bool, guessed: bool) -> Out:
    """One reading and what is normal for it with the gates as they are."""
    series, fitted = SERIES[name], is_fitted(snapshot, name)
    quality, value = text(snapshot.now, "quality", name), number(snapshot.now, "values", name)
    why = "not fitted" if not fitted else QUALITY_WORDS.get(quality, quality) or "not yet known"
    expected, sd = number(snapshot.now, "expected", name, "value"), number(snapshot.now, "expected", name, "sd")
    band = None if expected is None or sd is None or state != "running" else (expected - TWO_SD * sd, expected + TWO_SD * sd)
    low, high = (screen.channel(name, si) for si in (sorted(band, key=lambda si: si * series.sign) if band else (None, None)))
    normal, verdict = f"{low.number}{DASH}{high.number}", "unknown"
    if snapshot.silent:
        words = "as it was then"
    elif value is None:
        words = "no reading"
    elif state != "running":
        verdict, words = "off", STANDS.get(state, "not known whether the fan runs")
    elif band is None:
        words = "nothing to compare with yet"
    elif guessed:  # "normal for these gates" would make a fact of a guess
        words = f"gates not known; if the guess is right: {normal}"
    elif band[0] <= value <= band[1]:
        # What is expected follows the bags as they are; beside an alarm on the same thing nothing is called normal.
        verdict, words = ("alarm", "see the alarm") if alarmed else ("within", f"normal for these gates: {normal}")
    else:
        verdict = "above" if (value - (expected or 0.0)) * series.sign > 0 else "below"
        words = f"{'high' if verdict == 'above' else 'low'} for these gates; normal: {normal}"
    return {"channel": name, "words": series.words, "fitted": fitted, "value": screen.channel(name, value, why),
            "low": low, "high": high, "verdict": verdict, "verdict_words": words}


# -- the line that is read first ------------------------------------------------------------------------------------------


def _line(tone: str, title: str, *words: str, sure: bool = True) -> Out:
    """The line that a person reads first. ``tone``: ok, plan, soon, stop, over, quiet, wait or silent. One that is not ``sure``
    gives way to what the gauges say."""
    said = " ".join(part for part in words if part)
    return {"tone": tone, "title": title, "text": said, "tag": "", "answer": "", "answer_url": "", "more": "", "sure": sure}


def _verdict(snapshot: Snapshot, alarms: list[Out], state: str) -> Out:
    """Trouble with what is known comes first, then the alarms."""
    clock = snapshot.clock
    loud = [alarm for alarm in alarms if alarm["tone"] not in ("quiet", "over")]
    before = f"Open before that: {_named(loud)}" if loud else ""
    if snapshot.problem:
        return _line("wait", "Waiting for the daemon", snapshot.problem)
    if snapshot.silent and snapshot.heard is not None:
        look = "What you see below is from then. Check that the small computer has power."
        return _line("silent", f"No word from the daemon since {since(snapshot.heard, snapshot.wall)}", look)
    if snapshot.t is None or snapshot.never_measured:
        return _line("wait", "Waiting for the first reading", _waiting_for(snapshot))
    if clock is not None and clock - snapshot.t > FRAMES_LATE_S:
        return _line("silent", f"No reading since {since(snapshot.t, clock)}", "The daemon runs, but nothing arrives.",
                     _waiting_for(snapshot))
    lost = _lost(snapshot)
    if not snapshot.measuring_now:
        dead = f"No sensor has sent anything since {since(number(snapshot.measuring, 'since'), clock)}."
        return _line("silent", "Nothing is measured", dead, before, _waiting_for(snapshot))
    if lost and all(number(snapshot.now, "values", name) is None for name in MAIN_CHANNELS):
        return _line("silent", "Nothing is measured", sentence(" and ".join(lost)), before, _waiting_for(snapshot))
    unstored = ""
    if snapshot.daemon.get("store_ok") is False:
        words = text(snapshot.daemon, "store_words", default="The database cannot be written")
        unstored = f"{sentence(words)} Alarms still work, but readings are kept for a few hours only."
    alarm = next((alarm for alarm in alarms if alarm["tone"] != "quiet"), None)
    if alarm is not None and not (alarm["tone"] == "over" and unstored):
        return _line(alarm["tone"], alarm["title"], alarm["action"], unstored) | {
            "tag": alarm["line"] if alarm["tone"] == "over" else f"{alarm['tag']} · {alarm['line']}",
            "answer": alarm["answer"],
            "answer_url": f"{alarm['history']}/answer",
            "more": alarm["history"],
        }
    if unstored:
        return _line("soon", "Nothing is being recorded", unstored)
    if state == "unknown":
        return _line("wait", NOT_KNOWN, "Neither the motor current nor the pressures show it yet.")
    if lost:
        return _line("wait", f"Watching in part: {lost[0]}", sentence(" and ".join(lost[1:])) if lost[1:] else "",
                     "What needs this sensor is not watched.")
    for alarm in alarms:
        if alarm["shelved"] and not alarm["gone"]:  # nobody is to be disturbed, but all is not good
            title = f"Put off: {alarm['title'][:1].lower()}{alarm['title'][1:]}"
            said = "" if len(alarms) > 1 else "Nothing else is open."
            return _line("quiet", title, f"Until {alarm['until']}.", said) | {"more": alarm["history"]}
    return _line("ok", "All good", sure=False)


def _by_gauges(verdict: Out, bags: Out, bag: Out, air: Out, alarms: list[Out], state: str) -> Out:
    """What a gauge says is said on top as well, also before it has lasted long enough for an alarm; and what nobody can judge is
    not called good."""
    gauges = (("Filter", bags, "filter"), ("Chip bag", bag, "bag_full"))
    for name, gauge, condition in sorted(gauges, key=lambda row: str(row[1]["tone"]), reverse=True):  # stop before plan
        if gauge["tone"] in ("stop", "plan") and not any(alarm["condition"].startswith(condition) for alarm in alarms):
            return _line(gauge["tone"], f"{name}: {gauge['words'][:1].lower()}{gauge['words'][1:]}")
    unjudged = [name for name, gauge in (("the filter", bags), ("the chip bag", bag)) if gauge["tone"] == "wait"]
    if state == "running" and air["gates"] == NO_GATES:
        unjudged.append("the air at the ports (gates not known)")
    if not unjudged:
        return verdict
    blind = bags["tone"] == bag["tone"] == "wait"  # then too little is watched for a tick
    return _line("wait" if blind else "ok", "No trouble seen", f"Not judged yet: {ports_words(unjudged)}.")


def _lost(snapshot: Snapshot) -> list[str]:
    """The main sensors that give nothing just now, long before that is an alarm."""
    return [
        f"{place_words(name)} is {QUALITY_WORDS[quality]}"
        for name in MAIN_CHANNELS
        if (quality := text(snapshot.now, "quality", name)) in QUALITY_WORDS and number(snapshot.now, "values", name) is None
    ]


def _named(alarms: list[Out]) -> str:
    named = "; ".join(alarm["title"][:1].lower() + alarm["title"][1:] for alarm in alarms[:3])
    return sentence(f"{named}; and {len(alarms) - 3} more" if len(alarms) > 3 else named)


def _waiting_for(snapshot: Snapshot) -> str:
    def words(source: Any) -> str:
        name, kind = text(source, "name", default="a source"), text(source, "kind", default="unknown kind")
        error = text(source, "last_error")
        return f"{name} ({kind}): {text(source, 'state', default='no word yet')}{f', {error}' if error else ''}"

    return sentence("; ".join(words(source) for source in snapshot.sources[:4])) if snapshot.sources else ""
