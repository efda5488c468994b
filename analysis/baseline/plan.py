"""Which gates a tour sets, step by step."""

from __future__ import annotations

from analysis.duct.design import DuctDesign


def plan(design: DuctDesign, pairs: int = 3) -> tuple[tuple[str, ...], ...]:
    """The gate sets of a tour: all shut, each gate alone, then up to ``pairs`` pairs that share as little duct as they
    can. Ports without a gate are open in every step and are not named.

    A design without any gate has a single step.
    """
    gated = [p.name for p in design.ports if p.has_gate]
    steps: list[tuple[str, ...]] = [(), *((name,) for name in gated)]
    into = {r.name: r.into for r in design.runs}
    start = {p.name: p.into for p in design.ports}

    def path(port: str) -> set[str]:
        found, run = set(), start[port]
        while run in into:
            found.add(run)
            run = into[run]
        return found

    couples = [(a, b) for i, a in enumerate(gated) for b in gated[i + 1:]]
    used: dict[str, int] = dict.fromkeys(gated, 0)
    for _ in range(min(pairs, len(couples))):
        # Fewest shared runs first, and ports not yet in a pair before others; order of the design decides the rest.
        best = min(couples, key=lambda c: (used[c[0]] + used[c[1]], len(path(c[0]) & path(c[1]))))
        couples.remove(best)
        used[best[0]] += 1
        used[best[1]] += 1
        steps.append(best)
    return tuple(steps)
