"""What a changed drawing does to every tap, run and port before pipe is cut, and how sure the difference is.

Two designs are compared gate set by gate set. The same fan, bags, leakage and untouched pieces stand in both, so what
is not known about them cancels; only what was added or changed brings an uncertainty of its own. Every change names
its measure: inlet static pressure, flow at a port and velocity in a main move by different amounts, even in different
directions. """

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from analysis.duct.design import DuctDesign
from analysis.duct.points import OperatingPoint, SectionState
from analysis.duct.remarks import carrying_behind
from analysis.duct.solve import solve
from analysis.duct.uncertainty import Expectation, Spread, difference, expectation, origins

Measure = Literal["inlet static pressure", "filter pressure", "motor current", "flow", "velocity"]
Limit = Literal["need", "carrying velocity"]
Status = Literal["fell", "new", "already"]
Kind = Literal["run", "port", "discharge"]

ENOUGH = 0.995
"""Half a per cent short is no shortfall."""


_TAPS: tuple[tuple[Measure, str, str], ...] = (
    ("inlet static pressure", "fan inlet", "inlet_pa"), ("filter pressure", "filter", "filter_pa"),
    ("motor current", "motor", "motor_a"), ("flow", "fan", "flow_m3s"),
)
_SECTIONS: tuple[tuple[Kind, Measure, str], ...] = (("port", "flow", "flow_m3s"), ("run", "velocity", "velocity_ms"))


@dataclass(frozen=True, slots=True)
class Change:
    """One measure before and after at one place, for one gate set.

    ``before`` None: the piece is new; ``after`` None: it was taken out. ``difference`` carries the uncertainty of the
    difference, None where there is only one side.
    """

    measure: Measure
    where: str
    before: Spread | None
    after: Spread | None
    difference: Spread | None

    @property
    def none(self) -> bool:
        """Whether nothing changes: both sides are the same, and so is what is not known about them."""
        both = self.difference
        if both is None or self.before is None:
            return False
        return abs(both.value) + both.sd < 1e-4 * abs(self.before.value)


@dataclass(frozen=True, slots=True)
class Shortfall:
    """A port short of its need or a piece below carrying velocity, with the changed drawing.

    ``share`` is the measure over its limit; ``before`` the same before the change, None where there is no before; for
    a run that the same ports did not use before, the most that any port alone brought about.
    ``status``: ``fell``, it was met before the change; ``new``, the piece or its use is new; ``already``, it fell short
    before as well. ``probability`` is how likely it is to fall short in truth, with all that is not known about the
    drawing.
    """

    open_ports: tuple[str, ...]
    limit: Limit
    kind: Kind
    where: str
    value: float
    required: float
    share: float
    before: float | None
    status: Status
    probability: float
    alone: float | None = None
    """For a port short of its need among several open ones: its share of need with every other gate shut."""


@dataclass(frozen=True, slots=True)
class GateSetPlan:
    """One gate set before and after. ``open_before`` leaves out ports that only the changed drawing has; where none is
    left, there is no before."""

    open_ports: tuple[str, ...]
    open_before: tuple[str, ...]
    changes: tuple[Change, ...]
    shortfalls: tuple[Shortfall, ...]


@dataclass(frozen=True, slots=True)
class Plan:
    """The comparison for all gate sets in use."""

    sets: tuple[GateSetPlan, ...]

    @property
    def fallen(self) -> tuple[Shortfall, ...]:
        """What falls short with the change: first what was met before, then what is new, each the worst first."""
        found = [short for one in self.sets for short in one.shortfalls if short.status != "already"]
        return tuple(sorted(found, key=lambda short: (short.status != "fell", short.share)))

    @property
    def first(self) -> Shortfall | None:
        """The first thing that falls below need or carrying velocity, None where nothing does."""
        fallen = self.fallen
        return fallen[0] if fallen else None


def compare(before: DuctDesign, after: DuctDesign, in_use: Sequence[tuple[str, ...]]) -> Plan:
    """Compare two designs for the gate sets ``in_use`` (names of ports of the changed design, each set once).

    Raises ValueError for a port that the changed design does not have.
    """
    usual, origin = usual_velocity_shares(before), origins(before, after)
    return Plan(tuple(_one_set(before, after, gates, usual, origin) for gates in in_use))


def usual_velocity_shares(design: DuctDesign) -> dict[str, float]:
    """For each run the most of its carrying velocity that any port alone brings about.

    A main that no port alone can keep at carrying velocity is so by design, and a new port that cannot either is no
    news.
    """
    best: dict[str, float] = {}
    for name in design.port_names:
        point = solve(design, [name])
        shares = {state.name: state.velocity_share for state in point.runs.values() if state.in_use}
        for run, share in (shares | behind_shares(design, point)).items():
            best[run] = max(best.get(run, 0.0), share)
    return best


