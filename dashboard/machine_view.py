"""The air, the filter bags and the chip bag, each in a few words and numbers."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from dashboard.shapes import TWO_SD, Out, Quantity, Screen, dig, number, rows, table, text, texts
from dashboard.snapshot import Document, Snapshot
from dashboard.words import NO_BREAK, running_hours, sentence, since

DAY_S = 86400.0
SOON_FULL_S = 45 * 60.0
"""Running time left from which the chip bag is worth a look before the next job (ours)."""


NEARLY = 90
"""Percent of the way to a cleaning from which one is said to be due soon (ours)."""
GUESS = 0.6
"""A gate setting less likely than this is a guess: the pages say that the gates are not known (ours)."""
NO_GATES = "not known"


def air_out(snapshot: Snapshot, screen: Screen) -> Out:
    """The air through the fan, from the estimate."""
    estimate = table(snapshot.now, "estimate")
    notes = texts(estimate, "notes")
    why = notes[0] if notes else ("the fan is off" if text(snapshot.now, "state") == "off" else "not yet known")
    flow, sd = number(estimate, "flow_m3s"), number(estimate, "flow_sd")
    running = text(snapshot.now, "state") != "off"
    gates, probability = dig(estimate, "gates"), number(estimate, "gate_probability")
    alternatives = [
        {"words": ports_words(row.get("open")), "probability": number(row, "probability")}
        for row in rows(estimate, "alternatives")
    ]
    told = dig(snapshot.now, "gates")
    sure = ""
    if isinstance(told, dict):
        words, sure = ports_words([port for port, is_open in told.items() if is_open]), "by the gate switches"
    elif isinstance(gates, list | tuple):
        percent = "" if probability is None else f"{min(99, round(probability * 100))}{NO_BREAK}%"
        words, sure = ports_words(gates), f"{percent} sure" if percent else ""
        if probability is not None and probability < GUESS:
            words, sure = NO_GATES, f"perhaps {words}, {percent}"
    else:
        words = "not known while the fan is off" if text(snapshot.now, "state") == "off" else "not known"
    return {
        "flow": screen.quantity(flow, "flow", why=why),
        "margin": "" if not sd or flow is None else f"± {screen.difference(TWO_SD * sd, 'flow')}",
        "gates": words,
        "gates_sure": sure,
        "alternatives": alternatives,
        "notes": [sentence(note) for note in notes if note != why or (flow and running)],
    }


def filter_out(snapshot: Snapshot, screen: Screen) -> Out:
    """The filter bags, from the estimate and what the detectors say."""
    ratio, lost = number(snapshot.now, "estimate", "drag_ratio"), number(snapshot.now, "estimate", "flow_lost")
    ratio_limit = number(snapshot.shop, "filter", "clean_at_drag_ratio")
    lost_limit = number(snapshot.shop, "filter", "clean_at_flow_lost")
    claim = claim_of(snapshot.detectors, "filter_loading")
    blinded, torn = claim_of(snapshot.detectors, "filter_blinded"), claim_of(snapshot.detectors, "filter_breach")
    way = _way_to_cleaning(ratio, ratio_limit, lost, lost_limit)
    words, detail, tone = _filter_words(claim, ratio, way)
    if text(torn, "claim") == "present":
        words, detail, tone = "A bag is loose or torn", "", "stop"
    elif text(blinded, "claim") == "present":
        words, detail, tone = "Cleaning no longer restores the bags", "", "plan"
    flow, gain = number(snapshot.now, "estimate", "flow_m3s"), ""
    if flow is not None and lost is not None and 0.005 < lost < 0.9:
        gain = f"Cleaning would bring back about {screen.difference(flow * lost / (1 - lost), 'flow')}."
    if tone == "wait" and ratio is None and not detail:
        running = text(snapshot.now, "state") == "running"
        detail = "This needs the pressure over the bags and the air flow." if running else "It shows when the fan runs."
    return {
        "tone": tone,
        "words": words,
        "detail": detail,
        "ratio": screen.quantity(ratio, "ratio"),
        "ratio_limit": screen.quantity(ratio_limit, "ratio"),
        "fill": way,
        "lost": screen.quantity(lost, "fraction"),
        "lost_limit": screen.quantity(lost_limit, "fraction"),
        "gain": gain,
        "cleaned": _last(snapshot.cleaned_t, snapshot),
        "running_since": _run_since(snapshot.running_since_cleaned_s),
    }


def _way_to_cleaning(
    ratio: float | None, ratio_limit: float | None, lost: float | None, lost_limit: float | None
) -> int | None:
    """How far the bags are on the way to the next cleaning, percent: by drag or by lost air, whichever is nearer."""
    ways = []
    if ratio is not None and ratio_limit is not None and ratio_limit > 1:
        ways.append((ratio - 1) / (ratio_limit - 1))
    if lost is not None and lost_limit:
        ways.append(lost / lost_limit)
    return _percent(max(ways)) if ways else None


def _percent(share: float) -> int:
    return round(100 * min(1.0, max(0.0, share)))


def left_words(claim: Document) -> str:
    """The running time left with its one range; "" where there is no forecast.

    >>> left_words({"forecast_s": 33000, "forecast_low_s": 21600, "forecast_high_s": 46800})
    'About 9 h left, 6 to 13'
    """
    forecast, *ends = (number(claim, key) for key in ("forecast_s", "forecast_low_s", "forecast_high_s"))
    if forecast is None:
        return ""
    middle, low, high = (_hours(s) for s in (forecast, *ends))
    if low == high or not low or not high:
        return f"About {middle} left"
    return f"About {middle} left, {low.removesuffix(' h') if high.endswith(' h') else low.removesuffix(' min')} to " + (
        high.removesuffix(" h") if middle.endswith(" h") else high)


def _hours(seconds: float | None) -> str:
    words = "" if seconds is None else running_hours(seconds)
    return re.sub(r" running (h|min)\w+", r" \1", words)


def _filter_words(claim: Document, ratio: float | None, way: int | None) -> tuple[str, str, str]:
    said, left = text(claim, "claim"), left_words(claim)
    if said == "present":
        return "Clean the bags", "", "plan"
    if left:
        return left, _days_of_use(claim), "ok"
    if said == "absent":
        near = way is not None and way >= NEARLY
        return ("Cleaning is due soon" if near else "No cleaning due"), "", "ok"
    if said == "not_yet_known":
        return "Not yet known", sentence(text(claim, "reason")), "wait"
    return ("No forecast yet", "", "wait") if ratio is not None else ("Not yet known", "", "wait")


def _days_of_use(claim: Document) -> str:
    """The forecast in days at the present use, with its range; "" where the use is not known."""
    names = ("days_left", "days_left_low", "days_left_high")
    days, low, high = (number(claim, "evidence", name, "value") for name in names)
    if days is None:
        return ""
    about = f"About {days / DAY_S:.0f} days" if days >= 1.5 * DAY_S else "About a day"
    span = "" if low is None or high is None or days < 1.5 * DAY_S else f" ({low / DAY_S:.0f} to {high / DAY_S:.0f})"
    return f"{about}{span} if you work as you did lately."


def bag_out(snapshot: Snapshot, screen: Screen) -> Out:
    """The chip bag, from what the detector says."""
    claim = claim_of(snapshot.detectors, "bag_full")
    said, level = text(claim, "claim"), number(snapshot.now, "values", "bag_level")
    fill = level if level is not None else number(claim, "evidence", "fill", "value")
    if said == "present":
        tone, words, detail, fill = "stop", "Full", "", 1.0
    elif said == "absent":
        tone = "plan" if (number(claim, "forecast_s") or math.inf) <= SOON_FULL_S else "ok"
        words = left_words(claim) or "Not full"
        detail = "" if fill is not None or left_words(claim) else "How long a bag lasts is learned the first time you empty it."
    else:
        tone, words, detail = "wait", "Not yet known", sentence(text(claim, "reason"))
    return {
        "tone": tone,
        "words": words,
        "detail": detail,
        "fill": None if fill is None else _percent(fill),
        "level": _level(screen, level, fill),
        "emptied": _last(snapshot.emptied_t, snapshot),
        "running_since": _run_since(snapshot.running_since_emptied_s),
    }


def _level(screen: Screen, level: float | None, fill: float | None) -> Quantity:
    if level is None and fill is not None:  # by tens: the running time since the last emptying tells it no better
        return Quantity(shown=f"about {min(100, 10 * round(10 * fill))}{NO_BREAK}%, by running time")
    return screen.quantity(level, "fraction", why="no level sensor")


def _last(t: float | None, snapshot: Snapshot) -> str:
    return "not in the journal" if t is None else since(t, snapshot.clock)


def _run_since(seconds: float | None) -> str:
    return "not known" if seconds is None else running_hours(seconds)


def claim_of(claims: Sequence[Document], condition: str) -> Document:
    """What a detector says of ``condition``: a claim that it is present before any other, {} where nothing is said."""
    found = [claim for claim in claims if text(claim, "condition") == condition]
    return next((claim for claim in found if text(claim, "claim") == "present"), found[0] if found else {})


def ports_words(names: object) -> str:
    """Port names in words.

    >>> ports_words(["planer", "lathe"]), ports_words([])
    ('planer and lathe', 'all shut')
    """
    found = [str(name) for name in names] if isinstance(names, list | tuple) else []
    if not found:
        return "all shut"
    return found[0] if len(found) == 1 else f"{', '.join(found[:-1])} and {found[-1]}"
