"""The column of water against published densities, another formula, and numpy's least squares."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis import units
from analysis.utube import (
    KnownPoint,
    column_height,
    column_pressure,
    column_sd,
    fit_line,
    local_gravity,
    water_density,
)


def kell(t: float) -> float:
    """Kell 1975, *J. Chem. Eng. Data* 20, 97 (constants seen in two public sources); IPTS-68, 5 ppm at most away."""
    top = (999.83952 + 16.945176 * t - 7.9870401e-3 * t**2 - 46.170461e-6 * t**3 + 105.56302e-9 * t**4
           - 280.54253e-12 * t**5)
    return top / (1.0 + 16.879850e-3 * t)


@pytest.mark.parametrize("t", range(0, 41, 2))
def test_two_published_formulas_agree(t: int) -> None:
    assert water_density(t) == pytest.approx(kell(t), rel=8e-6)


def test_a_density_weighed_in_a_laboratory() -> None:
    """998.9468 kg/m3 at 16 C and 999.9756 at its greatest, +-0.0008: a quartz sphere weighed in water (the abstract of
    *The absolute density of water at 16 C and 0.101325 MPa*)."""
    assert water_density(16.0) == pytest.approx(998.9468, abs=0.0015)
    greatest = max(water_density(3.9 + step / 1000) for step in range(200))
    assert greatest == pytest.approx(999.9756, abs=0.0015)


def test_water_that_freezes_or_boils_is_refused() -> None:
    with pytest.raises(ValueError, match="outside 0 to 40 C"):
        water_density(-0.1)
    with pytest.raises(ValueError, match="outside 0 to 40 C"):
        water_density(98.0)


def test_gravity_at_known_places() -> None:
    """Equator, 45 degrees and pole of the reference ellipsoid (from memory), and the height's part: 3.086e-6 a metre."""
    assert local_gravity(0.0) == pytest.approx(9.780325, abs=1e-6)
    assert local_gravity(45.0) == pytest.approx(9.806199, abs=2e-6)
    assert local_gravity(-90.0) == pytest.approx(9.832185, abs=1e-6)
    assert local_gravity(45.0) - local_gravity(45.0, 1000.0) == pytest.approx(0.003086, rel=1e-6)


def test_the_inch_of_water_of_a_shop_is_nearly_the_conventional_one() -> None:
    """249.089 Pa by convention (NIST SP 811); at 20 C 248.641 by water alone (from memory), and 0.12 % less in air."""
    inch = column_pressure(units.INCH_M, 20.0, air_kgm3=0.0)
    assert inch == pytest.approx(248.641, abs=0.01)
    assert column_pressure(units.INCH_M, 20.0) == pytest.approx(inch * (1 - 1.2 / 998.2), rel=1e-6)
    assert column_pressure(units.INCH_M, 20.0) == pytest.approx(units.INWG_PA, rel=0.004)


@pytest.mark.parametrize("pressure", [-2500.0, 250.0, 2500.0])
def test_height_and_pressure_are_each_other_s_inverse(pressure: float) -> None:
    assert column_pressure(column_height(pressure, 17.0, 9.81), 17.0, 9.81) == pytest.approx(pressure, rel=1e-12)


def test_what_a_column_is_worth() -> None:
    """A tenth of 2500 Pa's height read as well, 7 Pa by the levels; gravity and temperature matter at large heights."""
    assert column_sd(0.0255, 20.0) == pytest.approx(6.9, abs=0.1)
    assert 6.9 < column_sd(0.255, 20.0, gravity_known=True) < 7.1
    assert column_sd(0.255, 20.0) > column_sd(0.255, 20.0, gravity_known=True)
    assert column_sd(0.0, 20.0) == 0.0


def test_the_line_is_numpy_s() -> None:
    rng = np.random.default_rng(4)
    raw = rng.uniform(0.4, 4.6, 9)
    sds = rng.uniform(1.0, 12.0, 9)
    true = 625.0 * raw - 312.0 + rng.normal(0.0, sds)
    fit = fit_line([KnownPoint(t, r, s) for t, r, s in zip(true, raw, sds, strict=True)], noise_sd=0.0)
    (slope, offset), covariance = np.polyfit(raw, true, 1, w=1.0 / sds, cov="unscaled")
    assert fit.slope == pytest.approx(slope, rel=1e-9)
    assert fit.offset == pytest.approx(offset, rel=1e-9)
    assert fit.slope_sd == pytest.approx(math.sqrt(covariance[0, 0]), rel=1e-9)
    assert fit.offset_sd == pytest.approx(math.sqrt(covariance[1, 1]), rel=1e-9)
    assert fit.misses == pytest.approx(true - np.polyval([slope, offset], raw), rel=1e-6, abs=1e-6)


def test_a_zero_alone_keeps_the_slope() -> None:
    fit = fit_line([KnownPoint(0.0, 12.0, 1.0)], slope=1.02)
    assert (fit.slope, fit.offset) == (1.02, -12.24)
    assert fit.at(12.0) == 0.0
    assert fit.worst == 0.0


def test_lines_that_are_none() -> None:
    with pytest.raises(ValueError, match="two points with different raw numbers"):
        fit_line([KnownPoint(0.0, 12.0, 1.0)])
    with pytest.raises(ValueError, match="two points with different raw numbers"):
        fit_line([KnownPoint(0.0, 12.0, 1.0), KnownPoint(2000.0, 12.0, 1.0)])
    with pytest.raises(ValueError, match="fits no line"):
        fit_line([KnownPoint(500.0, 12.0, 1.0), KnownPoint(500.0, 13.0, 1.0)])
    with pytest.raises(ValueError, match="no point"):
        fit_line([])
