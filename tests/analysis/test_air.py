"""Air against the US Standard Atmosphere 1976, psychrolib and fluids."""

from __future__ import annotations

import fluids
import psychrolib
import pytest

from analysis import air

psychrolib.SetUnitSystem(psychrolib.SI)


@pytest.mark.parametrize(
    ("altitude", "pressure"),
    # US Standard Atmosphere 1976, as fluids computes it
    [(0, 101325.0), (500, 95461.3), (1000, 89876.3), (1500, 84559.7), (2000, 79501.4), (3000, 70121.2)],
)
def test_barometer_follows_the_standard_atmosphere(altitude: float, pressure: float) -> None:
    assert air.pressure_at_altitude(altitude) == pytest.approx(pressure, rel=2e-5)
    assert air.pressure_at_altitude(altitude) == pytest.approx(fluids.ATMOSPHERE_1976(altitude).P, rel=1e-5)


@pytest.mark.parametrize(
    ("feet", "pressure", "delta"),
    [(1000, 97716.7, 0.96439), (2000, 94213.6, 0.92982), (3000, 90813.1, 0.89626), (5000, 84311.1, 0.83209),
     (7000, 78192.3, 0.77170), (10000, 69694.6, 0.68783)],
)
def test_barometer_by_altitude_in_feet(feet: float, pressure: float, delta: float) -> None:
    found = air.pressure_at_altitude(feet * 0.3048)
    assert found == pytest.approx(pressure, rel=2e-5)
    # at shop temperature the density ratio is the pressure ratio, not that of the colder air aloft (0.862 at 5000 ft)
    dry = air.moist_air(21.0, found, 0.0).density_kgm3 / air.moist_air(21.0, 101325.0, 0.0).density_kgm3
    assert dry == pytest.approx(delta, rel=2e-5)


@pytest.mark.parametrize(
    ("celsius", "humidity", "density"),
    # psychrolib, SI
    [(20.0, 0.0, 1.20415), (20.0, 0.5, 1.19890), (25.0, 0.5, 1.17696), (35.0, 0.5, 1.13351)],
)
def test_density_of_moist_air(celsius: float, humidity: float, density: float) -> None:
    assert air.moist_air(celsius, 101325.0, humidity).density_kgm3 == pytest.approx(density, rel=5e-4)


@pytest.mark.parametrize("celsius", [-25.0, -5.0, 0.0, 0.005, 5.0, 20.0, 38.0, 60.0])
@pytest.mark.parametrize("humidity", [0.0, 0.3, 1.0])
@pytest.mark.parametrize("pressure", [70e3, 101325.0])
def test_density_agrees_with_psychrolib(celsius: float, humidity: float, pressure: float) -> None:
    ratio = psychrolib.GetHumRatioFromRelHum(celsius, humidity, pressure)
    reference = psychrolib.GetMoistAirDensity(celsius, ratio, pressure)
    assert air.moist_air(celsius, pressure, humidity).density_kgm3 == pytest.approx(reference, rel=2e-5)
    if humidity == 1.0:
        assert air.saturation_pressure(celsius) == pytest.approx(psychrolib.GetSatVapPres(celsius), rel=1e-9)


@pytest.mark.parametrize("altitude", [0.0, 1000.0, 3000.0])
def test_viscosity_is_that_of_the_standard_atmosphere(altitude: float) -> None:
    standard = fluids.ATMOSPHERE_1976(altitude)
    assert air.viscosity(standard.T - 273.15) == pytest.approx(standard.mu, rel=1e-6)


def test_standard_air_is_the_agreed_round_figure() -> None:
    # 0.075 lb/ft3 (ACGIH Industrial Ventilation); dry air of 21.11 C computes to 1.19961 (psychrolib)
    standard = air.standard_air()
    assert standard.density_kgm3 == pytest.approx(0.075 * 0.45359237 / 0.3048**3, rel=1e-6)
    assert air.moist_air(standard.temperature_c, 101325.0, 0.0).density_kgm3 == pytest.approx(1.19961, rel=1e-4)


@pytest.mark.parametrize(
    ("celsius", "pressure", "humidity"),
    [(-80.0, 101325.0, 0.5), (150.0, 101325.0, 0.5), (20.0, 10e3, 0.5), (20.0, 200e3, 0.5), (20.0, 101325.0, 1.2),
     (20.0, 101325.0, -0.1), (95.0, 60e3, 1.0)],
)
def test_air_that_no_shop_has_is_refused(celsius: float, pressure: float, humidity: float) -> None:
    with pytest.raises(ValueError, match=r"outside|cannot hold"):
        air.moist_air(celsius, pressure, humidity)


def test_an_altitude_that_no_shop_has_is_refused() -> None:
    with pytest.raises(ValueError, match="outside -500 to 11000"):
        air.pressure_at_altitude(20000.0)
