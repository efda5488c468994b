"""The answer to "did the run that I added reduce suction?": three lines at most, the same words everywhere.

A verdict on suction is about the air at the owner's ports; every line names its measure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.baseline.model import Baseline
from analysis.compare.choosing import NotEnough
from analysis.compare.difference import Change, compare_sides
from analysis.compare.mixture import Interval, holm
from analysis.compare.steady import Gates, Side
from analysis.duct.design import DuctDesign

Verdict = Literal["lost", "kept", "unclear"]

MATTERS = 0.02
"""A port that lost more than this share of its air has lost."""
NOTABLE = 0.005
"""A change of the bags' making that is worth a line."""
CLAIM_P = 0.05
ALIKE = 0.006
"""Ports whose changes differ by less are told together."""
SHORT = 0.97
"""A port below this share of what its machine needs has too little air."""
OFFER = "A ten-minute check before and after the work settles it to within 1 %."
CANNOT = f"Cannot tell from ordinary running; {OFFER[0].lower()}{OFFER[1:]}"
GAINED = (
    "Cannot tell: by these readings the ports gained air, which adding a run cannot do. Something else changed as well: a leak"
    " sealed, a hose, the fan or a sensor.")


@dataclass(frozen=True, slots=True)
class Need:
    """A port's air after the change against what its machine needs."""

    port: str
    share: float
    before: float


@dataclass(frozen=True, slots=True)
class Answer:
    """``lines`` are told first, ``notes`` are what must be known beside them. ``ports`` are the flows, each port by the gate
    set with the fewest others open; ``changes`` all measures. ``claimed`` ports whose change is clear of chance, all claims
    together. ``why`` there is no answer, else empty. ``hours`` of running that were used, before and after."""

    verdict: Verdict
    lines: tuple[str, ...]
    ports: tuple[Change, ...] = ()
    changes: tuple[Change, ...] = ()
    claimed: frozenset[str] = frozenset()
    short: tuple[Need, ...] = ()
    notes: tuple[str, ...] = ()
    why: str = ""
    hours: tuple[float, float] = (0.0, 0.0)

    @property
    def known(self) -> bool:
        """Whether there are numbers at all."""
        return bool(self.ports)


def answer(
    design: DuctDesign, before: Side, after: Side, *, baseline: Baseline | None = None, joined: Sequence[str] = (),
    altered: Sequence[str] = (), name: str = "",
) -> Answer:
    """Compare two periods. Where nothing can be said the answer says so; it never raises for what was measured."""
    notes = _notes(before, after, design)
    hours = (before.seconds / 3600.0, after.seconds / 3600.0)
    for words, side in (("before", before), ("after", after)):
        if not side.running_s:
            return Answer("unclear", (f"Cannot tell: the fan did not run {words} the change.",), notes=notes, why="no running")
    try:
        fitted = compare_sides(design, before, after, baseline=baseline, joined=joined, altered=altered)
    except NotEnough as error:
        unknown = before.unknown_s + after.unknown_s > 0.5 * (before.running_s + after.running_s)
        cannot: tuple[str, ...] = (CANNOT,) if unknown else (f"Cannot tell: {error}.", OFFER)
        return Answer("unclear", cannot, notes=notes, why=str(error), hours=hours)
    except (ValueError, ArithmeticError, np.linalg.LinAlgError) as error:
        return Answer(
            "unclear", ("Cannot tell: the readings do not match the drawing at all.", OFFER),
            notes=notes, why=str(error), hours=hours)
    best: dict[str, Change] = {}
    for change in sorted(fitted.changes, key=lambda c: len(c.open_ports)):
        if change.measure == "flow":
            best.setdefault(change.where, change)
    ports = tuple(best[p] for p in design.port_names if p in best)
    adjusted = holm([p.duct.p for p in ports])
    claimed = frozenset(p.where for p, chance in zip(ports, adjusted, strict=True) if chance < CLAIM_P)
    verdict: Verdict = "unclear"
    if any(p.where in claimed and p.duct.value < -MATTERS for p in ports):
        verdict = "lost"
    elif all(p.duct.low > -MATTERS for p in ports):
        verdict = "kept"
    short = tuple(_needs(design, ports))
    # Losing is all that an added run can do to a port; what gave it air is another change, and may hide a loss as well.
    if not altered and any(p.where in claimed and p.duct.value > 0.0 for p in ports):
        return Answer("unclear", (GAINED, OFFER), notes=notes, why="ports gained air", hours=hours)
    lines = tuple(x for x in (_first(verdict, ports, claimed, name), _filter(ports), _enough(design, ports, short)) if x)
    walked = [p.where for p in ports if min(fitted.seconds[p.open_ports])]
    if len(walked) < len(ports):
        rest = [p.where for p in ports if p.where not in walked]
        notes = (*notes, f"Not opened in both periods, so calculated from the other ports: {and_words(rest)}.")
    if not fitted.learnt:
        notes = (*notes, "This shop has no baseline: fan and ducts are taken from the drawing, which makes the ranges wider.")
    return Answer(verdict, lines, ports, fitted.changes, claimed, short, notes, hours=hours)


def percent(value: float, signed: bool = True) -> str:
    """A share in per cent with one decimal and a real minus sign.

    >>> percent(-0.0312), percent(0.0312), percent(0.0312, signed=False)
    ('−3.1 %', '+3.1 %', '3.1 %')
    """
    number = round(100.0 * value, 1) + 0.0
    sign = "−" if number < 0.0 else "+" if signed and number > 0.0 else ""
    return f"{sign}{abs(number):.1f} %"


