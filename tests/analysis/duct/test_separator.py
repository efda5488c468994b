"""The separator stage: quadratic in flow, linear in density."""

from __future__ import annotations

import pytest

from analysis.duct.separator import Separator


def test_a_separator_loses_what_is_stated_at_its_flow_and_density() -> None:
    stage = Separator(500.0, 0.3, 1.2)
    assert stage.coefficient * 1.2 * 0.3**2 == pytest.approx(500.0)
    with pytest.raises(ValueError, match="at_flow_m3s"):
        Separator(500.0, 0.0)
