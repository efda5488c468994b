"""The separator stage: quadratic in flow, linear in density."""

from __future__ import annotations

import pytest

from analysis.duct.separator import Separator


def test_separator_is_quadratic_in_flow_and_linear_in_density() -> None:
    stage = Separator(500.0, 0.3, 1.2)
    assert stage.drop_scalar(0.3, 1.2) == pytest.approx(500.0)
    assert stage.drop_scalar(0.6, 1.2) == pytest.approx(2000.0)
    assert stage.drop_scalar(0.3, 0.9) == pytest.approx(375.0)
    assert stage.drop_scalar(-0.3, 1.2) == pytest.approx(-500.0)
    assert stage.drop_pa([0.3, -0.6], 1.2).tolist() == pytest.approx([500.0, -2000.0])
    with pytest.raises(ValueError, match="at_flow_m3s"):
        Separator(500.0, 0.0)
