"""Bags against the handbook's equations and published figures."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.duct.filter import FilterStage, load_after
from analysis.units import FOOT_M, FPM_MS, INWG_PA, POUND_KG

DRAG_UNIT = INWG_PA / FPM_MS
"""1 in. w.g. per fpm = 49033.25 Pa s/m."""
LOAD_UNIT = POUND_KG / FOOT_M**2
K2_UNIT = DRAG_UNIT / LOAD_UNIT
"""1 in. w.g. per (fpm lb/ft2) = 10042.8 1/s."""


def test_units_of_drag() -> None:
    # definitions; recomputed
    assert pytest.approx(49033.25, abs=1) == DRAG_UNIT
    assert pytest.approx(10042.8, abs=0.1) == K2_UNIT


@pytest.mark.parametrize(
    ("se", "k2", "load", "face_fpm", "inches"),
    # S = Se + K2 W, dp = S V (form of the EPA cost manual, from memory; our numbers). 6.30 is a published K2 of wood
    # dust (older US manuals, as reprinted in an air pollution handbook)
    [(0.2, 5.0, 0.10, 8.0, 5.60), (0.1, 6.30, 0.02, 20.0, 4.52)],
)
def test_drop_over_loaded_bags(se: float, k2: float, load: float, face_fpm: float, inches: float) -> None:
    area = 48 * FOOT_M**2
    bags = FilterStage(area, se * DRAG_UNIT / area)
    drag = bags.drag_with_load(load * LOAD_UNIT, k2 * K2_UNIT)
    drop = float(bags.drop_pa(face_fpm * FPM_MS * area, drag))
    assert drop / INWG_PA == pytest.approx(inches, rel=1e-6)


def test_load_gathered_in_an_hour() -> None:
    # 5 gr/ft3, 8 fpm, 60 min: 0.342857 lb/ft2
    grains = 5 * POUND_KG / 7000 / FOOT_M**3
    assert load_after(grains, 8 * FPM_MS, 3600.0) / LOAD_UNIT == pytest.approx(0.342857, rel=1e-6)


def test_drop_is_linear_in_flow() -> None:
    bags = FilterStage(4.46, 878.0)
    assert bags.drop_pa([0.1, 0.2, 0.4]).tolist() == pytest.approx([87.8, 175.6, 351.2])
    assert bags.drop_pa(0.2, [878.0, 1756.0]).tolist() == pytest.approx([175.6, 351.2])
    assert bags.clean_area_drag_pasm == pytest.approx(878.0 * 4.46)


def test_textbook_fit_of_drag() -> None:
    # V 0.9 m/min, L 5 g/m3; 20, 30, 60 min: 610, 690, 990 Pa (data from memory) -> S = 456.41 + 2.3742 W, least squares
    loads = np.array([load_after(5e-3, 0.9 / 60, 60.0 * minutes) for minutes in (20, 30, 60)])
    drags = np.array([610.0, 690.0, 990.0]) / 0.9
    slope, start = np.polyfit(loads * 1000, drags, 1)
    assert (start, slope) == (pytest.approx(456.41, rel=1e-3), pytest.approx(2.3742, rel=1e-3))
    bags = FilterStage(1.0, start * 60)
    assert float(bags.drop_pa(0.015, bags.drag_with_load(0.135, slope * 60e3))) == pytest.approx(690.0, rel=0.02)


@pytest.mark.parametrize(("area", "drag"), [(0.0, 800.0), (-1.0, 800.0), (4.0, 0.0), (4.0, -1.0), (float("nan"), 1.0)])
def test_impossible_bags_are_refused(area: float, drag: float) -> None:
    with pytest.raises(ValueError, match="must be more than zero"):
        FilterStage(area, drag)
    with pytest.raises(ValueError, match="cannot be negative"):
        FilterStage(1.0, 1.0).drag_with_load(-0.1, 1.0)
