"""What a product said against the labels: found, missed, false, late, repeated; and the bounds that the counts allow."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from scipy.stats import beta, chi2

GRACE_S = 600.0
"""A raise this long after a fault's end still counts as its own."""
CONFIDENCE = 0.95


class Said(NamedTuple):
    """One line of findings: seconds from the start, condition, "raised" or "cleared", place, evidence."""

    t: float
    condition: str
    state: str
    where: str = ""
    evidence: str = ""


@dataclass
class Tally:
    """Counts of one condition, over any number of recordings."""

    required: int = 0
    missed: int = 0
    short: int = 0
    false: int = 0
    repeats: int = 0
    consequences: int = 0
    allowed: int = 0
    delays: list[float] = field(default_factory=list)
    missed_of: list[str] = field(default_factory=list)

    def add(self, other: Tally) -> None:
        """Sum with the counts of another recording."""
        for name in ("required", "missed", "short", "false", "repeats", "consequences", "allowed"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.delays += other.delays
        self.missed_of += other.missed_of


def overlap(spans: Iterable[Sequence[float]], low: float, high: float) -> float:
    """Seconds of ``spans`` between two instants."""
    return float(sum(max(0.0, min(high, b) - max(low, a)) for a, b in spans))


def score(said: Sequence[Said], known: Mapping[str, Any]) -> tuple[dict[str, Tally], list[Said]]:
    """Per condition what was found, and every false raise.

    A required fault is found by a raise of its condition, or of one that the same numbers bear out (``also``), from its
    first visible second to ten minutes after its end, or by one that stands rightly when it begins to be required. Silence
    is a miss only where it was visible for its patience of running. Other raises during a fault of that kind, or of
    what it truly ``brings``, are no false ones; a second raise for a fault already found is a repeat.
    """
    faults, runs = known["faults"], known["runs"]
    seen: dict[int, list[tuple[float, float]]] = defaultdict(list)
    for span in known["intervals"]:
        if span["visible"]:
            seen[span["fault"]].append((span["t0"], span["t1"]))
    tallies: dict[str, Tally] = defaultdict(Tally)
    hit: dict[int, float] = {}
    owed = [i for i, f in enumerate(faults) if f["required"] and seen[i]]
    wrong, standing = [], {}
    for one in sorted(said, key=lambda s: s.t):
        tally, t = tallies[one.condition], one.t
        if one.state != "raised":
            standing.pop((one.condition, one.where), None)
            continue

        def near(f: Mapping[str, Any], low: float, t: float = t) -> bool:
            return bool(low <= t <= f["t1"] + GRACE_S)

        mine = [i for i in owed if one.condition in (faults[i]["kind"], *faults[i]["also"]) and near(faults[i], seen[i][0][0])]
        new = [i for i in mine if i not in hit]
        for i in new:
            hit[i] = t
        standing[one.condition, one.where] = t
        if new:
            continue
        if mine:
            tally.repeats += 1
        elif any(f["kind"] == one.condition and near(f, f["t0"]) for f in faults):
            tally.allowed += 1
        elif any(one.condition in f["brings"] and near(f, f["t0"]) for f in faults):
            tally.consequences += 1
        else:
            tally.false += 1
            wrong.append(one)
    for i in owed:
        fault, spans = faults[i], seen[i]
        tally = tallies[fault["kind"]]
        tally.required += 1
        if i not in hit and _stood(said, faults, fault, spans[0][0]):
            hit[i] = spans[0][0]
        if i in hit:
            tally.delays.append(sum(overlap(runs, a, min(b, hit[i])) for a, b in spans if a < hit[i]) / 60.0)
        elif sum(overlap(runs, a, b) for a, b in spans) >= fault["patience_s"]:
            tally.missed += 1
            tally.missed_of.append(f"{known['name']} {fault['do']} llr {fault.get('llr', '-')}")
        else:
            tally.short += 1
            tally.required -= 1
    return tallies, wrong


def _stood(said: Sequence[Said], faults: Sequence[Mapping[str, Any]], fault: Mapping[str, Any], first: float) -> bool:
    """Whether a rightful raise stood when the fault began to be required."""
    up: dict[str, float] = {}
    for one in said:
        if one.t <= first and one.condition in (fault["kind"], *fault["also"]):
            if one.state == "raised":
                up[one.where] = one.t
            else:
                up.pop(one.where, None)
    return any(
        f["kind"] in (fault["kind"], *fault["also"]) and f["t0"] <= t <= f["t1"] + GRACE_S for t in up.values() for f in faults
    )


def at_most(count: int) -> float:
    """Upper bound of a Poisson mean, one-sided at :data:`CONFIDENCE`, exact (Garwood 1936)."""
    return float(0.5 * chi2.ppf(CONFIDENCE, 2 * count + 2))


def share_at_most(count: int, of: int) -> float:
    """Upper bound of a binomial share, one-sided at :data:`CONFIDENCE`, exact (Clopper and Pearson 1934)."""
    return 1.0 if count >= of else float(beta.ppf(CONFIDENCE, count + 1, of - count))


def table(tallies: Mapping[str, Tally], days: float) -> list[str]:
    """One line per condition and a sum: false per 30 days with its bound, missed of required with its bound, delays."""
    lines = [
        f"{'condition':18s} {'false':>5s} {'/30 d':>6s} {'below':>6s}  {'missed':>8s} {'below':>6s}  "
        f"{'median':>7s} {'95 %':>7s} min  repeats consequences"
    ]
    total = Tally()
    for name in sorted(tallies):
        total.add(tallies[name])
    for name, tally in [*sorted(tallies.items()), ("all", total)]:
        late = np.quantile(tally.delays, [0.5, 0.95]) if tally.delays else (np.nan, np.nan)
        share = f"{100 * share_at_most(tally.missed, tally.required):5.0f}%" if tally.required else "     -"
        lines.append(
            f"{name:18s} {tally.false:5d} {30 * tally.false / days:6.2f} {30 * at_most(tally.false) / days:6.2f}  "
            f"{tally.missed:3d}/{tally.required:<4d} {share}  "
            f"{late[0]:7.1f} {late[1]:7.1f}      {tally.repeats:5d}  {tally.consequences:5d}"
        )
    return lines
