"""The air, the filter bags and the chip bag, each in a few words and numbers."""

from __future__ import annotations

from collections.abc import Sequence

from pydantic import BaseModel, Field

from dashboard.rule import RuleOut, rule
from dashboard.shapes import TWO_SD, Quantity, Screen, dig, number, rows, table, text, texts
from dashboard.snapshot import Document, Snapshot
from dashboard.words import NO_BREAK, running_hours, sentence, since

DAY_S = 86400.0
SOON_FULL_S = 45 * 60.0
"""Running time left from which the chip bag is worth a look before the next job (ours)."""


class GatesOut(BaseModel):
    """Ports that may be open, and how likely it is."""

    words: str = Field(examples=["planer and lathe"])
    probability: float | None = Field(examples=[0.86])


class AirOut(BaseModel):
    """How much air moves, and through which gates."""

    flow: Quantity
    margin: str = Field(examples=["± 21 cfm"])
    gates: str = Field(examples=["planer"])
    gates_sure: str = Field(default="", examples=["very likely (86 %)"])
    alternatives: list[GatesOut]
    notes: list[str]


class FilterOut(BaseModel):
    """How loaded the filter bags are, what that costs, and when cleaning pays."""

    tone: str = Field(examples=["ok"])
    words: str = Field(examples=["Clean in about 17 running hours"])
    detail: str = Field(default="", examples=["between 12 and 25 running hours"])
    ratio: Quantity
    ratio_limit: Quantity
    rule: RuleOut
    lost: Quantity
    lost_limit: Quantity
    gain: str = Field(default="", examples=["Cleaning would bring back about 38 cfm."])
    cleaned: str = Field(examples=["Tue 09:14"])
    running_since: str = Field(examples=["31 running hours"])


class BagOut(BaseModel):
    """What is known of the chip bag."""

    tone: str = Field(examples=["ok"])
    words: str = Field(examples=["No sign that it is full"])
    detail: str = Field(default="", examples=["between 4 and 9 running hours at the planer; about half full"])
    level: Quantity
    emptied: str
    running_since: str


def air_out(snapshot: Snapshot, screen: Screen) -> AirOut:
    """The air through the fan, from the estimate."""
    estimate = table(snapshot.now, "estimate")
    notes = texts(estimate, "notes")
    why = notes[0] if notes else ("the fan is off" if text(snapshot.now, "state") == "off" else "not yet known")
    flow, sd = number(estimate, "flow_m3s"), number(estimate, "flow_sd")
    running = text(snapshot.now, "state") != "off"
    gates, probability = dig(estimate, "gates"), number(estimate, "gate_probability")
    alternatives = [
        GatesOut(words=ports_words(row.get("open")), probability=number(row, "probability"))
        for row in rows(estimate, "alternatives")
    ]
    told = dig(snapshot.now, "gates")
    sure = ""
    if isinstance(told, dict):
        words, sure = ports_words([port for port, is_open in told.items() if is_open]), "by the gate switches"
    elif isinstance(gates, list | tuple):
        words = ports_words(gates)
        sure = "" if probability is None else f"{min(99, round(probability * 100))}{NO_BREAK}% sure"
    else:
        words = "not known while the fan is off" if text(snapshot.now, "state") == "off" else "not known"
    return AirOut(
        flow=screen.quantity(flow, "flow", why=why),
        margin="" if not sd or flow is None else f"± {screen.difference(TWO_SD * sd, 'flow')}",
        gates=words,
        gates_sure=sure,
        alternatives=alternatives,
        notes=[sentence(note) for note in notes if note != why or (flow and running)],
    )


def filter_out(snapshot: Snapshot, screen: Screen) -> FilterOut:
    """The filter bags, from the estimate and what the detectors say."""
    ratio, lost = number(snapshot.now, "estimate", "drag_ratio"), number(snapshot.now, "estimate", "flow_lost")
    ratio_limit = number(snapshot.shop, "filter", "clean_at_drag_ratio")
    lost_limit = number(snapshot.shop, "filter", "clean_at_flow_lost")
    claim = claim_of(snapshot.detectors, "filter_loading")
    blinded, torn = claim_of(snapshot.detectors, "filter_blinded"), claim_of(snapshot.detectors, "filter_breach")
    words, detail, tone = _filter_words(claim, ratio)
    if text(torn, "claim") == "present":
        words, detail, tone = "A filter bag is loose or torn", text(torn, "action"), "stop"
    elif text(blinded, "claim") == "present":
        words, detail, tone = "Cleaning no longer restores it", text(blinded, "action"), "plan"
    flow, gain = number(snapshot.now, "estimate", "flow_m3s"), ""
    if flow is not None and lost is not None and 0.005 < lost < 0.9:
        gain = f"Cleaning would bring back about {screen.difference(flow * lost / (1 - lost), 'flow')}."
    if ratio is None and not detail:
        detail = "It takes the pressure over the bags and the air."
    return FilterOut(
        tone=tone,
        words=words,
        detail=detail,
        ratio=screen.quantity(ratio, "ratio"),
        ratio_limit=screen.quantity(ratio_limit, "ratio"),
        rule=rule(screen.axis("ratio"), ratio, None, None, (0.0, 2.0), ratio_limit),
        lost=screen.quantity(lost, "fraction"),
        lost_limit=screen.quantity(lost_limit, "fraction"),
        gain=gain,
        cleaned=_last(snapshot.cleaned_t, snapshot),
        running_since=_run_since(snapshot.running_since_cleaned_s),
    )


