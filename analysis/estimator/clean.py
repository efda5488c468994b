"""The clean drag: what the drag of the bags is compared with, and where that figure comes from."""

from __future__ import annotations

import math
from collections.abc import Mapping

from analysis.baseline.model import Baseline
from analysis.duct.design import DuctDesign
from analysis.events import EventKind

LEARN_AFTER_S = 120.0
"""Running after a cleaning before the clean drag is learned: loose dust settles first (ours)."""
LEARN_FOR_S = 600.0
"""Running over which it is then averaged."""


class CleanDrag:
    """Logarithm of the clean drag (design's viscosity), its standard deviation, and its ``source``.

    From the design; better from a baseline with clean bags; better from the first cleaning, and anew from each set of
    new or washed bags. Later cleanings do not move it, so that drag that stays after them can be seen.
    """

    def __init__(self, design: DuctDesign, baseline: Baseline | None) -> None:
        self._design_sd = max(design.filter.uncertainty, 0.02)
        self.log_drag = math.log(design.filter.clean_drag_pasm3)
        self.sd = self._design_sd
        self.source = "design"
        if baseline is not None and baseline.clean and baseline.drag_pasm3 is not None:
            self.log_drag = math.log(baseline.drag_pasm3)
            self.sd = 0.02 if baseline.drag_sd is None else baseline.drag_sd / baseline.drag_pasm3
            self.source = "baseline"
        self._watched: float | None = None
        self._sum = 0.0
        self._weight = 0.0
        self._kind: EventKind | None = None

    def event(self, kind: EventKind) -> None:
        """The bags were cleaned or replaced."""
        self._kind = kind

    def watch(self) -> None:
        """The first readings after it are in: learn from what follows, unless a cleaning was learned before."""
        if self._kind is EventKind.REPLACED or self.source == "design":
            self._watched, self._sum, self._weight = 0.0, 0.0, 0.0
        self._kind = None

    def learn(self, log_drag: float, sd: float, seconds: float) -> None:
        """The drag now, after ``seconds`` more of running."""
        if self._watched is None:
            return
        self._watched += seconds
        if self._watched < LEARN_AFTER_S or sd > 0.2:
            return
        self._sum += log_drag
        self._weight += 1.0
        if self._watched >= LEARN_AFTER_S + LEARN_FOR_S:
            self.log_drag = self._sum / self._weight
            self.sd = sd
            self.source = "cleaning"
            self._watched = None

    def snapshot(self) -> dict[str, object]:
        """Plain values for a restart."""
        return {
            "log_drag": self.log_drag, "sd": self.sd, "source": self.source, "watched": self._watched, "sum": self._sum,
            "weight": self._weight}

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a :meth:`snapshot`, unless a newer baseline says better."""
        numbers = [data.get(key) for key in ("log_drag", "sd", "sum", "weight")]
        if data.get("source") != "cleaning" and self.source != "design":
            return
        if all(isinstance(n, int | float) for n in numbers) and isinstance(data.get("source"), str):
            self.log_drag, self.sd, self._sum, self._weight = (float(n) for n in numbers)  # type: ignore[arg-type]
            self.source = str(data["source"])
            watched = data.get("watched")
            self._watched = float(watched) if isinstance(watched, int | float) else None
