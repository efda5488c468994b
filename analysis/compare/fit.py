"""The fit to both periods, over what nobody said: which run was cut into, and which stretches to leave out.

Each run that may have been cut into is a fit of its own, weighed by its evidence. A stretch that fits nothing (probably
another gate was open) is left out, and all are fitted again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis.baseline.model import Baseline
from analysis.compare.fitted import HOSE_SDS, Fit, Fits
from analysis.compare.problem import NotEnough, Problem
from analysis.compare.solve import solve
from analysis.compare.stretch import Stretch
from analysis.compare.unknowns import Assumed
from analysis.duct.design import DuctDesign


def fit(
    design: DuctDesign, before: Sequence[Stretch], after: Sequence[Stretch], *, baseline: Baseline | None = None,
    assumed: Assumed | None = None,
) -> Fits:
    """Fit both periods. Only gate sets seen in both are used.

    Where nobody said which run was cut into, each in turn is supposed, and weighed by how well it explains the data.
    Raises :class:`NotEnough` (a ValueError) where no gate set is in both, or no channel that the design speaks of; and
    ValueError for a run or port that the design does not have.
    """
    said = assumed or Assumed()
    unknown = [*(set(said.joined) - set(design.run_names)), *(set(said.changed_ports) - set(design.port_names))]
    if unknown:
        raise ValueError(f"the drawing has no run or port {', '.join(sorted(unknown))}")
    groups = {s.group for s in before} & {s.group for s in after}
    if not before or not after:
        raise NotEnough(f"there is no usable running {'before' if not before else 'after'} the change")
    if not groups:
        raise NotEnough(
            "no gate set was used both before and after: "
            f"before {_listed(before)}; after {_listed(after)}")
    rows = [(s, 0) for s in before if s.group in groups] + [(s, 1) for s in after if s.group in groups]
    cuts = [said] if said.joined else [Assumed((name,), said.changed_ports) for name in design.run_names]
    first = _weighed([Problem(design, baseline, rows, cut) for cut in cuts])
    strange = _strange(Problem(design, baseline, rows, cuts[int(np.argmax(first.weight))]), first.best)
    # A gate set's only stretch of a side stays: without it there would be nothing to tell of that set.
    strange = {
        i for i in strange
        if any(j not in strange and side == rows[i][1] and s.group == rows[i][0].group for j, (s, side) in enumerate(rows))}
    kept = [row for i, row in enumerate(rows) if i not in strange]
    if not strange or not {s.group for s, k in kept if k == 0} & {s.group for s, k in kept if k == 1}:
        return first
    again = _weighed([Problem(design, baseline, kept, cut) for cut in cuts])
    dropped = tuple(rows[i][0] for i in sorted(strange))
    return Fits(tuple(replace(one, dropped=dropped) for one in again.fits), again.weight)


def _weighed(problems: Sequence[Problem]) -> Fits:
    fits = tuple(solve(problem) for problem in problems)
    evidence = np.array([one.evidence for one in fits])
    weight = np.exp(evidence - evidence.max())
    return Fits(fits, weight / weight.sum())


def _strange(problem: Problem, found: Fit) -> set[int]:
    """Stretches that no hose and no weather explains: probably another gate was open. At most one in ten."""
    value, _ = problem.predicted(found.value, (found.before, found.after))
    scores = []
    lay = problem.layout
    for i, channels in enumerate(problem.channels):
        gap = problem.seen[i] - value[i, channels]
        hose = [place for _, place in lay.hose_of[i]]
        size = float(np.max(np.abs(problem.whiten[i] @ gap)))
        lie = max((abs(found.value[p]) / HOSE_SDS[found.best] for p in hose), default=0.0)
        scores.append((max(size / 5.0, lie / 4.0), i))
    worst = sorted(scores, reverse=True)[: len(scores) // 10]
    return {i for score, i in worst if score > 1.0}


def _listed(stretches: Sequence[Stretch]) -> str:
    sets = sorted({" or ".join(" and ".join(g) if g else "all gates shut" for g in s.group) for s in stretches})
    return ", ".join(sets) if sets else "nothing"
