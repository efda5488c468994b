"""Conversions against their definitions and published values."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from analysis import units

EVERY_UNIT = [(kind, symbol) for kind, table in units.UNITS.items() for symbol in table]


@pytest.mark.parametrize(
    ("text", "kind", "si", "relative"),
    [
        # NIST SP 811, appendix B.8: conventional inch of water
        ("1 inwg", "pressure", 249.08891, 1e-6),
        # definitions: foot 0.3048 m, pound 0.45359237 kg
        ("1 cfm", "flow", 0.3048**3 / 60, 1e-12),
        ("1 cfm", "flow", 4.719474e-4, 1e-6),
        ("1 fpm", "velocity", 0.00508, 1e-12),
        ("1 ft2", "area", 0.09290304, 1e-12),
        ("0.075 lb/ft3", "density", 1.201385, 1e-5),
        ("1 hp", "power", 745.6999, 1e-7),
        ("32 F", "temperature", 0.0, 0.0),
        ("212 F", "temperature", 100.0, 1e-12),
        ("273.15 K", "temperature", 0.0, 0.0),
        ("5 %", "fraction", 0.05, 1e-12),
        # 1 psi = 6894.757 Pa, 1 inHg (0 C) = 3386.389 Pa: NIST SP 811, appendix B.8
        ("1 psi", "pressure", 6894.757, 1e-6),
        ("1 inHg", "pressure", 3386.389, 1e-6),
        ("1 mmwg", "pressure", 9.80665, 1e-6),
        ("1 gal", "volume", 3.785412e-3, 1e-6),
        ("1 kWh", "energy", 3.6e6, 0.0),
    ],
)
def test_a_quantity_becomes_its_si_value(text: str, kind: str, si: float, relative: float) -> None:
    assert units.parse(text, kind) == pytest.approx(si, rel=relative, abs=1e-9)


@pytest.mark.parametrize(
    ("velocity", "velocity_pressure"),
    # ACGIH velocity pressure at 4005 sqrt(VP): arithmetic recomputed. It differs by 0.18 % from the SI route, since
    # 4005 matches water of 20 C; hence the tolerance of 0.25 %.
    [(2000, 0.24938), (3000, 0.56110), (3500, 0.76371), (4000, 0.99750), (4500, 1.26247)],
)
def test_velocity_pressure_agrees_with_the_rule_of_4005(velocity: float, velocity_pressure: float) -> None:
    speed = units.to_si(velocity, "fpm", "velocity")
    pressure = units.from_si(0.5 * 1.201385 * speed**2, "inwg", "pressure")
    assert pressure == pytest.approx(velocity_pressure, rel=0.0025)


def test_velocity_pressure_in_pascal() -> None:
    # 1/2 rho V^2 by definition, at 3500 and 4000 fpm
    assert 0.5 * 1.201385 * units.parse("3500 fpm", "velocity") ** 2 == pytest.approx(189.896, abs=0.01)
    assert 0.5 * 1.201385 * units.parse("4000 fpm", "velocity") ** 2 == pytest.approx(248.027, abs=0.01)
    # one inch of water of velocity pressure is 4008.55 fpm on this route
    speed = math.sqrt(2 * units.INWG_PA / 1.201385)
    assert units.from_si(speed, "fpm", "velocity") == pytest.approx(4008.55, abs=0.1)


@pytest.mark.parametrize(("kind", "symbol"), EVERY_UNIT)
@given(number=st.floats(min_value=-1e6, max_value=1e6, allow_nan=False))
def test_there_and_back_gives_the_same_number(kind: str, symbol: str, number: float) -> None:
    assume(abs(number) > 1e-6 or number == 0)
    back = units.from_si(units.to_si(number, symbol, kind), symbol, kind)
    # temperatures carry an offset of up to 273, so a tiny number keeps an absolute error only
    assert back == pytest.approx(number, rel=1e-12, abs=1e-9)


@given(number=st.floats(min_value=-1e9, max_value=1e9, allow_nan=False))
def test_a_written_number_is_read_exactly(number: float) -> None:
    assert units.parse(f"{number!r} Pa", "pressure") == number


@pytest.mark.parametrize("kind", ["length", "pressure", "flow", "velocity", "temperature", "power", "density", "area"])
@given(value=st.floats(min_value=0.01, max_value=1e4))
def test_both_displays_show_the_same_quantity(kind: str, value: float) -> None:
    for system in ("us", "si"):
        symbol, _ = units.shown_unit(kind, system)
        assert units.to_si(units.shown(value, kind, system), symbol, kind) == pytest.approx(value, rel=1e-9)


@pytest.mark.parametrize(
    ("text", "kind", "said"),
    [
        ("7", "length", "has no unit"),
        ("seven in", "length", "not a number"),
        ("7 cfm", "length", "not a unit of length"),
        ("7 in", "pressure", "not a unit of pressure"),
        ("", "length", "not a number"),
        ("1e999 in", "length", "not a finite number"),
        ("nan in", "length", "not a number"),
    ],
)
def test_a_slip_is_refused_with_what_was_found(text: str, kind: str, said: str) -> None:
    with pytest.raises(units.UnitError, match=said):
        units.parse(text, kind)


@pytest.mark.parametrize("spelling", ["in. w.g.", "inWC", "in wg", "inH2O", "INWG"])
def test_usual_spellings_of_the_inch_of_water_are_understood(spelling: str) -> None:
    assert units.parse(f"2 {spelling}", "pressure") == pytest.approx(498.17782, rel=1e-6)


def test_unknown_is_a_dash() -> None:
    assert units.show(None, "pressure", "us") == "–"
    assert units.show(249.08891, "pressure", "us") == "1.00 in. w.g."
    assert units.show(249.08891, "pressure", "si") == "249 Pa"
