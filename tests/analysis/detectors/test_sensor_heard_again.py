"""A node that is silent for a minute and speaks again soon has no claim any more: shorter than the alarm's own delay."""

from __future__ import annotations

from analysis.blocks import BlockBuilder
from analysis.conditions import Condition
from analysis.detectors.sensor_fault import SensorFault
from analysis.estimates import Estimate
from analysis.findings import Claim
from analysis.readings import Frame, Quality, RunState
from daemon.alarms.settings import DEFAULT_RULES

CHANNELS = ("inlet_pa", "filter_pa", "motor_a")


def test_a_minute_of_silence_raises_no_alarm() -> None:
    detector = SensorFault(CHANNELS, 11.2)
    builder = BlockBuilder()
    claims: list[float] = []
    for second in range(400):
        t, shake = float(second), 1.0 + 0.01 * ((second * 7) % 5 - 2)
        values = {"inlet_pa": -2500.0 * shake, "filter_pa": 280.0 * shake, "motor_a": 9.2 * shake}
        quality: dict[str, Quality] = {}
        if 100 <= second < 165:
            quality = dict.fromkeys(CHANNELS, Quality.SILENT)
            values = {}
        block = builder.add(Frame(t, values, quality, state=RunState.RUNNING, run_s=100.0 + t), Estimate(t))
        if block is None:
            continue
        detector.update(block)
        if any(finding.claim is Claim.PRESENT for finding in detector.findings()):
            claims.append(t)
    assert claims, "a minute without any reading is claimed"
    assert claims[-1] - claims[0] < DEFAULT_RULES[Condition.SENSOR_FAULT].on_s
    assert claims[-1] < 165 + 60
