"""The comparison in sentences. Every sentence names its measure; a verdict on suction is about the air at the ports."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from analysis.compare.comparison import Comparison, Drawn, SetCompared
from analysis.compare.enough import Enough
from analysis.compare.judge import MeasureChange
from analysis.compare.mixture import Interval
from analysis.compare.stretch import Gates

TELLING = 0.003
"""A part smaller than this is not worth a sentence."""
MATTERS = 0.02
"""A port that lost more than this share of its air has lost."""
_LIMITS = {
    "air": "an air thermometer and a barometer would help",
    "mains": "measuring the line voltage would help",
    "fan and motor": "a baseline tour would help",
    "ducts": "a baseline tour would help",
    "which run was cut": "a guided check, with all gates shut as one of its steps, would help",
    "form": "what is left is what duct models differ by",
}


def percent(value: float, signed: bool = False) -> str:
    """A share in per cent with one decimal and a real minus sign.

    >>> percent(-0.0312), percent(0.0312, signed=True)
    ('−3.1 %', '+3.1 %')
    """
    number = round(100.0 * value, 1) + 0.0
    sign = "−" if number < 0.0 else "+" if signed and number > 0.0 else ""
    return f"{sign}{abs(number):.1f} %"


def group_words(group: Sequence[Gates]) -> str:
    """``planer``, ``planer and lathe``, ``lathe or shaving horse``, ``all gates shut``."""
    return " or ".join(" and ".join(gates) if gates else "all gates shut" for gates in group)


def with_words(change: MeasureChange) -> str:
    """``with only the planer open``."""
    if len(change.group) > 1:
        return f"with {group_words(change.group)} open (they cannot be told apart)"
    if not change.open_ports:
        return "with all gates shut"
    if len(change.open_ports) == 1:
        return f"with only the {change.open_ports[0]} open"
    return f"with {' and '.join(change.open_ports)} open"


def measure_words(change: MeasureChange) -> str:
    """``the flow at port planer``, ``the static pressure at the inlet``, ``the velocity in the run main``."""
    if change.measure == "flow":
        return f"the flow at port {change.where}"
    if change.measure == "velocity":
        return f"the velocity in the run {change.where}"
    return "the static pressure before the fan"


def verdict(found: Comparison, name: str = "") -> list[str]:
    """What the owner asked: first the air at each port, then what differs from the drawing, the other measures, and what
    is missing."""
    new = name or "change"
    lines: list[str] = []
    gaps: list[tuple[MeasureChange, Drawn]] = []
    for change in found.ports:
        drawn = found.home(change).drawn.get((change.measure, change.where))
        parts = [_port_sentence(change, new)]
        if drawn is not None:
            parts.append(_drawn_sentence(drawn))
            gaps.append((change, drawn))
        lines.append(" ".join([*parts, *(_filter_sentences(change) if found.filter_seen else ())]))
    lines += _cause(found, gaps)
    lines += [_other_measures(one) for one in found.sets]
    lines += _enough_sentences(found)
    if found.only_before or found.only_after:
        lines.append(_not_compared(found))
    return lines


def outcome(found: Comparison) -> str:
    """``lost``: a port has lost more than 2 % of its air to the change for certain; ``kept``: no port has, for certain;
    ``unclear`` in between."""
    if not found.ports:
        return "unclear"
    if any(change.claimed and change.duct.high < 0.0 and change.duct.value < -MATTERS for change in found.ports):
        return "lost"
    return "kept" if all(change.duct.low > -MATTERS for change in found.ports) else "unclear"


def port_words(change: MeasureChange, drawn: Drawn | None = None) -> str:
    """One line for a table: the duct's part of the flow at a port with its interval, and what was drawn."""
    part = f"{percent(change.duct.value, True)} ({span(change.duct)}) by the ducts"
    clear = "clear" if change.claimed else "not clear"
    told = "" if drawn is None else f"; drawn {percent(drawn.change.value, True)}"
    return f"{part}, {clear}{told}"


def span(interval: Interval) -> str:
    """``−4.2 to −2.0 %``."""
    return f"{percent(interval.low, True)[:-2]} to {percent(interval.high, True)}"