def behind_shares(design: DuctDesign, point: OperatingPoint) -> dict[str, float]:
    """Velocity over carrying velocity in the pieces after the fan that have to carry chips."""
    limit = design.material.main_velocity_ms
    in_use = any(state.in_use for state in point.runs.values())
    return {piece.name: point.flow_m3s / piece.area_m2 / limit for piece in carrying_behind(design) if in_use}


def _one_set(
    before: DuctDesign, after: DuctDesign, gates: tuple[str, ...], usual: dict[str, float], origin: dict[str, str]
) -> GateSetPlan:
    old_gates = tuple(name for name in gates if name in before.port_names)
    new = expectation(after, gates, origin=origin)
    # A new port alone has no before: the old shop with all gates shut is nothing to compare it with.
    old = expectation(before, old_gates) if old_gates or not gates else None
    was: Mapping[str, Spread] = {} if old is None else old.values
    changes = [
        _change(measure, where, was.get(key), new.values[key]) for measure, where, key in _TAPS if key in new.values
    ]
    for kind, measure, key in _SECTIONS:
        names = [name for point in ((new.point,) if old is None else (new.point, old.point))
                 for name, state in (point.runs if kind == "run" else point.ports).items() if state.in_use]
        for name in dict.fromkeys(names):
            left, right = was.get(f"{kind}:{origin.get(name, name)}:{key}"), new.values.get(f"{kind}:{name}:{key}")
            changes.append(_change(measure, f"{kind} {name!r}", left, right))
    return GateSetPlan(gates, old_gates, tuple(changes), tuple(_shortfalls(before, after, gates, old, new, usual, origin)))


def _change(measure: Measure, where: str, before: Spread | None, after: Spread | None) -> Change:
    both = None if before is None or after is None else difference(after, before)
    return Change(measure, where, before, after, both)


def _shortfalls(
    before: DuctDesign, after: DuctDesign, gates: tuple[str, ...], old: Expectation | None, new: Expectation,
    usual: dict[str, float], origin: dict[str, str],
) -> list[Shortfall]:
    found = []
    needs = {port.name: port.needs_m3s for port in after.ports}
    none: dict[str, SectionState] = {}
    sections: tuple[tuple[Kind, Mapping[str, SectionState], Mapping[str, SectionState]], ...] = (
        ("run", new.point.runs, none if old is None else old.point.runs),
        ("port", new.point.ports, none if old is None else old.point.ports),
    )
    for kind, states, earlier in sections:
        for name, state in states.items():
            if not state.in_use:
                continue
            was = earlier.get(origin.get(name, name))
            was = was if was is not None and was.in_use else None
            velocity = new.values[f"{kind}:{name}:velocity_ms"]
            then = was.velocity_share if was is not None else usual.get(origin.get(name, name)) if kind == "run" else None
            found.append(_judge(gates, "carrying velocity", kind, name, velocity, state.carrying_ms, then))
            need = needs.get(name) if kind == "port" else None
            if need is not None:
                flow = new.values[f"port:{name}:flow_m3s"]
                found.append(_judge(gates, "need", kind, name, flow, need, None if was is None else was.need_share))
    limit = after.material.main_velocity_ms
    earlier_behind = usual if old is None else behind_shares(before, old.point)
    for piece in carrying_behind(after) if behind_shares(after, new.point) else ():
        velocity = new.values["flow_m3s"].scaled(1.0 / piece.area_m2)
        share = earlier_behind.get(piece.name)
        found.append(_judge(gates, "carrying velocity", "discharge", piece.name, velocity, limit, share))
    short = [one for one in found if one.share < ENOUGH]
    return [
        replace(one, alone=solve(after, [one.where]).ports[one.where].need_share)
        if one.limit == "need" and len(gates) > 1 else one
        for one in short
    ]


def _judge(
    gates: tuple[str, ...], limit: Limit, kind: Kind, name: str, value: Spread, required: float,
    before: float | None,
) -> Shortfall:
    share = value.value / required
    spread = value.sd / required
    probability = 0.5 if spread == 0.0 else 0.5 * math.erfc((share - 1.0) / spread / math.sqrt(2.0))
    status: Status = "new" if before is None else "fell" if before >= ENOUGH else "already"
    return Shortfall(gates, limit, kind, name, value.value, required, share, before, status, probability)
