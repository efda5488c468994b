"""The page "Now" as data: one verdict, the readings against the drawing, the air, the filter, the chip bag, the alarms."""

from __future__ import annotations

from pydantic import BaseModel, Field

from analysis.readings import CHANNELS
from dashboard.alarm_view import AlarmOut, alarm_out, by_weight
from dashboard.machine_view import AirOut, BagOut, FilterOut, air_out, bag_out, filter_out
from dashboard.rule import RuleOut, rule
from dashboard.shapes import (
    SERIES,
    TWO_SD,
    Quantity,
    Screen,
    clock_time,
    day_and_time,
    dig,
    duration,
    number,
    place_words,
    since,
    table,
    text,
)
from dashboard.snapshot import Snapshot

MAIN_CHANNELS = ("inlet_pa", "filter_pa", "motor_a")
FRAMES_LATE_S = 60.0
"""Event seconds without a frame after which the page says that readings have stopped."""

QUALITY_WORDS = {
    "out_of_range": "out of its range",
    "jump": "jumping",
    "stuck": "stuck",
    "silent": "silent",
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


class SignalOut(BaseModel):
    """One channel against what the drawing (or the baseline) expects."""

    channel: str = Field(examples=["inlet_pa"])
    words: str = Field(examples=["Suction before the fan"])
    fitted: bool
    value: Quantity
    expected: Quantity
    low: Quantity
    high: Quantity
    verdict: str = Field(examples=["within"])
    verdict_words: str = Field(examples=["as the drawing expects"])
    rule: RuleOut


class NowOut(BaseModel):
    """Everything on the page "Now"."""

    t: float | None
    shop: str
    units: str
    day: str = Field(examples=["Tue 3 Mar 2026, 09:14"])
    clock: str = Field(examples=["09:14:07"])
    pace: str = Field(default="", examples=["120 times as fast as real time"])
    state: str = Field(examples=["running"])
    state_words: str = Field(examples=["Running for 12 min"])
    verdict: Verdict
    waiting: bool
    silent: bool
    signals: dict[str, SignalOut]
    others: list[SignalOut]
    air: AirOut
    filter: FilterOut
    bag: BagOut
    alarms: list[AlarmOut]
    alarm_count: int
    values: dict[str, float]
    expected: dict[str, list[float]]


def now_out(snapshot: Snapshot, screen: Screen, silent_after_s: float) -> NowOut:
    """The page "Now" made from a snapshot."""
    t = snapshot.t
    alarms = by_weight([alarm_out(alarm, screen, snapshot.clock) for alarm in snapshot.alarms])
    silent = (snapshot.silent_for() or 0.0) > silent_after_s
    state = text(snapshot.now, "state", default="unknown")
    pace = number(snapshot.daemon, "pace")
    signals = {name: _signal(snapshot, name, screen, state) for name in MAIN_CHANNELS}
    others = [
        _signal(snapshot, name, screen, state) for name in CHANNELS if name not in MAIN_CHANNELS and is_fitted(snapshot, name)
    ]
    return NowOut(
        t=t,
        shop=snapshot.shop_name,
        units=screen.system,
        day=day_and_time(snapshot.clock),
        clock=clock_time(snapshot.clock),
        pace=f"{pace:g} times as fast as real time" if pace is not None and pace != 1 else "",
        state=state,
        state_words=_state_words(snapshot, state),
        verdict=_verdict(snapshot, alarms, state, silent),
        waiting=t is None,
        silent=silent,
        signals=signals,
        others=others,
        air=air_out(snapshot, screen),
        filter=filter_out(snapshot, screen),
        bag=bag_out(snapshot, screen),
        alarms=alarms,
        alarm_count=sum(alarm.tone != "quiet" for alarm in alarms),
        values=_values(snapshot),
        expected=_expected(snapshot),
    )


def _state_words(snapshot: Snapshot, state: str) -> str:
    run_s = number(snapshot.now, "run_s")
    if state == "running":
        return f"Running for {duration(run_s)}" if run_s else "Running"
    return {"off": "Fan is off", "starting": "Starting", "stopping": "Coasting down"}.get(state, "Not known whether it runs")


def _verdict(snapshot: Snapshot, alarms: list[AlarmOut], state: str, silent: bool) -> Verdict:
    if snapshot.problem:
        return Verdict(tone="wait", title="Waiting for the daemon", text=snapshot.problem)
    if silent and snapshot.heard is not None:
        when = since(snapshot.heard, snapshot.wall)
        return Verdict(
            tone="silent",
            title=f"No word from the daemon since {when}",
            text="What stands below is from then. Look whether the small computer has power.",
        )
    if snapshot.t is None:
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
    if loud:
        first = loud[0].urgency
        call = "Leave the fan off" if first == "stop" and state == "off" else _CALLS[first]
        return Verdict(tone=first, title=call, text=f"{_named(loud)} {_to_do(loud[0].action, state)}")
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


def is_fitted(snapshot: Snapshot, name: str) -> bool:
    """Whether the shop has a sensor for this channel."""
    told = dig(snapshot.shop, "channels", name, "fitted")
    if isinstance(told, bool):
        return told
    return name in table(snapshot.now, "values") or name in table(snapshot.now, "quality")


def _signal(snapshot: Snapshot, name: str, screen: Screen, state: str) -> SignalOut:
    series = SERIES[name]
    fitted = is_fitted(snapshot, name)
    quality = text(snapshot.now, "quality", name)
    value = number(snapshot.now, "values", name)
    why = "not fitted" if not fitted else QUALITY_WORDS.get(quality, quality) or "not yet known"
    expected, sd = number(snapshot.now, "expected", name, "value"), number(snapshot.now, "expected", name, "sd")
    if state != "running":
        expected = sd = None
    band = None if expected is None or sd is None else (expected - TWO_SD * sd, expected + TWO_SD * sd)
    basis = text(snapshot.now, "estimate", "basis", default="drawing")
    verdict, words = _compare(screen, name, value, expected, band, state, basis, why)
    no_expectation = "the fan is off" if state == "off" else "nothing to compare with yet"
    low, high = sorted(band, key=lambda si: si * series.sign) if band else (None, None)
    return SignalOut(
        channel=name,
        words=series.words,
        fitted=fitted,
        value=screen.channel(name, value, why),
        expected=screen.channel(name, expected, no_expectation),
        low=screen.channel(name, low, no_expectation),
        high=screen.channel(name, high, no_expectation),
        verdict=verdict,
        verdict_words=words,
        rule=rule(
            screen.axis(series.kind, series.sign),
            value,
            expected,
            band,
            _reach(snapshot, name, value, expected),
            _limit(snapshot, name),
        ),
    )


def _compare(
    screen: Screen,
    name: str,
    value: float | None,
    expected: float | None,
    band: tuple[float, float] | None,
    state: str,
    basis: str,
    why: str,
) -> tuple[str, str]:
    series = SERIES[name]
    if value is None:
        return "unknown", why
    if state != "running":
        return "off", "the fan is off" if state == "off" else "not steady"
    if expected is None or band is None:
        return "unknown", "nothing to compare with yet"
    if band[0] <= value <= band[1]:
        return "within", f"as the {basis} expects"
    more = (value - expected) * series.sign > 0
    gap = screen.difference(value - expected, series.kind)
    return ("above" if more else "below"), f"{gap} {'more' if more else 'less'} than the {basis} expects"


def _limit(snapshot: Snapshot, name: str) -> float | None:
    return number(snapshot.shop, "motor", "full_load_a") if name == "motor_a" else None


def _reach(snapshot: Snapshot, name: str, value: float | None, expected: float | None) -> tuple[float, float]:
    low, high = number(snapshot.shop, "design", name, "low"), number(snapshot.shop, "design", name, "high")
    known = [si for si in (low, high) if si is not None]
    if not known:
        known = [1.4 * si for si in (value, expected) if si is not None]
    if not known:
        sign = SERIES[name].sign
        return (0.0, sign * {"pressure": 2500.0, "current": 15.0}.get(SERIES[name].kind, 1.0))
    if CHANNELS[name].kind in ("temperature",) or name == "barometer_pa":
        return min(known), max(known)
    return min(0.0, *known), max(0.0, *known)


def _values(snapshot: Snapshot) -> dict[str, float]:
    found: dict[str, float] = {}
    for name in SERIES:
        value = number(snapshot.now, "values", name)
        if value is None:
            value = number(snapshot.now, "estimate", name)
        if value is not None:
            found[name] = value
    return found


def _expected(snapshot: Snapshot) -> dict[str, list[float]]:
    if text(snapshot.now, "state") != "running":
        return {}
    found: dict[str, list[float]] = {}
    for name in table(snapshot.now, "expected"):
        value, sd = number(snapshot.now, "expected", name, "value"), number(snapshot.now, "expected", name, "sd")
        if value is not None and sd is not None:
            found[str(name)] = [value, sd]
    return found
