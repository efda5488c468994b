"""``ductwarden plan``: what an added or changed run will do to every port and tap, before pipe is cut, in sentences, tables and
JSON. Every sentence names its measure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.table import Table

from analysis.duct.planning import Change, GateSetPlan, Plan, Shortfall, compare
from analysis.duct.remedies import Remedy, remedies
from analysis.duct.uncertainty import Spread
from analysis.units import System, from_si, show, shown_unit
from daemon.cli.common import Json, Shop, Units, chosen_system, gates_in_words, give
from daemon.cli.expect import spread_text
from daemon.config.changes import PlannedChange, load_change
from daemon.config.config import Config
from daemon.config.load import load


def plan(
    shop: Shop,
    change: Annotated[Path, typer.Argument(help="What is added, altered or removed.", exists=True, dir_okay=False)],
    units: Units = None,
    as_json: Json = False,
) -> None:
    """Say what a change to the ducts will do to every port and tap, how sure that is, and what would fix it."""
    config = load(shop)
    system = chosen_system(units, config)
    planned = load_change(change, config)
    found = compare(config.design, planned.design, planned.in_use)
    helps = remedies(config.design, planned.design, planned.in_use)
    give(as_json, as_values(config, planned, found, helps, system), plan_lines(planned, found, helps, system))


_KIND = {
    "inlet static pressure": "pressure", "filter pressure": "pressure", "motor current": "current", "flow": "flow",
    "velocity": "velocity",
}
_PLACES = {"run": "run {!r}", "port": "the pipe of port {!r}", "discharge": "the duct after the fan ({})"}
_UNIT = {"pressure": "Pa", "current": "A", "flow": "m3/s", "velocity": "m/s"}


def plan_lines(planned: PlannedChange, found: Plan, helps: Sequence[Remedy], system: System) -> Iterator[object]:
    """Tables per gate set, then the verdict in sentences, then what would help."""
    still = [one for one in found.sets if all(change.none for change in one.changes)]
    for one in found.sets:
        if one not in still:
            yield _table(one, planned, system)
    if still:
        sets = "; ".join(gates_in_words(one.open_ports, planned.design) for one in still)
        yield f"No change at any tap, port or run with: {sets}."
    if len(still) < len(found.sets):
        yield "± is one standard deviation; in the difference, what is not known about fan, bags and untouched pieces cancels."
    for sentence in verdict(found, planned, system):
        yield f"- {sentence}"
    yield from _help_lines(helps)
    yield from (f"note: {warning}" for warning in planned.warnings)


def _table(one: GateSetPlan, planned: PlannedChange, system: System) -> Table:
    title = f"With {gates_in_words(one.open_ports, planned.design)}"
    if one.open_before and one.open_before != one.open_ports:
        title += f" (before: {gates_in_words(one.open_before, planned.design)})"
    table = Table(title=title, title_justify="left")
    for head in ("measure", "before", "after", "difference", "%"):
        table.add_column(head, justify="left" if head == "measure" else "right")
    for change in one.changes:
        kind = _KIND[change.measure]
        before, after = (
            show(None if side is None else _size(change) * side.value, kind, system)
            for side in (change.before, change.after)
        )
        words = difference_words(change, system)
        if change.difference is not None and not change.none:
            words = signed(change.difference.scaled(_size(change)), kind, system)
        table.add_row(measure_words(change), before, after, words, percent_words(change))
    return table


def _size(change: Change) -> float:
    """-1 for the suction at the inlet, which is given by its size: less of it is a minus."""
    return -1.0 if change.where == "fan inlet" else 1.0


def measure_words(change: Change) -> str:
    """``flow at port 'planer'``, ``velocity in run 'main'``, ``inlet static pressure`` (its suction)."""
    if change.where == "fan inlet":
        return "inlet static pressure (suction)"
    if change.where in ("filter", "motor"):
        return change.measure
    if change.where == "fan":
        return "flow through the fan"
    return f"{change.measure} {'in' if change.measure == 'velocity' else 'at'} {change.where}"


def difference_words(change: Change, system: System) -> str:
    """``-24 ± 5 cfm (-4.0 %)``; for a pressure below the room's, the percentage is that of its size."""
    if change.before is None or change.after is None or change.difference is None:
        return "new" if change.before is None else "taken out"
    if change.none:
        return "no change"
    text = signed(change.difference.scaled(_size(change)), _KIND[change.measure], system)
    percent = percent_words(change)
    return f"{text} ({percent})" if percent else text


def percent_words(change: Change) -> str:
    """The change in per cent of the size before; of the size, so that a weaker suction is a minus."""
    if change.before is None or change.after is None or change.before.value == 0.0 or change.none:
        return ""
    return f"{100.0 * (abs(change.after.value) / abs(change.before.value) - 1.0):+.1f} %"


def signed(spread: Spread, kind: str, system: System) -> str:
    """A difference with its sign and one standard deviation; one more decimal than the screen shows."""
    symbol, decimals = shown_unit(kind, system)
    factor = from_si(1.0, symbol, kind)
    unit = show(0.0, kind, system).split(" ", 1)[1]
    digits = decimals if kind in ("flow", "velocity") and system == "us" else decimals + 1
    return f"{spread.value * factor:+.{digits}f} ± {spread.sd * factor:.{digits}f} {unit}"


