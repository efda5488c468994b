"""Bags that cannot be. What bags lose is drag times flow: see ``test_solve``."""

from __future__ import annotations

import pytest

from analysis.duct.filter import FilterStage


@pytest.mark.parametrize(("area", "drag"), [(0.0, 800.0), (-1.0, 800.0), (4.0, 0.0), (4.0, -1.0), (float("nan"), 1.0)])
def test_impossible_bags_are_refused(area: float, drag: float) -> None:
    with pytest.raises(ValueError, match="must be more than zero"):
        FilterStage(area, drag)
