"""What the daemon tells the dashboard and the broker about itself: dataclasses -> plain JSON documents, all SI."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from analysis.conditions import TEXTS
from analysis.estimates import Estimate
from analysis.findings import Finding
from analysis.readings import Frame
from daemon.sources.contract import SourceHealth

Document = dict[str, Any]


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


def findings_document(t: float, findings: Iterable[Finding]) -> Document:
    """Every detector's claim."""
    return {"t": t, "claims": [finding_document(finding) for finding in findings]}


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
