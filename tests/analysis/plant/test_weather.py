"""Air around the plant against a psychrometric library and the limits of a temperate shop."""

from __future__ import annotations

import fluids
import numpy as np
import psychrolib
import pytest

from analysis.plant.weather import DAY_S, YEAR_S, Weather, moist_density, viscosity

psychrolib.SetUnitSystem(psychrolib.SI)
T0 = 1_767_225_600.0
"""1 January 2026."""


@pytest.mark.parametrize(("air_c", "rh"), [(-10.0, 0.8), (20.0, 0.0), (20.0, 0.5), (35.0, 0.5)])
def test_density_of_moist_air(air_c: float, rh: float) -> None:
    ratio = psychrolib.GetHumRatioFromRelHum(air_c, rh, 101_325.0)
    exact = psychrolib.GetMoistAirDensity(air_c, ratio, 101_325.0)
    ours = moist_density(np.array([air_c]), np.array([rh]), np.array([101_325.0]))
    assert float(ours[0]) == pytest.approx(exact, rel=7e-4)


def test_viscosity_of_the_standard_atmosphere() -> None:
    exact = fluids.ATMOSPHERE_1976(0.0)
    assert float(viscosity(np.array([exact.T - 273.15]))[0]) == pytest.approx(exact.mu, rel=2e-3)


def test_summer_is_warm_and_afternoons_are_warmer_than_nights() -> None:
    weather = Weather(3, 14.0)
    year = weather.at(T0 + np.arange(0.0, YEAR_S, 3600.0))
    month = ((np.arange(len(year.air_c)) * 3600.0) // (30.4 * DAY_S)).astype(int)
    means = np.array([year.air_c[month == m].mean() for m in range(12)])
    assert 5 <= int(np.argmax(means)) <= 8
    hours = (np.arange(len(year.air_c))) % 24
    assert year.air_c[hours == 15].mean() > year.air_c[hours == 4].mean() + 3.0
    assert year.air_c.min() > -15.0
    assert year.air_c.max() < 45.0
    assert 0.10 < np.ptp(year.density) / np.mean(year.density) < 0.25


def test_the_mains_swing_by_a_few_percent() -> None:
    line = Weather(3).at(T0 + np.arange(0.0, 7 * DAY_S, 30.0)).line
    assert 0.955 < line.min() < 0.985
    assert 1.015 < line.max() < 1.045


def test_any_moment_can_be_asked_for_alone() -> None:
    weather, t = Weather(8), T0 + np.arange(0.0, 900.0)
    together = weather.at(t)
    alone = weather.at(t[[437]])
    assert float(together.air_c[437]) == pytest.approx(float(alone.air_c[0]), abs=1e-3)
    assert float(together.line[437]) == pytest.approx(float(alone.line[0]), abs=3e-4)
    assert Weather(8).at(t).air_c.tolist() == together.air_c.tolist()
    assert Weather(9).at(t).air_c.tolist() != together.air_c.tolist()