def _port_sentence(change: MeasureChange, new: str) -> str:
    value, low, high = change.duct.value, change.duct.low, change.duct.high
    where, gates = change.where, with_words(change)
    if change.claimed and value < 0.0:
        sizes = f"{percent(-value)} of its air ({percent(-high)[:-2]} to {percent(-low)}, 95 % sure)"
        return f"The {new} costs the {where} {sizes}, {gates}."
    if change.claimed:
        return f"The {new} gives the {where} {percent(value)} more air ({span(change.duct)}, 95 % sure), {gates}."
    return (
        f"No change of the flow at port {where} by the {new} can be told: {percent(value, True)} ({span(change.duct)}), {gates}.")


def _drawn_sentence(drawn: Drawn) -> str:
    value = drawn.change.value
    if abs(value) < 0.0005:
        return "The drawing said no change of that flow."
    return f"The drawing said {percent(abs(value))} {'less' if value < 0.0 else 'more'} of that flow."


def _filter_sentences(change: MeasureChange) -> list[str]:
    part = change.filter
    if abs(part.value) < TELLING or part.p > 0.05:
        return []
    if part.value < 0.0:
        return [f"The filter took {'another ' if change.claimed and change.duct.value < 0.0 else ''}{percent(-part.value)} of"
                " that flow: cleaning gives that back."]
    return [f"The bags were cleaner in the second period: that gave {percent(part.value)} of that flow."]


def _cause(found: Comparison, gaps: Sequence[tuple[MeasureChange, Drawn]]) -> list[str]:
    """What a clear difference from the drawing may come from."""
    if not gaps:
        return []
    apart = [(change, drawn) for change, drawn in gaps if drawn.gap.p < 0.05 / len(gaps)]
    if not apart:
        return ["The flows at the ports agree with what was drawn."]
    less = [change for change, drawn in apart if drawn.gap.value < 0.0]
    if not less:
        return [f"The flow at {_and(change.where for change, _ in apart)} fell by less than was drawn."]
    velocity = [
        drawn.gap.value for one in found.sets for (measure, _), drawn in one.drawn.items() if measure == "velocity"]
    cause = "the ducts resist more than was drawn: a tee where a wye was drawn, or a crushed or chip-filled piece"
    if sum(velocity) > 0.0:
        cause = (
            "the velocity in the main says that more air comes in than was drawn: look for a leak at the new joint, or a gate"
            " that does not shut")
    return [f"The flow at {_and(change.where for change in less)} fell by more than was drawn; {cause}."]


def _other_measures(one: SetCompared) -> str:
    parts = []
    for change in one.judged.changes:
        if change.measure == "flow":
            continue
        clear = "" if change.claimed else ", not clear of chance"
        parts.append(f"{measure_words(change)} by {percent(change.duct.value, True)} ({span(change.duct)}{clear})")
    gates = with_words(one.judged.changes[0])
    return f"{gates[0].upper()}{gates[1:]}, the ducts changed {' and '.join(parts)}."


def _and(names: Iterable[str]) -> str:
    known = list(dict.fromkeys(names))
    return known[0] if len(known) == 1 else f"{', '.join(known[:-1])} and {known[-1]}"


def _enough_sentences(found: Comparison) -> list[str]:
    need: dict[str, Enough] = {}
    for change in found.ports:
        for row in found.home(change).enough:
            if row.where == change.where and row.more_s != 0.0:
                need[row.where] = row
    lines = []
    for where, row in need.items():
        known = f"The flow at port {where} is known within {percent(row.sd)} (one standard deviation)"
        if row.more_s is None:
            hint = _LIMITS[row.limits[0][0]] if row.limits else ""
            lines.append(f"{known}; more running alone does not bring that to 1 %: {hint}.")
        else:
            lines.append(f"{known}; for 1 % each side needs about {_running(row.more_s)} with that gate open.")
    return lines


def _running(seconds: float) -> str:
    minutes = max(1, round(seconds / 60.0))
    if minutes > 180:
        return f"{round(minutes / 60.0)} more running hours"
    return f"{minutes} more running minute{'s' if minutes > 1 else ''}"


def _not_compared(found: Comparison) -> str:
    parts = []
    for words, groups in (("before", found.only_before), ("after", found.only_after)):
        if groups:
            parts.append(f"{words}: {'; '.join(group_words(group) for group in groups)}")
    return f"Gate sets that one side has not, or for some seconds only, are not compared ({', '.join(parts)})."
