"""What the daemon tells the dashboard and the broker about itself: dataclasses -> plain JSON documents, all SI."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

from analysis.baseline.model import Baseline
from analysis.conditions import TEXTS
from analysis.duct.design import AS_DRAWN, DuctDesign
from analysis.duct.points import SectionState
from analysis.duct.solve import every_gate_set, solve, solve_many
from analysis.estimates import Estimate
from analysis.findings import Finding
from analysis.readings import CHANNELS, Frame, RunState
from daemon.outlets.contract import OutletHealth
from daemon.sources.contract import SourceHealth

if TYPE_CHECKING:
    from daemon.config.config import Config

Document = dict[str, Any]

LOADED = 2.5
"""A screen shows filter pressures up to this many times the largest with clean bags."""


def now_document(frame: Frame, estimate: Estimate) -> Document:
    """The latest frame with its estimate."""
    return {
        "t": frame.t,
        "state": frame.state.value,
        "run_s": frame.run_s,
        "values": dict(frame.values),
        "quality": {channel: quality.value for channel, quality in frame.quality.items()},
        "gates": None if frame.gates is None else dict(frame.gates),
        "estimate": estimate_document(estimate),
        "expected": {
            channel: {"value": expected.value, "sd": expected.sd} for channel, expected in estimate.expected.items()
        },
    }


def estimate_document(estimate: Estimate) -> Document:
    """An estimate without its expected values."""
    return {
        "flow_m3s": estimate.flow_m3s,
        "flow_sd": estimate.flow_sd,
        "filter_drag": estimate.filter_drag,
        "filter_drag_sd": estimate.filter_drag_sd,
        "drag_ratio": estimate.drag_ratio,
        "flow_lost": estimate.flow_lost,
        "duct_resistance": estimate.duct_resistance,
        "gates": None if estimate.gates is None else list(estimate.gates),
        "gate_probability": estimate.gate_probability,
        "alternatives": [
            {"open": list(other.open_ports), "probability": other.probability} for other in estimate.alternatives
        ],
        "residual": dict(estimate.residual),
        "along": estimate.along,
        "along_sd": estimate.along_sd,
        "off": estimate.off,
        "air_density_kgm3": estimate.air_density_kgm3,
        "fan_strength": estimate.fan_strength,
        "doubtful": list(estimate.doubtful),
        "notes": list(estimate.notes),
    }


def finding_document(finding: Finding) -> Document:
    """One claim with its evidence and words."""
    text = TEXTS[finding.condition]
    return {
        "t": finding.t,
        "condition": finding.condition.value,
        "title": text.title,
        "claim": finding.claim.value,
        "where": finding.where,
        "confidence": finding.confidence,
        "since": finding.since,
        "evidence": {
            name: {"value": item.value, "kind": item.kind, "words": item.words}
            for name, item in finding.evidence.items()
        },
        "could_be": list(finding.could_be),
        "action": finding.action or text.action,
        "reason": finding.reason,
        "forecast_s": finding.forecast_s,
        "forecast_low_s": finding.forecast_low_s,
        "forecast_high_s": finding.forecast_high_s,
        "explained_by": None if finding.explained_by is None else finding.explained_by.value,
    }


def source_document(health: SourceHealth) -> Document:
    """How one source is doing."""
    return {
        "name": health.name,
        "kind": health.kind,
        "state": health.state,
        "connected": health.connected,
        "opened": health.opened,
        "samples": health.samples,
        "refused": dict(health.refused),
        "unknown_channels": dict(health.unknown_channels),
        "last_t": health.last_t,
        "last_error": health.last_error,
        "dropped": health.dropped,
    }


def outlet_document(health: OutletHealth) -> Document:
    """How one outlet is doing."""
    return asdict(health)


def shop_document(config: Config) -> Document:
    """The shop as drawn: names, ducts for the map, filter, motor, fitted channels and their design range."""
    design = config.design
    fitted = {spec.channel for spec in config.sensors}
    points = solve_many(design, every_gate_set(design))
    ranges: dict[str, Document] = {}
    for channel, column in (
        ("inlet_pa", points.inlet_pa), ("filter_pa", points.filter_pa), ("motor_a", points.motor_a),
    ):
        if column is not None:
            low, high = float(column.min()), float(column.max())
            ranges[channel] = {"low": min(low, 0.0), "high": max(0.0, high * LOADED if channel == "filter_pa" else high)}
    return {
        "name": config.file.shop.name,
        "units": config.units,
        "channels": {name: {"fitted": name in fitted} for name in CHANNELS},
        "design": ranges,
        "material": asdict(design.material),
        "runs": [
            {
                "name": run.name, "into": run.into, "diameter_m": run.diameter_m, "length_m": run.length_m,
                "join": run.join.kind, "angle_deg": run.join.angle_deg,
            }
            for run in design.runs
        ],
        "ports": [
            {
                "name": port.name, "into": port.into, "diameter_m": port.diameter_m, "length_m": port.length_m,
                "hose_m": None if port.hose is None else port.hose.length_m, "has_gate": port.has_gate,
                "needs_m3s": port.needs_m3s, "join": port.join.kind, "angle_deg": port.join.angle_deg,
            }
            for port in design.ports
        ],
        "fan": {
            "points": [
                [point.flow_m3s, point.static_pa, point.shaft_w] for point in design.fan.points
            ],
            "at_speed_rpm": design.fan.at_speed_rpm,
            "speed_rpm": design.fan.speed_rpm,
            "at_density_kgm3": design.fan.at_density_kgm3,
            "uncertainty": design.fan.uncertainty,
            "generic": design.fan.generic,
        },
        "filter": {
            "area_m2": design.filter.area_m2,
            "clean_drag_pasm3": design.filter.clean_drag_pasm3,
            "clean_at_drag_ratio": design.filter.clean_at_drag_ratio,
            "clean_at_flow_lost": design.filter.clean_at_flow_lost,
        },
        "motor": None if design.motor is None else {
            "full_load_a": design.motor.full_load_a, "power_w": design.motor.power_w,
        },
        "warnings": list(config.warnings),
    }


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
