"""A pressure beyond what the fan can give names its sensor; what the fan can give does not."""

from __future__ import annotations

import pytest

from analysis.blocks import BlockBuilder
from analysis.detectors.sensor_fault import SensorFault
from analysis.estimates import Estimate
from analysis.findings import Claim
from analysis.readings import Frame, RunState
from tests.bench.shops import drawn_barn

CHANNELS = ("inlet_pa", "filter_pa", "motor_a")
INWG_PA = 249.089
"""One conventional inch of water (NIST SP 811, appendix B.8: 2.490 889 E+02; from memory)."""


def claimed(inlet_pa: float, filter_pa: float) -> set[str]:
    """The channels claimed after two minutes of running at these readings, which scatter by a percent."""
    _, design = drawn_barn()
    detector = SensorFault(CHANNELS, 11.2, design.fan)
    builder = BlockBuilder()
    for second in range(120):
        shake = 1.0 + 0.01 * ((second * 7) % 5 - 2)
        values = {"inlet_pa": inlet_pa * shake, "filter_pa": filter_pa * shake, "motor_a": 9.2 * shake}
        block = builder.add(Frame(float(second), values, state=RunState.RUNNING, run_s=100.0 + second), Estimate(float(second)))
        if block is not None:
            detector.update(block)
    return {finding.where for finding in detector.findings() if finding.claim is Claim.PRESENT}


@pytest.mark.parametrize(("inlet_pa", "filter_pa", "names"), [
    (-2500.0, 280.0, set()),
    (-2500.0 * INWG_PA / 98.0665, 280.0, {"inlet_pa"}),  # inches taken for centimetres of water
    (-2500.0, 280.0 * INWG_PA, {"filter_pa"}),  # pascals taken for inches of water
])
def test_more_than_the_fan_gives_names_the_sensor(inlet_pa: float, filter_pa: float, names: set[str]) -> None:
    assert claimed(inlet_pa, filter_pa) == names


def test_a_fan_at_its_highest_pressure_in_the_cold_is_believed() -> None:
    _, design = drawn_barn()
    # Air of -20 degrees is 273+20 over 273-20 times as thick, and the curve may be one standard deviation low.
    highest = design.fan.most_pa * 293.0 / 253.0 * (1.0 + design.fan.uncertainty)
    assert claimed(-highest, 20.0) == set()
