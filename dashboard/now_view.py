"""The page "Now" as data: one verdict, the readings against the drawing, the air, the filter, the chip bag, the alarms."""

from __future__ import annotations

from pydantic import BaseModel, Field

from analysis.readings import CHANNELS
from dashboard.alarm_view import AlarmOut, alarm_out, by_weight
from dashboard.machine_view import AirOut, BagOut, FilterOut, air_out, bag_out, filter_out
from dashboard.rule import RuleOut, rule
from dashboard.shapes import SERIES, TWO_SD, Quantity, Screen, dig, number, table, text
from dashboard.snapshot import Snapshot
from dashboard.verdict import MAIN_CHANNELS, QUALITY_WORDS, Verdict, verdict_of
from dashboard.words import clock_time, day_and_time, duration


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
    contact: str = Field(description="lost: what is shown is not the present, and nothing may look well", examples=["ok"])
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
    state_words = _state_words(snapshot, state)
    if silent:
        state_words = f"Last heard: {state_words[:1].lower()}{state_words[1:]}"
        signals = {
            name: signal.model_copy(update={"verdict": "unknown", "verdict_words": "as it was then"})
            for name, signal in signals.items()
        }
    others = [
        _signal(snapshot, name, screen, state) for name in CHANNELS if name not in MAIN_CHANNELS and is_fitted(snapshot, name)
    ]
    verdict = verdict_of(snapshot, alarms, state, silent)
    waiting = t is None or snapshot.never_measured
    return NowOut(
        t=t,
        shop=snapshot.shop_name,
        units=screen.system,
        day="" if snapshot.clock is None else day_and_time(snapshot.clock),
        clock="" if snapshot.clock is None else clock_time(snapshot.clock),
        pace=f"{pace:g} times as fast as real time" if pace is not None and pace != 1 else "",
        state=state,
        state_words=state_words,
        verdict=verdict,
        waiting=waiting,
        silent=silent,
        contact="lost" if verdict.tone == "silent" or waiting else "ok",
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
