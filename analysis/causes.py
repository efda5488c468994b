"""Root causes: which present finding explains which other one, so that one fault raises one alarm and not five.

The table is data, one row a relation with the reason in a sentence. The reasons follow from how a fan, its ducts and
its bags share one air stream (the sign table of the project: blocked run = inlet suction up, filter pressure down,
current down; loaded filter = down, up, down; gate open or leak = down, up, up; torn bag = up, down, up; slow fan = all
down). They are common practice without a published source.

Only claims that a detector makes are set aside, never its evidence: an explained finding is kept, names its root cause
and is recorded with it.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from types import MappingProxyType

from analysis.conditions import TEXTS, Condition, Urgency
from analysis.findings import Claim, Finding
from analysis.readings import CHANNELS


class Reach(Enum):
    """Which findings of the effect a cause explains."""

    ANYWHERE = "anywhere"
    """Wherever the effect is seen: the whole unit shares one fan and one set of bags."""
    SAME_PLACE = "same place"
    """At the cause's own place, and at the places that it feeds or is fed by where the drawing is known."""
    BASED_ON = "based on"
    """What was concluded from the channel that the cause names."""


@dataclass(frozen=True, slots=True)
class Explains:
    """One row: ``cause`` explains ``effect``, within ``reach``, for the reason in ``sentence``."""

    cause: Condition
    effect: Condition
    sentence: str
    reach: Reach = Reach.ANYWHERE


_C = Condition

PHYSICAL: tuple[Explains, ...] = (
    Explains(_C.BAG_FULL, _C.FILTER_LOADING,
             "Chips from a full bag are carried up into the filter bags and raise their drag."),
    Explains(_C.BAG_FULL, _C.FILTER_BLINDED,
             "While the chip bag is full no cleaning can bring the drag back; the filter is judged after emptying."),
    Explains(_C.BAG_FULL, _C.LOW_VELOCITY, "The drag that a full bag adds slows the air in every run."),
    Explains(_C.BAG_FULL, _C.SUCTION_LOST, "The drag that a full bag adds takes air from every port."),
    Explains(_C.FILTER_BLINDED, _C.FILTER_LOADING, "Bags that no cleaning restores are always loaded."),
    Explains(_C.FILTER_BLINDED, _C.LOW_VELOCITY, "Blinded bags slow the air in every run."),
    Explains(_C.FILTER_BLINDED, _C.SUCTION_LOST, "Blinded bags take air from every port."),
    Explains(_C.FILTER_LOADING, _C.LOW_VELOCITY, "The drag of loaded bags slows the air in every run."),
    Explains(_C.FILTER_LOADING, _C.SUCTION_LOST, "The drag of loaded bags takes air from every port."),
    Explains(_C.FILTER_BREACH, _C.OPEN_GATE_OR_LEAK,
             "A torn or loose bag lets more air through than the gates account for, with no gate or hose open."),
    Explains(_C.FILTER_BREACH, _C.BLOCKED_RUN,
             "The pressure over a torn bag no longer tells the flow: the air that seems to be missing is not."),
    Explains(_C.MOTOR_OVERLOAD, _C.OPEN_GATE_OR_LEAK,
             "A motor that draws too much looks like a fan that moves more air than its gates explain."),
    Explains(_C.MOTOR_OVERLOAD, _C.WEAK_FAN,
             "What makes the motor draw too much looks like a fan that gives too little for its current."),
    Explains(_C.WEAK_FAN, _C.BLOCKED_RUN, "A weak fan moves less air than any gate setting explains, without a plug."),
    Explains(_C.WEAK_FAN, _C.LOW_VELOCITY, "A weak fan slows the air in every run."),
    Explains(_C.WEAK_FAN, _C.SUCTION_LOST, "A weak fan takes air from every port."),
    Explains(_C.OPEN_GATE_OR_LEAK, _C.LOW_VELOCITY, "Air that comes in elsewhere is missing in the open runs."),
    Explains(_C.OPEN_GATE_OR_LEAK, _C.SUCTION_LOST, "Air that comes in elsewhere is missing at the ports."),
    Explains(_C.BLOCKED_RUN, _C.LOW_VELOCITY, "The air in a plugged run is slow because it is plugged.",
             Reach.SAME_PLACE),
    Explains(_C.BLOCKED_RUN, _C.SUCTION_LOST, "A port draws little air because its run is plugged.",
             Reach.SAME_PLACE),
    Explains(_C.LOW_VELOCITY, _C.SUCTION_LOST,
             "Both say that this port draws too little air; the one that lets chips settle is told.", Reach.SAME_PLACE),
)
"""What follows from the air stream. No row points back: the relations have an order."""

