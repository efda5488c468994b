"""Carrying velocities against the published ranges."""

from __future__ import annotations

import pytest

from analysis.duct.material import CARRYING, DEFAULT
from analysis.units import FPM_MS


def test_carrying_velocities_are_the_published_ones() -> None:
    # ACGIH minimum duct design velocities (seen in a copy of the table), m/s there: 12-15, 15-20, 18-20, 20-23
    ranges = {row.material.split(":")[0].split(",")[0]: (row.low_ms, row.high_ms) for row in CARRYING}
    assert ranges["very fine light dust"] == pytest.approx((12.7, 15.24))
    assert ranges["average industrial dust"] == pytest.approx((17.78, 20.32))
    assert all(row.low_ms <= row.high_ms and row.source for row in CARRYING)
    # woodworking hoods: mains 3500, branches 4000 fpm (ACGIH VS-95 series, from memory)
    assert DEFAULT.main_velocity_ms / FPM_MS == pytest.approx(3500)
    assert DEFAULT.branch_velocity_ms / FPM_MS == pytest.approx(4000)
