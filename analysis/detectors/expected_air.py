"""What the drawing (or the baseline) gives at a gate set with clean bags: flows and velocities, solved once and kept."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass

from analysis.baseline.model import Baseline
from analysis.duct.design import AS_DRAWN, DuctDesign
from analysis.duct.points import OperatingPoint
from analysis.duct.solve import solve

KEPT = 64


@dataclass(frozen=True, slots=True)
class Section:
    """A run or port pipe in use: its velocity [m/s] with clean bags and the velocity that carries chips there."""

    name: str
    velocity_ms: float
    carrying_ms: float


@dataclass(frozen=True, slots=True)
class ExpectedAir:
    """One gate set with clean bags: total flow [m3/s], and the sections in use."""

    flow_m3s: float
    sections: tuple[Section, ...]


class AirBook:
    """Looks up gate sets; the last sixty-four are kept. A look-up that solves takes a quarter of a millisecond."""

    def __init__(self, design: DuctDesign, baseline: Baseline | None = None) -> None:
        self._design = design if baseline is None else baseline.design_as_built(design)
        self._built = AS_DRAWN if baseline is None else baseline.as_built
        self._names = frozenset(design.port_names)
        self._kept: OrderedDict[tuple[str, ...], ExpectedAir | None] = OrderedDict()

    def at(self, gates: tuple[str, ...]) -> ExpectedAir | None:
        """What these open ports give with clean bags; None for an empty set or a name that the design does not know."""
        if gates in self._kept:
            self._kept.move_to_end(gates)
            return self._kept[gates]
        found = self._solve(gates)
        self._kept[gates] = found
        if len(self._kept) > KEPT:
            self._kept.popitem(last=False)
        return found

    def _solve(self, gates: tuple[str, ...]) -> ExpectedAir | None:
        if not gates or not self._names.issuperset(gates):
            return None
        point = self.point(gates)
        states = [*point.runs.values(), *point.ports.values()]
        return ExpectedAir(point.flow_m3s, tuple(
            Section(s.name, s.velocity_ms, s.carrying_ms) for s in states if s.in_use and s.velocity_ms > 0.0))

    def point(self, gates: tuple[str, ...], drag_pasm3: float | None = None) -> OperatingPoint:
        """The operating point itself; ``drag_pasm3`` [Pa s/m3] of the bags, None: clean."""
        return solve(self._design, gates, filter_drag_pasm3=drag_pasm3, as_built=self._built)