RESTS_ON: Mapping[Condition, frozenset[str]] = MappingProxyType({
    _C.FILTER_LOADING: frozenset({"filter_pa", "inlet_pa"}),
    _C.FILTER_BLINDED: frozenset({"filter_pa", "inlet_pa"}),
    _C.BAG_FULL: frozenset({"filter_pa", "inlet_pa"}),
    _C.FILTER_BREACH: frozenset({"filter_pa", "inlet_pa"}),
    _C.BLOCKED_RUN: frozenset({"inlet_pa", "filter_pa", "motor_a"}),
    _C.OPEN_GATE_OR_LEAK: frozenset({"inlet_pa", "filter_pa", "motor_a"}),
    _C.WEAK_FAN: frozenset({"inlet_pa", "filter_pa", "motor_a"}),
    _C.MOTOR_OVERLOAD: frozenset({"motor_a"}),
    _C.LOW_VELOCITY: frozenset({"inlet_pa", "filter_pa"}),
    _C.SUCTION_LOST: frozenset({"inlet_pa", "filter_pa"}),
    _C.LEFT_RUNNING: frozenset({"motor_a"}),
    _C.SHORT_CYCLING: frozenset({"motor_a"}),
})
"""Channels that a claim rests on where its own evidence names none."""

_SENSOR_SENTENCE = "It was concluded from a channel that cannot be trusted."
_TABLE: tuple[Explains, ...] = (
    *(Explains(_C.SENSOR_FAULT, effect, _SENSOR_SENTENCE, Reach.BASED_ON) for effect in RESTS_ON),
    *PHYSICAL,
)
EXPLANATIONS: Mapping[Condition, tuple[Explains, ...]] = MappingProxyType({
    effect: tuple(row for row in _TABLE if row.effect is effect) for effect in Condition})
"""Effect -> the rows that can explain it."""

_URGENCY_ORDER = {Urgency.PLAN: 0, Urgency.SOON: 1, Urgency.STOP: 2}
_WORD = re.compile(r"\w+")


def explain(findings: Sequence[Finding], least: float = 0.5,
            related: Mapping[str, Collection[str]] = MappingProxyType({})) -> tuple[Finding, ...]:
    """The same findings in the same order; each present one that another present one explains names its root cause.

    ``least`` [probability, 0..1]: a cause less sure than this explains nothing. A claim of urgency "stop" is set aside
    only by a cause that is at least as sure as itself: better a needless walk to the unit than a missed one.
    ``related``: for a place (a run), the other places whose air passes through it or that it passes through.

    Of a chain (sensor fault -> full bag -> slow air) the first link is named. Of several causes the most urgent, then
    the surest. A ``reason`` is filled in where the finding has none. Pure: the input is not changed.
    """
    present = [f for f in findings if f.claim is Claim.PRESENT]
    if len(present) < 2:
        return tuple(findings)
    rooted: dict[int, Finding] = {}
    for finding in present:
        row = _root(finding, present, least, related)
        if row is not None:
            rooted[id(finding)] = replace(finding, explained_by=row.cause, reason=finding.reason or row.sentence)
    return tuple(rooted.get(id(f), f) for f in findings)


def sentence(cause: Condition, effect: Condition) -> str:
    """Why ``cause`` explains ``effect``, also over several links; "" where the table knows no such relation."""
    for row in EXPLANATIONS[effect]:
        if row.cause is cause:
            return row.sentence
    for row in EXPLANATIONS[effect]:
        if sentence(cause, row.cause):
            return row.sentence
    return ""


def _root(effect: Finding, present: Iterable[Finding], least: float,
          related: Mapping[str, Collection[str]]) -> Explains | None:
    """The row of the best direct cause with its ``cause`` replaced by the root cause of that one; None without any."""
    best: tuple[int, float] | None = None
    found: Explains | None = None
    for row in EXPLANATIONS[effect.condition]:
        for cause in present:
            if cause.condition is not row.cause or not _reaches(row, cause, effect, least, related):
                continue
            further = _root(cause, present, least, related)
            root = row if further is None else replace(row, cause=further.cause)
            rank = (_URGENCY_ORDER[TEXTS[root.cause].urgency], cause.confidence)
            if best is None or rank > best:
                best, found = rank, root
    return found


def _reaches(row: Explains, cause: Finding, effect: Finding, least: float,
             related: Mapping[str, Collection[str]]) -> bool:
    if cause.confidence < least:
        return False
    if TEXTS[effect.condition].urgency is Urgency.STOP and cause.confidence < effect.confidence:
        return False
    if row.reach is Reach.ANYWHERE:
        return True
    if row.reach is Reach.SAME_PLACE:
        return cause.where in ("", effect.where) or effect.where in related.get(cause.where, ())
    named = {name for name in effect.evidence if name in CHANNELS}
    return any(word in (named or RESTS_ON[effect.condition]) for word in _WORD.findall(cause.where))