def _filter_words(claim: Document, ratio: float | None) -> tuple[str, str, str]:
    said = text(claim, "claim")
    if said == "present":
        return "Clean the filter bags", text(claim, "action"), "plan"
    forecast = number(claim, "forecast_s")
    if forecast is not None:
        low, high = number(claim, "forecast_low_s"), number(claim, "forecast_high_s")
        parts = [between_hours(low, high), _days_of_use(claim)]
        return f"Clean in about {running_hours(forecast)}", sentence("; ".join(part for part in parts if part)), "ok"
    if said == "absent":
        return "No cleaning due", "", "ok"
    if said == "not_yet_known":
        return "Not yet known", text(claim, "reason"), "wait"
    return ("Drag is known, a forecast is not yet", "", "wait") if ratio is not None else ("Not yet known", "", "wait")


def _days_of_use(claim: Document) -> str:
    """The forecast in days at the present use, with its range; "" where the use is not known."""
    days, low, high = (
        number(claim, "evidence", name, "value") for name in ("days_left", "days_left_low", "days_left_high"))
    if days is None:
        return ""
    about = f"about {days / DAY_S:.0f} days at the present use" if days >= 1.5 * DAY_S else "a day or so at the present use"
    if low is None or high is None or days < 1.5 * DAY_S:
        return about
    return f"{about} ({low / DAY_S:.0f} to {high / DAY_S:.0f})"


def bag_out(snapshot: Snapshot, screen: Screen) -> BagOut:
    """The chip bag, from what the detector says."""
    claim = claim_of(snapshot.detectors, "bag_full")
    said = text(claim, "claim")
    if said == "present":
        tone, words, detail = "stop", "Full", text(claim, "action", default="Stop the fan and empty the chip bag.")
    elif said == "absent":
        tone, words, detail = _bag_life(claim)
    else:
        tone, words, detail = "wait", "Not yet known", text(claim, "reason")
    return BagOut(
        tone=tone,
        words=words,
        detail=detail,
        level=screen.quantity(number(snapshot.now, "values", "bag_level"), "fraction", why="no level sensor"),
        emptied=_last(snapshot.emptied_t, snapshot),
        running_since=_run_since(snapshot.running_since_emptied_s),
    )


def _bag_life(claim: Document) -> tuple[str, str, str]:
    """Tone, words and detail of a chip bag that is not full: the running time left, as far as emptyings have taught it."""
    fill, forecast = number(claim, "evidence", "fill", "value"), number(claim, "forecast_s")
    parts: list[str] = []
    if fill is not None:
        # By tens: the running time since the last emptying tells it no better.
        tens = min(100, 10 * round(10 * fill))
        parts.append(f"{f'about {tens}{NO_BREAK}% filled' if tens else 'nearly empty'}, by the running time")
    if forecast is None:
        reason = "" if fill is not None else "How long a bag lasts is learned from the first time it is emptied."
        return "ok", "No sign that it is full", sentence(parts[0]) if parts else reason
    parts.insert(0, between_hours(number(claim, "forecast_low_s"), number(claim, "forecast_high_s")))
    here = text(claim, "evidence", "left_here", "words").partition(" left ")[2]
    words = f"Full in about {running_hours(forecast)}{f' {here}' if here else ''}"
    return "plan" if forecast <= SOON_FULL_S else "ok", words, sentence("; ".join(part for part in parts if part))


def between_hours(low: float | None, high: float | None) -> str:
    """The range of a forecast; the unit is said once where both ends have the same.

    >>> between_hours(12 * 3600, 25 * 3600), between_hours(1800, 7200), between_hours(None, 7200)
    ('between 12 and 25 running hours', 'between 30 running minutes and 2 running hours', '')
    """
    if low is None or high is None:
        return ""
    first, last = running_hours(low), running_hours(high)
    if first == last:
        return ""
    if first.startswith("0 "):
        return f"at most {last}"
    count, _, unit = first.partition(" ")
    return f"between {count if last.endswith(unit) or unit == 'running hour' else first} and {last}"


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
