"""Gates that nobody reported: sets between which a change of the ducts could hide are compared as one group.

The estimator tells gate sets apart by the air that they draw. A change of the ducts moves that air as well, so that
afterwards it may take one gate for another; a comparison of what it calls "the lathe" before with what it calls "the
lathe" after would then find the change in the names and not in the readings. Sets whose flows lie closer together than
the changes that are looked for are therefore one group; which of them stood open then counts as chance, and widens the
interval.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from analysis.compare.stretch import Gates, Gathered
from analysis.duct.design import DuctDesign
from analysis.duct.solve import solve_many

NEAR = 0.07
"""Two gate sets whose flows differ by less, relative, could be taken for one another after a change (ours)."""


def regrouped(design: DuctDesign, sides: tuple[Gathered, Gathered]) -> tuple[Gathered, Gathered]:
    """Both sides with their unreported gate sets in groups that no change of usual size crosses."""
    loose = {g for side in sides for s in side.stretches if not s.marked for g in s.group}
    if not loose:
        return sides
    groups = clusters(design, loose, [s.group for side in sides for s in side.stretches if not s.marked])
    of = {gates: group for group in groups for gates in group}
    first, second = (
        replace(side, stretches=[
            s if s.marked else replace(s, group=of[s.group[0]], open_ports=of[s.group[0]][0]) for s in side.stretches])
        for side in sides)
    return first, second


def clusters(
    design: DuctDesign, sets: Iterable[Gates], together: Iterable[tuple[Gates, ...]] = ()
) -> list[tuple[Gates, ...]]:
    """Gate sets joined where their flows are near each other, or where they were taken for each other (``together``).

    The first of each group is the one in the middle of its flows: it stands for the group.
    """
    known = sorted(set(sets))
    gates = np.array([[p.name in opened or not p.has_gate for p in design.ports] for opened in known])
    log_flow = np.log(solve_many(design, gates).flow_m3s)
    parent = list(range(len(known)))

    def root(i: int) -> int:
        while parent[i] != i:
            i = parent[i]
        return i

    for group in together:
        for other in group[1:]:
            parent[root(known.index(other))] = root(known.index(group[0]))
    order = np.argsort(log_flow)
    for a, b in zip(order[:-1].tolist(), order[1:].tolist(), strict=True):
        if log_flow[b] - log_flow[a] < NEAR:
            parent[root(b)] = root(a)
    found: dict[int, list[int]] = {}
    for i in range(len(known)):
        found.setdefault(root(i), []).append(i)
    groups = []
    for members in found.values():
        ranked = sorted(members, key=lambda i: float(log_flow[i]))
        middle = ranked[len(ranked) // 2]
        groups.append((known[middle], *(known[i] for i in members if i != middle)))
    return groups
