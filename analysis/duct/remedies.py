"""What would fix a changed drawing that falls short: a few ordinary alterations, found by trying them all.

Every alteration is solved for every gate set in use, so that a larger main that brings air to a port but lets chips
settle is seen to do both.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TypeVar

from analysis.duct.design import FAN, DuctDesign, Join, Port, Run
from analysis.duct.planning import ENOUGH, behind_shares, usual_velocity_shares
from analysis.duct.solve import solve
from analysis.duct.stock import neighbours as stock_neighbours
from analysis.duct.stock import pipe
from analysis.duct.tree import upstream_ports
from analysis.duct.uncertainty import origins

_SHORTEST_HOSE_M = 0.6
_SMOOTH_HOSE = pipe("flex stretched 4 in").roughness_m
_TIGHT = 0.002
_STEPS = 4
"""More alterations than this are a new drawing."""
_WORTHWHILE = 0.01
"""A gain of less than 1 % of a limit is not worth the work."""

_Key = tuple[tuple[str, ...], str, str, str]
_Alter = Callable[[DuctDesign], DuctDesign]
_Piece = TypeVar("_Piece", Run, Port)


@dataclass(frozen=True, slots=True)
class Remedy:
    """One or more alterations that help: what to do, the altered design, and what is left.

    ``left`` counts the shortfalls that remain of those that it was asked to fix, ``caused`` those that it makes itself;
    ``worst`` is the least share of its limit that any of them has, ``shares`` the share of each that it was asked to
    fix, by gate set, kind, name and limit.
    """

    steps: tuple[str, ...]
    design: DuctDesign
    left: int
    caused: int
    worst: float
    shares: Mapping[_Key, float] = field(repr=False, default_factory=dict)

    @property
    def words(self) -> str:
        """The steps in one sentence."""
        return "; ".join(self.steps)

    @property
    def fixes_all(self) -> bool:
        """Whether nothing falls short any more."""
        return self.left == 0 and self.caused == 0


def remedies(
    before: DuctDesign, after: DuctDesign, in_use: Sequence[tuple[str, ...]], most: int = 3
) -> tuple[Remedy, ...]:
    """The best alterations of ``after`` for what falls short in the gate sets ``in_use`` and did not before.

    What costs nothing first: another gate that is opened with a port whose air alone is too slow for its main. Then
    single alterations; if none mends everything, the best ones with further ones on top, chosen one at a time as long
    as they help. At most ``most`` of them, the best first; none where nothing falls short or nothing helps.
    """
    now = _shares(after, in_use)
    already = _already(before, in_use, now, origins(before, after))
    wanted = {key for key, share in now.items() if share < ENOUGH and key not in already}
    if not wanted:
        return ()
    task = _Task(tuple(in_use), frozenset(wanted), frozenset(already))
    start = Remedy((), after, len(wanted), 0, min(now[key] for key in wanted), {key: now[key] for key in wanted})
    best = sorted(_next_steps(start, task), key=_rank)
    if best and not best[0].fixes_all:
        grown = {frozenset(remedy.steps): remedy for remedy in (_grown(first, task) for first in best[:most])}
        best = sorted([*grown.values(), *best], key=_rank)
    return tuple({frozenset(remedy.steps): remedy for remedy in (*_second_gates(start, task), *best)}.values())[:most]


def _second_gates(start: Remedy, task: _Task) -> Iterator[Remedy]:
    """For each gate set whose runs are too slow and whose ports have air to spare: the gate to open with it."""
    steps: dict[tuple[str, ...], str] = {}
    design = start.design
    in_use: list[tuple[str, ...]] = []
    for gates in task.in_use:
        slow = {key for key in task.wanted if key[0] == gates and key[3] == "carrying velocity"}
        best: tuple[float, str] | None = None
        for name in design.port_names if slow else ():
            if name in gates:
                continue
            more = (*gates, name)
            shares = _shares(design, (more,))
            worst = min(shares.get((more, *key[1:]), 0.0) for key in slow)
            short = any(
                share < ENOUGH and (gates, *key[1:]) not in task.already and start.shares.get((gates, *key[1:]), 1.0) >= ENOUGH
                for key, share in shares.items() if key[2] != name
            )
            if worst >= ENOUGH and not short and (best is None or worst < best[0]):
                # The least that is enough takes the least air from the machine.
                best = worst, name
        if best is not None:
            steps[gates] = best[1]
        in_use.append((*gates, best[1]) if best is not None else gates)
    if not steps:
        return
    shares = _shares(design, in_use)
    asked = {
        key: shares.get((after, *key[1:]), 1.0) for key in task.wanted
        for gates, after in zip(task.in_use, in_use, strict=True) if gates == key[0]
    }
    left = sum(share < ENOUGH for share in asked.values())
    by_gate: dict[str, list[str]] = {}
    for gates, name in steps.items():
        by_gate.setdefault(name, []).append(" and ".join(repr(gate) for gate in gates))
    words = tuple(
        f"open the gate of {name!r} too when {' or '.join(sets)} runs alone" if all(" and " not in one for one in sets)
        else f"open the gate of {name!r} too when {' or '.join(sets)} run"
        for name, sets in by_gate.items()
    )
    yield Remedy(words, design, left, 0, min(asked.values()), asked)


@dataclass(frozen=True, slots=True)
class _Task:
    in_use: tuple[tuple[str, ...], ...]
    wanted: frozenset[_Key]
    already: frozenset[_Key]

    @property
    def ports(self) -> set[str]:
        """The ports that are open where something falls short."""
        return {name for gates, *_ in self.wanted for name in gates}

    @property
    def slow(self) -> set[str]:
        """The pieces whose air is too slow: only these may be made smaller."""
        return {name for _, _, name, limit in self.wanted if limit == "carrying velocity"}


def _next_steps(start: Remedy, task: _Task) -> list[Remedy]:
    """Every alteration on top of ``start`` that makes it better."""
    found = []
    for words, alter in _alterations(start.design, task):
        # Doing the same thing twice (cutting a hose again) is not a second idea.
        if words in start.steps:
            continue
        judged = _judge((*start.steps, words), alter(start.design), task)
        if any(
            share < ENOUGH and share < start.shares.get(key, share) - _WORTHWHILE for key, share in judged.shares.items()
        ):
            # A smaller pipe may carry the chips and starve the machine: no help.
            continue
        left, before = judged.left + judged.caused, start.left + start.caused
        if left < before or (left == before and judged.worst > start.worst + _WORTHWHILE):
            found.append(judged)
    return found


def _grown(remedy: Remedy, task: _Task) -> Remedy:
    """``remedy`` with the best further steps on top, at most :data:`_STEPS` in all."""
    while not remedy.fixes_all and len(remedy.steps) < _STEPS:
        steps = _next_steps(remedy, task)
        if not steps:
            break
        remedy = min(steps, key=_rank)
    return remedy


def _already(
    before: DuctDesign, in_use: Sequence[tuple[str, ...]], now: Iterable[_Key], origin: Mapping[str, str]
) -> set[_Key]:
    earlier = _shares(before, in_use)
    usual = usual_velocity_shares(before)
    found = {key for key, share in earlier.items() if share < ENOUGH}
    for gates, kind, name, limit in now:
        was = origin.get(name, name)
        share = earlier.get((gates, kind, was, limit), usual.get(was, 1.0) if kind != "port" else 1.0)
        if share < ENOUGH:
            found.add((gates, kind, name, limit))
    return found


def _rank(remedy: Remedy) -> tuple[int, int, int, float]:
    # Of two that leave nothing, the simpler one, and work on a hose before work on pipe; of two that leave as much, the
    # one with more in hand.
    on_pipe = sum("hose" not in step for step in remedy.steps) if remedy.fixes_all else 0
    return remedy.left + remedy.caused, len(remedy.steps) if remedy.fixes_all else 0, on_pipe, -remedy.worst


def _judge(steps: tuple[str, ...], design: DuctDesign, task: _Task) -> Remedy:
    shares = _shares(design, task.in_use)
    short = {key for key, share in shares.items() if share < ENOUGH and key not in task.already}
    worst = min(shares[key] for key in task.wanted | short)
    asked = {key: shares[key] for key in task.wanted}
    return Remedy(steps, design, len(short & task.wanted), len(short - task.wanted), worst, asked)


def _shares(design: DuctDesign, in_use: Sequence[tuple[str, ...]]) -> dict[_Key, float]:
    """Every measure over its limit, by gate set, kind, name and limit."""
    found: dict[_Key, float] = {}
    for gates in in_use:
        point = solve(design, [name for name in gates if name in design.port_names])
        for kind, states in (("run", point.runs), ("port", point.ports)):
            for name, state in states.items():
                if not state.in_use:
                    continue
                found[gates, kind, name, "carrying velocity"] = state.velocity_share
                if state.need_share is not None:
                    found[gates, kind, name, "need"] = state.need_share
        for name, share in behind_shares(design, point).items():
            found[gates, "discharge", name, "carrying velocity"] = share
    return found


def _alterations(design: DuctDesign, task: _Task) -> Iterator[tuple[str, _Alter]]:
    for run in design.runs:
        if task.ports.isdisjoint(upstream_ports(design, run.name)):
            continue
        smaller, larger = stock_neighbours(run.diameter_m, run.roughness_m)
        if larger is not None:
            widened = _widened(design, run, larger.inside_diameter_m)
            others = [name for name in widened if name != run.name]
            also = f" (and {', '.join(repr(name) for name in others)} with it)" if others else ""
            yield f"make run {run.name!r} of {larger.text}{also}", _resize_runs(widened, larger.inside_diameter_m)
        if smaller is not None and run.name in task.slow:
            yield f"make run {run.name!r} of {smaller.text}", _resize_runs((run.name,), smaller.inside_diameter_m)
        if run.into != FAN and run.join.angle_deg > 60.0:
            yield f"let run {run.name!r} join by a wye of 45 degrees", _wye(run.name)
    for piece in design.discharge:
        smaller, _ = stock_neighbours(piece.diameter_m, piece.roughness_m)
        if smaller is not None and piece.name in task.slow:
            yield f"make {piece.name!r} of {smaller.text}", _resize_runs((piece.name,), smaller.inside_diameter_m)
    for port in design.ports:
        if port.name in task.ports:
            yield from _for_port(design, port, task)
    if any(port.has_gate and port.leak_m2 > _TIGHT * port.area_m2 for port in design.ports):
        yield "fit gates that seal", _tight


def _for_port(design: DuctDesign, port: Port, task: _Task) -> Iterator[tuple[str, _Alter]]:
    main = next(run for run in design.runs if run.name == port.into)
    smaller, larger = stock_neighbours(port.diameter_m, port.roughness_m)
    if larger is not None and larger.inside_diameter_m <= 1.02 * main.diameter_m:
        yield f"make the pipe of port {port.name!r} of {larger.text}", _resize_port(port.name, larger.inside_diameter_m)
    if smaller is not None and port.name in task.slow:
        words = f"make the pipe of port {port.name!r} of {smaller.text}"
        yield words, _resize_port(port.name, smaller.inside_diameter_m)
    if port.join.angle_deg > 60.0:
        yield f"let port {port.name!r} join by a wye of 45 degrees", _wye(port.name)
    if port.hose is None:
        return
    if port.hose.length_m > 1.5 * _SHORTEST_HOSE_M:
        length = max(0.5 * port.hose.length_m, _SHORTEST_HOSE_M)
        share = length / port.hose.length_m
        yield f"cut the hose of port {port.name!r} to {share:.0%} of its length", _hose(port.name, length_m=length)
    if port.hose.roughness_m > 1.5 * _SMOOTH_HOSE:
        words = f"pull the hose of port {port.name!r} straight, or take one with covered wires"
        yield words, _hose(port.name, roughness_m=_SMOOTH_HOSE)


def _widened(design: DuctDesign, run: Run, diameter_m: float) -> tuple[str, ...]:
    """The run and those after it that would be smaller than its new size."""
    names = [run.name]
    by_name = {other.name: other for other in design.runs}
    into = run.into
    while into != FAN:
        after = by_name[into]
        if after.diameter_m < diameter_m / 1.02:
            names.append(after.name)
        into = after.into
    return tuple(names)


def _resize_runs(names: tuple[str, ...], diameter_m: float) -> _Alter:
    return lambda design: replace(
        design,
        runs=tuple(_resized(run, diameter_m) if run.name in names else run for run in design.runs),
        discharge=tuple(_resized(run, diameter_m) if run.name in names else run for run in design.discharge),
    )


def _resized(piece: _Piece, diameter_m: float) -> _Piece:
    """The piece of another size; a reducer at its end that would no longer be one is left out."""
    def kept(size: float | None) -> float | None:
        return size if size is not None and (size > diameter_m) == (size > piece.diameter_m) else None

    return replace(
        piece, diameter_m=diameter_m, start_diameter_m=kept(piece.start_diameter_m),
        end_diameter_m=kept(piece.end_diameter_m),
    )


def _ports(name: str, alter: Callable[[Port], Port]) -> _Alter:
    return lambda design: replace(
        design, ports=tuple(alter(port) if port.name == name else port for port in design.ports)
    )


def _resize_port(name: str, diameter_m: float) -> _Alter:
    # The gate's leakage goes with the size of its opening.
    return _ports(
        name,
        lambda port: replace(
            _resized(port, diameter_m), leak_m2=port.leak_m2 * (diameter_m / port.diameter_m) ** 2
        ),
    )


def _hose(name: str, **fields: float) -> _Alter:
    def alter(port: Port) -> Port:
        return port if port.hose is None else replace(port, hose=replace(port.hose, **fields))

    return _ports(name, alter)


def _wye(name: str) -> _Alter:
    join = Join.wye(45.0)
    return lambda design: replace(
        design,
        runs=tuple(replace(run, join=join) if run.name == name else run for run in design.runs),
        ports=tuple(replace(port, join=join) if port.name == name else port for port in design.ports),
    )


def _tight(design: DuctDesign) -> DuctDesign:
    return replace(
        design,
        ports=tuple(
            replace(port, leak_m2=min(port.leak_m2, _TIGHT * port.area_m2), leak_flow=None) if port.has_gate else port
            for port in design.ports
        ),
    )
