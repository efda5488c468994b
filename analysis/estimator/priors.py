"""What is thought before a stretch of steady gates is measured: of the drag, and of each gate set."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from analysis.baseline.model import Baseline
from analysis.duct.design import DuctDesign
from analysis.estimator.clean import CleanDrag
from analysis.estimator.gatesets import Habit
from analysis.estimator.slow import Belief
from analysis.estimator.weigh import DragGuess, SetPriors, Verdict
from analysis.events import EventKind

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_GUESS_SD = 0.13
CHANGED = 0.01
"""Probability that a stretch begins with a drag that changed although nobody said so."""
DEPARTED = 0.01
"""Probability that it begins with a fault on the ducts (a plug, a leak, a half-open gate)."""
BROKEN = 0.003
"""Probability that it begins with a weak fan, and that it begins with a given channel reading wrong."""
BOTH = 0.1
"""Factor on these after a step, for the gates to have changed as well."""
SAME_AFTER_STEP = 0.02
"""Probability that a step was none: the same gates, drag and ducts."""
_IMPOSSIBLE = -1e6


class Stretch:
    """Steady readings between two steps: their mean so far, and what was made of it."""

    __slots__ = (
        "_count", "_early", "_sum", "began", "blocks", "mean", "previous", "stepped", "verdict", "weighed")

    def __init__(self, t: float, stepped: bool, previous: int | None) -> None:
        self.began = t
        self.stepped = stepped
        self.previous = previous
        self.blocks = 0
        self.weighed = -1
        self.verdict: Verdict | None = None
        self.mean: list[float | None] = [None] * 4
        self._sum = [0.0] * 4
        self._count = [0] * 4
        self._early = False

    def take(self, mean: Sequence[float | None], count: int, early: bool) -> None:
        """One more block of ``count`` frames. An early block only stands in until the first whole one."""
        if early:
            self._early = True
            self.mean = list(mean)
            return
        self.blocks += 1
        if self.blocks > 6:
            return
        for c, value in enumerate(mean):
            if value is not None:
                self._sum[c] += value * count
                self._count[c] += count
        self.mean = [s / n if n else None for s, n in zip(self._sum, self._count, strict=True)]

    def scale(self, factor: float) -> None:
        """Pressures are to be carried to another speed of the fan."""
        self._sum = [s if c == 2 else s * factor for c, s in enumerate(self._sum)]
        self.mean = [m if c == 2 or m is None else m * factor for c, m in enumerate(self.mean)]


def drag_guesses(
    prior: Belief | None, clean: CleanDrag, pending: EventKind | None, parts: int, shift: float,
    baseline: Baseline | None, names: Sequence[str] = (),
) -> list[DragGuess]:
    """What the drag may be, as a mixture: as tracked; after a cleaning near the clean drag; at first anything usual.

    The means are those of the table drag: ``shift`` carries them there.
    """
    nothing = np.zeros(parts)

    def at(log_drag: float, weight: float, sd: float = _GUESS_SD) -> DragGuess:
        return DragGuess(log_drag + shift, sd * sd, math.log(weight), nothing)

    if pending is not None or prior is None:
        centre = clean.log_drag
        first = max(clean.sd, 0.05)
        if pending is EventKind.REPLACED:
            guesses = [at(centre, 0.5, max(first, 0.1)), at(centre - 0.3, 0.2), at(centre + 0.3, 0.2)]
            return [*guesses, at(centre + 0.6, 0.1)]
        if pending is EventKind.CLEANED:
            guesses = [at(centre, 0.45, first), at(centre + 0.25, 0.3), at(centre - 0.25, 0.1)]
            guesses += [at(centre + step, 0.15 / 3.0) for step in (0.5, 0.75, 1.0)]
            return guesses
        if baseline is not None and baseline.drag_pasm3 is not None and "drag" in baseline.names:
            return _after_tour(baseline, names, shift)
        weights = ((-0.3, 0.05), (0.0, 0.4), (0.25, 0.2), (0.5, 0.15), (0.75, 0.1), (1.0, 0.06), (1.3, 0.04))
        return [at(centre + step, weight) for step, weight in weights]
    mean, variance = float(prior.mean[0]), float(prior.variance[0, 0])
    guesses = [DragGuess(mean + shift, variance, 0.0, prior.cross[0])]
    away = (-0.9, -0.6, -0.3, 0.3, 0.6)
    guesses += [
        DragGuess(mean + step + shift, variance + _GUESS_SD**2, -math.log(len(away)), prior.cross[0], changed=True)
        for step in away]
    return guesses


def _after_tour(baseline: Baseline, names: Sequence[str], shift: float) -> list[DragGuess]:
    """The drag of the tour, with what is uncertain in common with everything else that the tour found; or another
    day's."""
    assert baseline.drag_pasm3 is not None
    known = {name: i for i, name in enumerate(baseline.names)}
    row = baseline.covariance[known["drag"]]
    cross = np.array([row[known[name]] if name in known else 0.0 for name in names])
    variance = row[known["drag"]]
    mean = math.log(baseline.drag_pasm3) + shift
    guesses = [DragGuess(mean, variance + 0.03**2, math.log(0.6), cross)]
    for step, weight in ((-0.4, 0.04), (-0.2, 0.06), (0.2, 0.12), (0.4, 0.08), (0.6, 0.05), (0.9, 0.03), (1.2, 0.02)):
        guesses.append(DragGuess(mean + step, variance + _GUESS_SD**2, math.log(weight), cross))
    return guesses


def set_priors(
    sets: Bools, habit: Habit, stretch: Stretch, design: DuctDesign, gates: Mapping[str, bool] | None
) -> SetPriors:
    """Log probability of each gate set in the usual way, with a changed drag, and with a far departure.

    After a step the same set again is unlikely in the usual way, since something changed: then it is the drag, or the
    flow departed. Two things at once are rarer still. A gate that a sensor knows is as the sensor says.
    """
    base = habit.log_prior()
    usual, changed, departed = base.copy(), base + math.log(CHANGED), base + math.log(DEPARTED)
    broken = base + math.log(BROKEN)
    previous = stretch.previous
    if previous is not None and previous < len(base):
        if stretch.stepped:
            changed, departed, broken = (p + math.log(BOTH) for p in (changed, departed, broken))
            usual[previous] = math.log(SAME_AFTER_STEP)
            changed[previous], departed[previous] = math.log(CHANGED), math.log(DEPARTED)
            broken[previous] = math.log(BROKEN)
        else:
            for prior in (usual, changed, departed, broken):
                prior[previous] += math.log(2.0)
    if gates:
        wrong = np.zeros(len(sets), dtype=bool)
        for column, port in enumerate(design.ports):
            if port.has_gate and port.name in gates:
                wrong |= sets[:, column] != bool(gates[port.name])
        if not wrong.all():
            usual, changed, departed, broken = (
                np.where(wrong, _IMPOSSIBLE, p) for p in (usual, changed, departed, broken))
    return SetPriors(usual, changed, departed, broken)
