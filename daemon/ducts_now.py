"""The air in every run and port now: the duct model at the gates and the drag that are estimated, scaled to the flow."""

from __future__ import annotations

from dataclasses import dataclass, field

from analysis.baseline.model import Baseline
from analysis.duct.design import AS_DRAWN, DuctDesign
from analysis.duct.points import SectionState
from analysis.duct.solve import solve
from analysis.estimates import Estimate
from analysis.readings import Frame, RunState
from daemon.documents import Document

SMALL = 0.02
"""A drag within this share of the last one solved for gives the same picture."""


@dataclass
class DuctsNow:
    """Keeps the last solution: gates and drag change seldom, the picture is asked for often."""

    design: DuctDesign
    _baseline: Baseline | None = field(default=None, init=False)
    _gates: tuple[str, ...] | None = field(default=None, init=False)
    _drag: float = field(default=0.0, init=False)
    _states: dict[str, SectionState] = field(default_factory=dict, init=False)
    _slow_by_design: frozenset[str] = field(default=frozenset(), init=False)
    _flow: float = field(default=1.0, init=False)
    _drawn: Document = field(default_factory=dict, init=False)

    def document(self, frame: Frame, estimate: Estimate, baseline: Baseline | None = None) -> Document | None:
        """The status document "ducts"; None while the fan does not run steadily or the gates are not known."""
        if baseline is not self._baseline:
            self._baseline, self._gates = baseline, None
        gates = estimate.gates
        if frame.gates is not None and all(name in frame.gates for name in self.design.port_names):
            gates = tuple(name for name in self.design.port_names if frame.gates[name])
        drag, flow = estimate.filter_drag, estimate.flow_m3s
        if frame.state is not RunState.RUNNING or gates is None or drag is None or flow is None:
            return None
        if gates != self._gates or abs(drag - self._drag) > SMALL * self._drag:
            self._solve(gates, drag)
        scale = flow / self._flow
        return {
            "t": frame.t,
            "open": list(gates),
            "drawn": self._drawn,
            "pieces": {
                name: {
                    "flow_m3s": state.flow_m3s * scale,
                    "velocity_ms": state.velocity_ms * scale,
                    "carrying_ms": state.carrying_ms,
                    "static_pa": state.static_pa,
                    "by_design": name in self._slow_by_design,
                    "in_use": state.in_use,
                }
                for name, state in self._states.items()
            },
        }

    def _solve(self, gates: tuple[str, ...], drag: float) -> None:
        stands = self.design if self._baseline is None else self._baseline.design_as_built(self.design)
        as_built = AS_DRAWN if self._baseline is None else self._baseline.as_built
        point = solve(stands, gates, filter_drag_pasm3=drag, as_built=as_built)
        drawn = solve(self.design, gates)
        self._gates, self._drag, self._flow = gates, drag, point.flow_m3s
        self._states = {**point.runs, **point.ports}
        self._drawn = {"flow_m3s": drawn.flow_m3s, "inlet_pa": drawn.inlet_pa, "filter_pa": drawn.filter_pa}
        self._slow_by_design = frozenset(
            name for name, state in {**drawn.runs, **drawn.ports}.items() if state.velocity_ms < state.carrying_ms
        )