def verdict(found: Plan, planned: PlannedChange, system: System) -> list[str]:
    """What falls short, the first thing first; what fell short before as well; or that nothing does."""
    sentences: list[str] = []
    fallen = found.fallen
    slow: dict[tuple[tuple[str, ...], str], list[Shortfall]] = {}
    for short in fallen:
        if short.limit == "carrying velocity":
            slow.setdefault((short.open_ports, short.status), []).append(short)
    mentioned: set[tuple[tuple[str, ...], str]] = set()
    for short in fallen:
        key = (short.open_ports, short.status)
        if short.limit == "carrying velocity" and key in mentioned:
            continue
        opening = "first to fall short: " if not sentences else "then: " if short.status == "fell" else "also: "
        words = shortfall_words(short, planned, system)
        if short.limit == "carrying velocity":
            mentioned.add(key)
            rest = slow[key][1:]
            if rest:
                # One slow way to the fan is one thing, however many runs it has.
                places = ", ".join(_place(one) for one in rest)
                words += f"; likewise too slow, {rest[0].share:.0%} to {rest[-1].share:.0%}: {places}"
        sentences.append(opening + words)
    if not fallen:
        sentences.append("no flow falls below its machine's need and no velocity below carrying, that did not before")
    already: dict[tuple[str, str, str], list[str]] = {}
    for one in found.sets:
        for short in one.shortfalls:
            if short.status == "already":
                words = gates_in_words(one.open_ports, planned.design)
                already.setdefault((short.limit, short.kind, short.where), []).append(words)
    for (limit, kind, where), sets in already.items():
        what = f"flow at port {where!r}" if limit == "need" else f"velocity in {_PLACES[kind].format(where)}"
        sentences.append(f"the {what} fell short of {_limit(limit)} before as well, with: {'; '.join(sets)}")
    return sentences


def shortfall_words(short: Shortfall, planned: PlannedChange, system: System) -> str:
    """One shortfall as a sentence: gates, measure, value, limit, how it was, how likely."""
    gates = gates_in_words(short.open_ports, planned.design)
    if short.limit == "need":
        value, required = show(short.value, "flow", system), show(short.required, "flow", system)
        text = f"with {gates}, the flow at port {short.where!r} is {value}, {short.share:.0%} of the {required} it needs"
    else:
        value, required = show(short.value, "velocity", system), show(short.required, "velocity", system)
        text = f"with {gates}, the velocity in {_place(short)} is {value}, {short.share:.0%} of the {required} that carry"
    was = "new" if short.before is None else f"{short.before:.0%} before"
    alone = "" if short.alone is None else f"; with the other gates shut it has {short.alone:.0%}"
    return f"{text} ({was}), {_likely(short.probability)}{alone}"


def _place(short: Shortfall) -> str:
    return _PLACES[short.kind].format(short.where)


def _limit(limit: str) -> str:
    return "what the machine needs" if limit == "need" else "carrying velocity"


def _likely(probability: float) -> str:
    if probability > 0.95:
        return "nearly sure"
    if probability > 0.75:
        return f"likely ({probability:.0%})"
    return f"about even ({probability:.0%})"


def _help_lines(helps: Sequence[Remedy]) -> list[str]:
    if not helps:
        return []
    lines = ["What would help, tried on the drawing:"]
    for remedy in helps:
        if remedy.fixes_all:
            end = f"nothing falls short any more, {remedy.worst:.0%} of the limit at the worst place"
        else:
            caused = f", and brings {remedy.caused} of its own" if remedy.caused else ""
            left = f"{remedy.left} shortfall{'s are' if remedy.left != 1 else ' is'} left"
            end = f"{left}{caused}, {remedy.worst:.0%} of the limit at the worst place"
        lines.append(f"- {remedy.words}: {end}")
    return lines


def as_values(
    config: Config, planned: PlannedChange, found: Plan, helps: Sequence[Remedy], system: System
) -> dict[str, Any]:
    """The whole comparison as plain data, SI values with one standard deviation."""

    def spread(value: Spread | None, kind: str) -> dict[str, Any] | None:
        if value is None:
            return None
        return {"value": value.value, "sd": value.sd, "unit": _UNIT[kind], "shown": spread_text(value, kind, system)}

    def short(row: Shortfall) -> dict[str, Any]:
        return {
            "open": list(row.open_ports), "limit": row.limit, "kind": row.kind, "where": row.where, "value": row.value,
            "required": row.required, "share": row.share, "before": row.before, "alone": row.alone,
            "status": row.status,
            "probability": row.probability, "words": shortfall_words(row, planned, system),
        }

    return {
        "shop": config.file.shop.name,
        "sets": [
            {
                "open": list(one.open_ports),
                "changes": [
                    {
                        "measure": change.measure, "where": change.where,
                        "before": spread(change.before, _KIND[change.measure]),
                        "after": spread(change.after, _KIND[change.measure]),
                        "difference": spread(change.difference, _KIND[change.measure]),
                        "words": f"{measure_words(change)}: {difference_words(change, system)}",
                    }
                    for change in one.changes
                ],
                "shortfalls": [short(row) for row in one.shortfalls],
            }
            for one in found.sets
        ],
        "first": None if found.first is None else short(found.first),
        "verdict": verdict(found, planned, system),
        "helps": [
            {
                "words": remedy.words, "steps": list(remedy.steps), "left": remedy.left, "caused": remedy.caused,
                "worst": remedy.worst,
            }
            for remedy in helps
        ],
        "notes": list(planned.warnings),
    }
