"""Where a replay's products go: findings and estimates as JSON Lines."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import TextIO

from analysis.estimates import Estimate
from analysis.events import ShopEvent
from analysis.findings import Finding
from analysis.readings import Frame
from daemon.alarms.types import AlarmState, Transition


def time_text(t: float) -> str:
    """Event time as ISO 8601 in UTC; with fractions only where there are any.

    >>> time_text(1772355600.0)
    '2026-03-01T09:00:00Z'
    """
    moment = datetime.fromtimestamp(t, UTC)
    return moment.strftime("%Y-%m-%dT%H:%M:%S") + (f".{moment.microsecond:06d}Z" if moment.microsecond else "Z")


class FileSink:
    """Writes one line per finding raised or cleared, and one line per estimate."""

    def __init__(self, findings: TextIO | None, estimates: TextIO | None) -> None:
        self._findings = findings
        self._estimates = estimates
        self.raised = 0
        self.alarms = 0

    def frame(self, frame: Frame, estimate: Estimate) -> None:
        """An estimate line (written by hand: it is the hot path of a replay). Where the fan gives less or more than it
        should, or a channel was left out, the line says so in ``fan_strength`` (1 is right) or ``doubtful``."""
        if self._estimates is None:
            return
        gates = estimate.gates
        strength, more = estimate.fan_strength, ""
        if strength is not None and strength != 1.0:
            more = f',"fan_strength":{_number(strength)}'
        if estimate.doubtful:
            more += f',"doubtful":{json.dumps(list(estimate.doubtful))}'
        self._estimates.write(
            f'{{"t":"{time_text(frame.t)}","flow_m3s":{_number(estimate.flow_m3s)},'
            f'"flow_sd":{_number(estimate.flow_sd)},"filter_drag":{_number(estimate.filter_drag)},'
            f'"gates":{"null" if gates is None else json.dumps(list(gates))}{more}}}\n'
        )

    def run(self, began_t: float, ended_t: float | None) -> None:
        """Runs are not written."""

    def finding(self, finding: Finding, raised: bool) -> None:
        """A finding line."""
        self.raised += raised
        if self._findings is None:
            return
        document = {
            "t": time_text(finding.t),
            "condition": finding.condition.value,
            "state": "raised" if raised else "cleared",
            "where": finding.where,
            "confidence": round(finding.confidence, 4),
            "since": None if finding.since is None else time_text(finding.since),
            "evidence": {name: item.value for name, item in finding.evidence.items()},
        }
        self._findings.write(json.dumps(document) + "\n")

    def transition(self, transition: Transition) -> None:
        """Alarms are counted, not written: a recording has no owner who acknowledges."""
        self.alarms += transition.after is AlarmState.UNACKNOWLEDGED

    def event(self, event: ShopEvent) -> None:
        """Recognised events are not written."""


def _number(value: float | None) -> str:
    return "null" if value is None else f"{value:.7g}"