def span(interval: Interval) -> str:
    """``−3.1 % (−3.8 to −2.4 %)``."""
    return f"{percent(interval.value)} ({percent(interval.low)[:-2]} to {percent(interval.high)})"


def gates_words(open_ports: Gates) -> str:
    """``planer and lathe``, ``all gates shut``."""
    return " and ".join(open_ports) if open_ports else "all gates shut"


def and_words(names: Sequence[str]) -> str:
    """``planer, lathe and sander``."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def together(ports: Sequence[Change]) -> list[str]:
    """Ports that fare alike in one phrase each: ``planer −5.1 %``, ``the other seven: −3.3 to −2.5 %``."""
    if not ports:
        return []
    rows = sorted(ports, key=lambda p: p.duct.value)
    worst = [p for p in rows if p.duct.value - rows[0].duct.value < ALIKE]
    rest = [p for p in rows if p not in worst]
    told = [f"{and_words([p.where for p in worst[:3]])} {_range(worst)}"] if len(worst) <= 3 else []
    if not told:
        return [f"all {_count(len(rows))}: {_range(rows)}"] if not rest else [f"{_count(len(worst))} ports: {_range(worst)}",
                                                                          f"the other {_count(len(rest))}: {_range(rest)}"]
    return [*told, f"the other {_count(len(rest))}: {_range(rest)}"] if len(rest) > 1 else [
        *told, *(f"{p.where} {percent(p.duct.value)}" for p in rest)]


def _range(rows: Sequence[Change]) -> str:
    low, high = min(p.duct.value for p in rows), max(p.duct.value for p in rows)
    if percent(low) == percent(high):
        return percent(low)
    return f"{percent(low)[:-2]} to {percent(high)}"


def _count(number: int) -> str:
    words = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")
    return words[number] if number < len(words) else str(number)


def _first(verdict: Verdict, ports: Sequence[Change], claimed: frozenset[str], name: str) -> str:
    new = name or "new run"
    worst = min(ports, key=lambda p: p.duct.value)
    if not claimed:
        wide = max(0.5 * (p.duct.high - p.duct.low) for p in ports)
        if verdict == "kept":
            return f"No: the {new} takes no measurable air from any port (to within {percent(wide, False)})."
        return f"Cannot tell: if the {new} changed the airflow at the ports at all, it was by less than {percent(wide, False)}."
    detail = "; ".join(together(ports))
    if worst.duct.value < 0.0 and worst.where in claimed:
        word = "Yes" if verdict == "lost" else "Only slightly"
        most = f"most at the {worst.where}: {span(worst.duct)}"
        return f"{word}: the {new} takes air from the ports, {most}. Airflow: {detail}."
    best = max((p for p in ports if p.where in claimed), key=lambda p: abs(p.duct.value))
    return f"No: with the {new}, airflow at the {best.where} changed by {span(best.duct)}. Airflow: {detail}."


def _filter(ports: Sequence[Change]) -> str:
    worst = max(ports, key=lambda p: abs(p.filter.value))
    part = worst.filter
    if part.low <= 0.0 <= part.high or abs(part.value) < NOTABLE:
        return ""
    typical = sorted(p.filter.value for p in ports)[len(ports) // 2]
    if part.value < 0.0:
        return f"The dirtier filter costs another {percent(-typical, False)} at a typical port; that comes back with cleaning."
    return f"The filter was cleaner afterwards, which gave {percent(typical, False)} at a typical port; this is not counted."


def _needs(design: DuctDesign, ports: Sequence[Change]) -> list[Need]:
    needs = {p.name: p.needs_m3s for p in design.ports if p.needs_m3s}
    found = [
        Need(p.where, p.after / needs[p.where], p.before / needs[p.where]) for p in ports if needs.get(p.where)]
    return sorted((n for n in found if n.share < SHORT), key=lambda n: n.share)


def _enough(design: DuctDesign, ports: Sequence[Change], short: Sequence[Need]) -> str:
    stated = [p.where for p in ports if next(q for q in design.ports if q.name == p.where).needs_m3s]
    if not stated:
        return ""
    if not short:
        every = "Every port" if len(stated) == len(design.ports) else "Every port with a stated need"
        return f"{every} has the air its machine needs when open on its own."
    fell = [n for n in short if n.before >= SHORT]
    told = [f"{n.port} ({100.0 * n.share:.0f} %)" for n in (fell or short)[:4]]
    more = f" and {_count(len(fell or short) - 4)} more" if len(fell or short) > 4 else ""
    when = "since the change" if fell else "just as before the change"
    return f"Too little air {when}: {and_words(told)}{more} of what the machine needs."


def _notes(before: Side, after: Side, design: DuctDesign) -> tuple[str, ...]:
    rows = [*before.stretches, *after.stretches]
    notes = []
    for words, side in (("Before", before), ("After", after)):
        notes.append(
            f"{words}: {side.running_s / 60.0:.0f} minutes of running, {side.seconds / 60.0:.0f} of them steady with known"
            " gates.")
    if rows and not all(s.air_known for s in rows):
        notes.append("Air temperature and pressure were not measured, so season and weather widen the ranges.")
    if rows and not all(s.log_volts is not None for s in rows):
        notes.append("Line voltage was not measured, so the motor current says less about airflow.")
    for channel, words in (
        ("inlet_pa", "pressure before the fan"), ("filter_pa", "pressure over the filter"), ("motor_a", "motor current")):
        if rows and not all(channel in s.mean for s in rows):
            notes.append(f"The {words} was not measured the whole time.")
    strange = sorted({*before.strange, *after.strange} - set(design.port_names))
    if strange:
        notes.append(f"Left out: running with {and_words(strange)} open, which the earlier drawing does not show.")
    return tuple(notes)
