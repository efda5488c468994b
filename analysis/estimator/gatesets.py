"""Which gate sets are thought possible, and how likely each is before anything is measured."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]

FULL_UP_TO = 10
"""Up to this many gates every set is thought of; with more gates, sets of up to ``OPEN_AT_MOST`` and all open."""
OPEN_AT_MOST = 3

_BY_COUNT = (0.04, 0.62, 0.24, 0.07, 0.02)
_HABIT_WEIGHT = 6.0
_HABIT_LIMIT = 60.0


def gate_sets(gated: Sequence[bool]) -> Bools:
    """The gate sets (rows) over the ports (columns); a port without a gate is open in every row.

    Ordered by number of open gates. ``gated`` says for each port whether it can be shut.

    >>> gate_sets([True, True, False]).astype(int).tolist()
    [[0, 0, 1], [1, 0, 1], [0, 1, 1], [1, 1, 1]]
    """
    movable = [i for i, has_gate in enumerate(gated) if has_gate]
    most = len(movable) if len(movable) <= FULL_UP_TO else OPEN_AT_MOST
    rows = [combination for count in range(most + 1) for combination in itertools.combinations(movable, count)]
    if most < len(movable):
        rows.append(tuple(movable))
    sets = np.zeros((len(rows), len(gated)), dtype=bool)
    for row, combination in enumerate(rows):
        sets[row, list(combination)] = True
    sets[:, [i for i, has_gate in enumerate(gated) if not has_gate]] = True
    return sets


class Habit:
    """How often each gate set was met: the owner's habits, learned from runs in which the set was clear.

    Before anything is learned a single open gate is most likely, two gates less so, and more are rare (ours: a
    one-person shop has one machine running). Each clear stretch counts once however long it lasts, so that one long day
    does not drown the rest; counts fade so that habits may change.
    """

    def __init__(self, sets: Bools, gated: Sequence[bool]) -> None:
        self._gated = np.asarray(gated, dtype=bool)
        self._counts: dict[bytes, float] = {}
        self._prior(sets)

    def _prior(self, sets: Bools) -> None:
        self._sets = sets
        opened = sets[:, self._gated].sum(axis=1)
        sizes = np.bincount(opened, minlength=int(opened.max(initial=0)) + 1)
        weight = np.array([_BY_COUNT[min(int(n), len(_BY_COUNT) - 1)] / sizes[n] for n in opened])
        self._base = weight / weight.sum()
        self._log: Floats | None = None

    def extend(self, sets: Bools) -> None:
        """The list of sets has grown."""
        self._prior(sets)

    def log_prior(self) -> Floats:
        """Log of the probability of each set."""
        if self._log is None:
            weight = self._base * _HABIT_WEIGHT
            if self._counts:
                index = {row.tobytes(): i for i, row in enumerate(self._sets)}
                for key, count in self._counts.items():
                    if key in index:
                        weight[index[key]] += count
            self._log = np.log(weight / weight.sum())
        return self._log

    def learn(self, row: int, weight: float) -> None:
        """Set ``row`` was met once, with probability ``weight``."""
        key = self._sets[row].tobytes()
        self._counts[key] = self._counts.get(key, 0.0) + weight
        total = sum(self._counts.values())
        if total > _HABIT_LIMIT:
            self._counts = {k: c * _HABIT_LIMIT / total for k, c in self._counts.items() if c > 0.02}
        self._log = None

    def snapshot(self, names: Sequence[str]) -> list[dict[str, object]]:
        """Plain values for a restart."""
        return [
            {"open": [n for n, o in zip(names, np.frombuffer(key, dtype=bool), strict=True) if o], "count": count}
            for key, count in self._counts.items()
        ]

    def restore(self, names: Sequence[str], data: Sequence[Mapping[str, object]]) -> None:
        """Take back a :meth:`snapshot`; sets with ports that no longer exist are left out."""
        self._counts = {}
        known = set(names)
        for entry in data:
            opened, count = entry.get("open"), entry.get("count")
            if isinstance(opened, list) and isinstance(count, int | float) and set(opened) <= known and count > 0.0:
                row = np.array([name in opened for name in names], dtype=bool)
                self._counts[row.tobytes()] = float(count)
        self._log = None
