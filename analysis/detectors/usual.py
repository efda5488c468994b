"""What is usual at each gate set: the departure of the flow that no fault explains, because the drawing is a drawing."""

from __future__ import annotations

import math

from analysis.detectors.numbers import number

MOST_SETS = 48
ENOUGH = 3
"""Stretches from which the usual departure of a gate set is believed."""
MEMORY = 20
OWN_SD = 0.02
"""Standard deviation of a stretch's departure about the usual one: hoses lie differently, chips fly (ours)."""


class Usual:
    """Mean and spread of the departure per gate set, one sample a stretch, with fading memory. Constant memory."""

    def __init__(self) -> None:
        self._sets: dict[tuple[str, ...], tuple[float, float, float]] = {}

    def learn(self, gates: tuple[str, ...], departure: float) -> None:
        """One stretch of ordinary running with these gates."""
        n, mean, spread = self._sets.pop(gates, (0.0, 0.0, 0.0))
        n = min(n + 1.0, MEMORY)
        gap = departure - mean
        mean += gap / n
        spread += (gap * (departure - mean) - spread) / n
        self._sets[gates] = (n, mean, spread)  # the newest at the end
        if len(self._sets) > MOST_SETS:
            self._sets.pop(next(iter(self._sets)))

    def at(self, gates: tuple[str, ...]) -> tuple[float, float] | None:
        """Usual departure and the standard deviation of a new one about it; None where too little was seen."""
        found = self._sets.get(gates)
        if found is None or found[0] < ENOUGH:
            return None
        n, mean, spread = found
        return mean, math.sqrt((OWN_SD**2 + spread) * (1.0 + 1.0 / n))

    @property
    def any(self) -> bool:
        """Whether any gate set is known."""
        return any(row[0] >= ENOUGH for row in self._sets.values())

    def snapshot(self) -> list[object]:
        """Plain JSON values."""
        return [[list(gates), *row] for gates, row in self._sets.items()]

    def restore(self, data: object) -> None:
        """Take back a snapshot; rows of an unknown shape are left out."""
        self._sets = {}
        for row in data if isinstance(data, list) else []:
            if not isinstance(row, list) or len(row) != 4 or not isinstance(row[0], list):
                continue
            values = [number(item) for item in row[1:]]
            if None not in values and len(self._sets) < MOST_SETS:
                self._sets[tuple(map(str, row[0]))] = tuple(v for v in values if v is not None)  # type: ignore[assignment]


def plain_words(gates: tuple[str, ...]) -> str:
    """The open ports in words.

    >>> plain_words(("planer",)), plain_words(("planer", "lathe")), plain_words(())
    ('planer', 'planer or lathe', 'a run')
    """
    return " or ".join(gates) if gates else "a run"
