"""The order to walk a duct tree in, from the fan outwards, and what lies upstream of a run."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.duct.design import FAN, DuctDesign
from analysis.duct.network import DesignError, problems


@dataclass(frozen=True, slots=True)
class Tree:
    """A checked design in walking order.

    ``runs`` lists indices into ``design.runs``, every run after the one it flows into, the last run before the fan
    first. ``into`` gives for each run of that order the place in the order of the run that it flows into (-1: the fan),
    ``port_into`` the same for the ports in the order of the design. ``depth`` is the number of runs below each run.
    """

    runs: tuple[int, ...]
    into: tuple[int, ...]
    port_into: tuple[int, ...]
    depth: tuple[int, ...]


def tree(design: DuctDesign) -> Tree:
    """The walking order of a design. Raises :class:`DesignError` with every error of the design."""
    errors = [problem for problem in problems(design) if problem.severity == "error"]
    if errors:
        raise DesignError(errors)
    children: dict[str, list[int]] = {}
    for index, run in enumerate(design.runs):
        children.setdefault(run.into, []).append(index)
    order: list[int] = []
    depth: list[int] = []
    place: dict[str, int] = {FAN: -1}
    waiting = [(index, 0) for index in children[FAN]]
    while waiting:
        index, level = waiting.pop(0)
        place[design.runs[index].name] = len(order)
        order.append(index)
        depth.append(level)
        waiting += [(child, level + 1) for child in children.get(design.runs[index].name, [])]
    return Tree(
        runs=tuple(order),
        into=tuple(place[design.runs[index].into] for index in order),
        port_into=tuple(place[port.into] for port in design.ports),
        depth=tuple(depth),
    )


def upstream_ports(design: DuctDesign, run_name: str) -> tuple[str, ...]:
    """The ports whose air passes through a run, in the order of the design."""
    below = {run.name: run.into for run in design.runs}
    names = []
    for port in design.ports:
        at: str | None = port.into
        while at is not None and at not in (FAN, run_name):
            at = below.get(at)
        if at == run_name:
            names.append(port.name)
    return tuple(names)
