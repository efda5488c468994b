"""Numbers and times as the screen shows them."""

from __future__ import annotations

import math

import pytest

from analysis import units
from dashboard.shapes import SERIES, Screen, number
from dashboard.words import day_and_time, duration, running_hours, since


@pytest.mark.parametrize("system", ["us", "si"])
@pytest.mark.parametrize("name", sorted(SERIES))
def test_every_series_has_an_axis_in_both_systems(name: str, system: str) -> None:
    series = SERIES[name]
    axis = Screen(system).axis(series.kind, series.sign)  # type: ignore[arg-type]
    assert math.isfinite(axis.factor)
    assert axis.factor != 0


def test_an_axis_converts_as_the_units_module_does() -> None:
    """NIST SP 811 (appendix B.8): 1 inch of water (conventional) is 249.0889 Pa; 1 ft3/min is 4.719474e-4 m3/s."""
    us = Screen("us")
    assert 249.0889 * us.axis("pressure").factor == pytest.approx(1.0, rel=1e-6)
    assert 4.719474e-4 * us.axis("flow").factor == pytest.approx(1.0, rel=1e-6)
    fahrenheit = us.axis("temperature")
    assert 20.0 * fahrenheit.factor + fahrenheit.offset == pytest.approx(68.0)
    for system in ("us", "si"):
        for kind, sample in (("pressure", 812.0), ("flow", 0.31), ("velocity", 19.2), ("temperature", 7.0), ("current", 9.1)):
            axis = Screen(system).axis(kind)  # type: ignore[arg-type]
            assert sample * axis.factor + axis.offset == pytest.approx(units.shown(sample, kind, system))  # type: ignore[arg-type]


def test_drag_is_shown_as_pressure_at_a_round_flow() -> None:
    """A drag of 1000 Pa s/m3 drops 1000 * 0.0471947 m3/s = 47.19 Pa at 100 cfm, which is 0.1895 in. w.g."""
    axis = Screen("us").axis("drag")
    assert 1000.0 * axis.factor == pytest.approx(0.0471947 * 1000 / 249.0889, rel=1e-5)
    assert axis.symbol == "in. w.g. at 100 cfm"


def test_suction_is_shown_as_a_positive_number() -> None:
    shown = Screen("us").channel("inlet_pa", -1992.7)
    assert shown.shown == "8.00 in. w.g."
    assert shown.si == -1992.7


@pytest.mark.parametrize("value", [None, math.nan, math.inf])
def test_an_unknown_number_says_why_and_carries_none(value: float | None) -> None:
    shown = Screen("si").quantity(value, "flow", why="the fan is off")
    assert shown.si is None
    assert shown.shown == "the fan is off"


def test_a_difference_of_temperatures_has_no_offset() -> None:
    assert Screen("us").difference(10.0, "temperature") == "18 °F"


def test_times_are_as_exact_as_they_are_useful() -> None:
    assert duration(math.nan) == "–"
    assert running_hours(3600.0) == "1 running hour"
    noon = 1_772_539_200.0
    assert since(noon - 60, noon).count(":") == 1
    assert since(noon - 40 * 86400, noon).count("20") >= 1
    assert day_and_time(1e20) == "–", "an impossible time is no time"


def test_a_document_with_nonsense_gives_none() -> None:
    for nonsense in ({"a": "x"}, {"a": True}, {"a": math.nan}, {"a": {"b": 1}}, {}, None):
        assert number(nonsense, "a") is None
    assert number({"a": {"b": 2}}, "a", "b") == 2.0


def test_a_barometer_is_read_in_its_own_unit() -> None:
    """Standard atmosphere (ISO 2533): 101 325 Pa, 29.92 in. Hg, 1013 hPa."""
    assert Screen("us").channel("barometer_pa", 101_325.0).shown == "29.92 in. Hg"
    assert Screen("si").channel("barometer_pa", 101_325.0).shown == "1013 hPa"
