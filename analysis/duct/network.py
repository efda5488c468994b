"""The rules of a duct tree: what makes a design impossible or doubtful, in sentences."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from analysis.duct.design import FAN, DuctDesign, Join, Port, Run
from analysis.units import System, show

Severity = Literal["error", "warning"]

LARGEST_DIAMETER_M = 2.0
"""Wider than any shop's main; a larger figure is a slip of units."""
LONGEST_M = 1000.0
"""Longer than any shop's run; a larger figure is a slip of units."""
ROUGHEST = 0.05
"""Relative roughness up to which the Colebrook friction factor was measured."""
NO_DUCT = 0.25
"""Relative roughness that no duct or hose has."""
_CLEARLY = 0.9
"""A need is called too small for its pipe when it gives less than this share of the carrying velocity."""
CROWD = 4
"""From so many pieces at one place on, a drawing is asked whether they really meet there."""
_SAME_SIZE = 1.02
"""Two pipes this close in diameter (wall thickness, fittings) count as the same size."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with a design: an error makes it impossible to solve, a warning is to be looked at."""

    severity: Severity
    where: str
    words: str

    def __str__(self) -> str:
        return f"{self.where}: {self.words}"


class DesignError(ValueError):
    """A design cannot be solved; ``problems`` holds every error, and the message their sentences."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("; ".join(str(problem) for problem in problems))


def problems(design: DuctDesign, system: System = "us") -> tuple[Problem, ...]:
    """Everything wrong or doubtful about a design, errors first; sizes are written in the units of ``system``.

    An empty answer, or one with warnings only, means that the design can be solved for every gate set.
    """
    found = [*_names(design), *_links(design), *_sizes(design, system), *_surroundings(design)]
    if any("which is not a run" in problem.words for problem in found):
        # A run that nothing flows into follows from a name that was misspelt.
        found = [problem for problem in found if not problem.words.startswith("no port and no other run")]
    if not any(problem.severity == "error" for problem in found):
        found += _doubts(design, system)
    return tuple(sorted(found, key=lambda problem: problem.severity != "error"))


def _error(where: str, words: str) -> Problem:
    return Problem("error", where, words)


def _pieces(design: DuctDesign) -> list[Run | Port]:
    return [*design.runs, *design.ports]


def _label(piece: Run | Port) -> str:
    return f"{'run' if isinstance(piece, Run) else 'port'} {piece.name!r}"


def _names(design: DuctDesign) -> Iterator[Problem]:
    if not design.runs:
        yield _error("design", "there is no run; at least one must flow into the fan")
    if not design.ports:
        yield _error("design", "there is no port, so nothing lets air in")
    seen: set[str] = set()
    for piece in _pieces(design):
        if not piece.name.strip():
            yield _error(_label(piece), "has no name")
        elif piece.name == FAN:
            yield _error(_label(piece), f"{FAN!r} is the name of the fan inlet; give it another name")
        elif piece.name in seen:
            yield _error(_label(piece), "the name is used twice; every run and port needs a name of its own")
        seen.add(piece.name)


def _links(design: DuctDesign) -> Iterator[Problem]:
    runs = {run.name: run for run in design.runs}
    ports = {port.name for port in design.ports}
    known = ", ".join(repr(name) for name in runs)
    for piece in _pieces(design):
        where = _label(piece)
        if piece.into in runs and piece.into != piece.name:
            continue
        if piece.into == FAN:
            if isinstance(piece, Port):
                yield _error(where, "flows straight into the fan; draw a run between them, as short as it may be")
        elif piece.into == piece.name:
            yield _error(where, "flows into itself")
        elif piece.into in ports:
            yield _error(where, f"flows into the port {piece.into!r}, but a port is where air enters; name a run")
        elif not piece.into.strip():
            yield _error(where, f"feeds nothing; say which run it flows into (known: {known})")
        else:
            yield _error(where, f"flows into {piece.into!r}, which is not a run (known: {known}) nor {FAN!r}")
    last = [run.name for run in design.runs if run.into == FAN]
    if design.runs and not last:
        yield _error("design", f"no run flows into {FAN!r}")
    if len(last) > 1:
        names = ", ".join(repr(name) for name in last)
        yield _error(
            "design", f"{len(last)} runs flow into the fan ({names}); draw the inlet piece where they meet as a run"
        )
    yield from _loops(runs)
    fed = {piece.into for piece in _pieces(design)}
    for run in design.runs:
        if run.name not in fed:
            yield _error(_label(run), "no port and no other run flows into it; remove it or draw the port at its end")


def _loops(runs: dict[str, Run]) -> Iterator[Problem]:
    told: set[str] = set()
    for name in runs:
        path = [name]
        while runs[path[-1]].into in runs and runs[path[-1]].into not in path:
            path.append(runs[path[-1]].into)
        entered = runs[path[-1]].into
        if entered in path and len(path) > path.index(entered) + 1:
            loop = path[path.index(entered):]
            if not told.intersection(loop):
                told.update(loop)
                way = " -> ".join(repr(step) for step in (*loop, entered))
                yield _error(f"run {entered!r}", f"the runs go round in a loop ({way}) and never reach the fan")


def _positive(value: float, limit: float = math.inf) -> bool:
    return math.isfinite(value) and 0.0 < value <= limit


def _size(where: str, what: str, value: float, kind: str, limit: float, system: System) -> Iterator[Problem]:
    if math.isnan(value) or value == 0.0:
        yield _error(where, f"{what} is missing or zero")
    elif not _positive(value, limit):
        most = show(limit, kind, system)
        yield _error(where, f"{what} is {show(value, kind, system)}; it must be more than zero and at most {most}")


def _duct(where: str, diameter: float, roughness: float, length: float, system: System) -> Iterator[Problem]:
    yield from _size(where, "the inside diameter", diameter, "diameter", LARGEST_DIAMETER_M, system)
    yield from _size(where, "the length", length, "length", LONGEST_M, system)
    if not (math.isfinite(roughness) and roughness >= 0.0):
        yield _error(where, "the roughness must be zero or more")
    elif _positive(diameter) and roughness > NO_DUCT * diameter:
        yield _error(where, f"the roughness is more than {NO_DUCT:.0%} of the diameter, which is no duct")
    elif _positive(diameter) and roughness > ROUGHEST * diameter:
        yield Problem(
            "warning", where, f"the roughness is more than {ROUGHEST:.0%} of the diameter; its friction is a guess there"
        )


def _coefficient(where: str, what: str, value: float, least: float = 0.0) -> Iterator[Problem]:
    if not (math.isfinite(value) and value >= least):
        yield _error(where, f"{what} is {value:g}; it must be {least:g} or more")


def _sizes(design: DuctDesign, system: System) -> Iterator[Problem]:
    for piece in _pieces(design):
        where = _label(piece)
        yield from _duct(where, piece.diameter_m, piece.roughness_m, piece.length_m, system)
        yield from _coefficient(where, "the sum of the fittings' loss coefficients", piece.fittings_k)
        yield from _coefficient(where, "the leakage area", piece.leak_m2)
        if _positive(piece.diameter_m) and piece.leak_m2 > piece.area_m2:
            yield _error(where, "the leakage area is larger than the pipe")
        yield from _join(where, piece.join)
    for port in design.ports:
        yield from _opening(port, system)


def _opening(port: Port, system: System) -> Iterator[Problem]:
    where = _label(port)
    if port.hose is not None:
        yield from _duct(f"{where}, hose", port.hose.diameter_m, port.hose.roughness_m, port.hose.length_m, system)
    yield from _coefficient(where, "the loss coefficient of the opening", port.entry_k)
    if port.gate_k is not None:
        yield from _coefficient(where, "the loss coefficient of the open gate", port.gate_k)
    for what, rated in (("the opening", port.entry_flow), ("the shut gate", port.leak_flow)):
        if rated is not None and not (
            _positive(rated.flow_m3s) and _positive(rated.suction_pa) and _positive(rated.density_kgm3)
        ):
            yield _error(where, f"the flow stated for {what} needs a flow, a suction and a density above zero")
    rated = port.entry_flow
    if rated is not None and _positive(rated.flow_m3s) and _positive(port.diameter_m):
        area = math.pi / 4 * (port.hose or port).diameter_m ** 2
        least = 0.5 * rated.density_kgm3 * (rated.flow_m3s / area) ** 2
        if rated.suction_pa < least:
            yield _error(
                where, f"the suction stated for the opening ({show(rated.suction_pa, 'pressure', system)}) is less"
                f" than the velocity pressure of its flow there ({show(least, 'pressure', system)})",
            )
    if port.needs_m3s is not None and not _positive(port.needs_m3s):
        yield _error(where, "the flow that the machine needs must be above zero; leave it out where it is not known")


def _join(where: str, join: Join) -> Iterator[Problem]:
    spans = {"straight": (0.0, 0.0), "wye": (5.0, 90.0), "tee": (90.0, 90.0), "stated": (0.0, 90.0)}
    allowed = spans.get(join.kind)
    if join.kind == "stated":
        yield from _coefficient(where, "the stated loss of its junction", join.k, -1.0)
    if allowed is None:
        yield _error(where, f"joins as {join.kind!r}; allowed: {', '.join(repr(kind) for kind in spans)}")
    elif not allowed[0] <= join.angle_deg <= allowed[1]:
        span = f"{allowed[0]:g} degrees" if allowed[0] == allowed[1] else f"{allowed[0]:g} to {allowed[1]:g} degrees"
        yield _error(where, f"joins as {join.kind} at {join.angle_deg:g} degrees; allowed: {span}")


def _surroundings(design: DuctDesign) -> Iterator[Problem]:
    material = design.material
    for what, velocity in (("mains", material.main_velocity_ms), ("branches", material.branch_velocity_ms)):
        if not _positive(velocity):
            yield _error("material", f"the carrying velocity in {what} must be above zero")
    if not _positive(design.air.density_kgm3) or not _positive(design.air.viscosity_pas):
        yield _error("air", "density and viscosity must be above zero")
    straight: dict[str, list[str]] = {}
    for piece in _pieces(design):
        if piece.join.kind == "straight" and piece.into != FAN:
            straight.setdefault(piece.into, []).append(_label(piece))
    for into, names in straight.items():
        if len(names) > 1:
            both = "both" if len(names) == 2 else "all"
            yield _error(f"run {into!r}", f"{' and '.join(names)} {both} join straight on; only one can")


def _doubts(design: DuctDesign, system: System) -> Iterator[Problem]:
    runs = {run.name: run for run in design.runs}
    for run in design.runs:
        meeting = [piece for piece in _pieces(design) if piece.into == run.name]
        if len(meeting) >= CROWD:
            names = ", ".join(repr(piece.name) for piece in meeting)
            yield Problem(
                "warning", _label(run),
                f"has {len(meeting)} pieces that meet where it begins ({names}); where they join along it instead, one after"
                " the other, write how far along each does,",
            )
    for piece in _pieces(design):
        if piece.into == FAN:
            continue
        main = runs[piece.into]
        if (piece.end_diameter_m or piece.diameter_m) > _SAME_SIZE * max(main.start_diameter_m or 0.0, main.diameter_m):
            yield Problem(
                "warning", _label(piece),
                f"is larger ({show(piece.diameter_m, 'diameter', system)}) than the run {main.name!r} that it flows"
                f" into ({show(main.diameter_m, 'diameter', system)})",
            )
    for port in design.ports:
        if port.hose is not None and port.hose.diameter_m > _SAME_SIZE * port.diameter_m:
            yield Problem("warning", _label(port), "the hose is larger than the pipe that it flows into")
        if port.needs_m3s is not None and port.needs_m3s / port.area_m2 < _CLEARLY * design.material.branch_velocity_ms:
            velocity = port.needs_m3s / port.area_m2
            yield Problem(
                "warning", _label(port),
                f"the flow that the machine needs gives {show(velocity, 'velocity', system)} in its pipe, less than"
                f" carries the material ({show(design.material.branch_velocity_ms, 'velocity', system)})",
            )
