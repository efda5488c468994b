"""The places of a traverse against a standard's table, and its mean against integrals of real velocity profiles."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from scipy.integrate import quad

from analysis import units
from analysis.traverse import Method, agreement, traverse, wall_distances

Profile = Callable[[float], float]

ISO_5802 = {
    ("log-tchebycheff", 3): [0.032, 0.137, 0.312, 0.688, 0.863, 0.968],
    ("log-linear", 3): [0.032, 0.135, 0.321, 0.679, 0.865, 0.968],
    ("log-tchebycheff", 4): [0.024, 0.100, 0.194, 0.334, 0.666, 0.806, 0.900, 0.976],
    ("log-linear", 4): [0.021, 0.117, 0.184, 0.345, 0.655, 0.816, 0.883, 0.979],
}
"""y/D, ISO 5802:2001, tables 2 and 3 (seen in a copy of that page)."""


def power_law(exponent: float) -> Profile:
    """Turbulent flow in a long straight pipe, v ~ (1 - r/R)^(1/n): n is 6 at Re 4e3, 7 at 1e5, 10 at 3e6 (Nikuradse, from
    memory)."""
    return lambda r: (1.0 - r) ** (1.0 / exponent)


def log_law(reynolds: float = 1.5e5, friction: float = 0.0166) -> Profile:
    """v/v* = 2.5 ln(y v*/nu) + 5.5 (Prandtl; textbook constants), with v* = V sqrt(f/8)."""
    shear = math.sqrt(friction / 8.0)
    return lambda r: max(0.0, 2.5 * math.log(max(1.0 - r, 1e-6) * reynolds / 2.0 * shear) + 5.5)


def true_mean(profile: Profile) -> float:
    return quad(lambda r: 2.0 * r * profile(r), 0.0, 1.0, limit=200)[0]


def traversed(profile: Profile, method: Method, per_radius: int) -> float:
    """The mean velocity that a traverse finds, through pressures and back."""
    row = [0.5 * 1.2 * profile(abs(1.0 - 2.0 * y)) ** 2 for y in wall_distances(method, per_radius)]
    return traverse([row, row], 0.15, 1.2).velocity_ms


@pytest.mark.parametrize(("method", "per_radius"), ISO_5802)
def test_places_are_the_standard_s(method: Method, per_radius: int) -> None:
    assert wall_distances(method, per_radius) == pytest.approx(ISO_5802[method, per_radius])


def test_equal_areas_are_equal() -> None:
    """Each place halves its ring's area; the same fractions stand in 40 CFR 60 appendix A, method 1 (from memory)."""
    assert [round(100 * y, 1) for y in wall_distances("equal-area", 3)] == [4.4, 14.6, 29.6, 70.4, 85.4, 95.6]
    assert [round(100 * y, 1) for y in wall_distances("equal-area", 2)] == [6.7, 25.0, 75.0, 93.3]
    assert [round(100 * y, 1) for y in wall_distances("equal-area", 6)][:6] == [2.1, 6.7, 11.8, 17.7, 25.0, 35.6]


@pytest.mark.parametrize("profile", [power_law(6.0), power_law(7.0), power_law(9.0), log_law()],
                         ids=["1/6 power", "1/7 power", "1/9 power", "log law"])
@pytest.mark.parametrize("method", ["log-linear", "log-tchebycheff"])
@pytest.mark.parametrize("per_radius", [3, 4])
def test_the_mean_of_the_places_is_the_mean_of_the_duct(profile: Profile, method: Method, per_radius: int) -> None:
    assert traversed(profile, method, per_radius) == pytest.approx(true_mean(profile), rel=0.006)


@pytest.mark.parametrize("exponent", [6.0, 7.0, 9.0])
def test_equal_areas_read_a_little_high(exponent: float) -> None:
    """They miss the slow air at the wall: some tenths of a per cent with three rings."""
    profile = power_law(exponent)
    assert 1.001 < traversed(profile, "equal-area", 3) / true_mean(profile) < 1.015
    assert traversed(profile, "equal-area", 8) < traversed(profile, "equal-area", 3)


def test_velocities_are_averaged_not_pressures() -> None:
    """0.16, 0.25 and 0.36 in. w.g.: roots 0.4, 0.5, 0.6, so 2002 fpm by V = 4005 sqrt(VP); the mean pressure would say
    2027 (a worked example seen on a public page)."""
    row = [units.to_si(p, "inwg", "pressure") for p in (0.16, 0.25, 0.36)]
    found = traverse([row], 0.1, 1.201385)
    assert units.from_si(found.velocity_ms, "fpm", "velocity") == pytest.approx(2002.5, rel=0.0015)


def test_density_of_the_duct_and_of_the_room() -> None:
    """The same mass: thinner air in the duct is more of it."""
    found = traverse([[100.0] * 6] * 2, 0.15, 1.15)
    assert found.velocity_ms == pytest.approx(math.sqrt(200.0 / 1.15))
    assert found.at_density(1.15, 1.20) == pytest.approx(found.flow_m3s * 1.15 / 1.20)
    assert traverse([[100.0] * 6] * 2, 0.15, 1.15, pitot_factor=0.84).flow_m3s == pytest.approx(0.84 * found.flow_m3s)


def test_the_stated_uncertainty_covers_what_its_causes_do() -> None:
    row = [90.0, 120.0, 140.0, 139.0, 121.0, 92.0]
    plain = traverse([row, row], 0.15, 1.2, gauge_sd_pa=4.0, diameter_sd_m=0.001, stem_m=0.003)
    worse = traverse([[p + 4.0 for p in row]] * 2, 0.15, 1.2)
    assert worse.flow_m3s / plain.flow_m3s - 1.0 == pytest.approx(plain.parts["gauge"], rel=0.05)
    wider = traverse([row, row], 0.151, 1.2)
    assert wider.flow_m3s / plain.flow_m3s - 1.0 == pytest.approx(plain.parts["inside diameter"], rel=0.01)
    assert plain.flow_sd == pytest.approx(plain.flow_m3s * math.sqrt(sum(p * p for p in plain.parts.values())))
    assert 0.015 < plain.flow_sd / plain.flow_m3s < 0.035


def test_what_is_to_be_doubted_is_said() -> None:
    good = [90.0, 120.0, 140.0, 139.0, 121.0, 92.0]
    assert traverse([good, good], 0.15, 1.2).remarks == ()
    said = " ".join(traverse([good, [-3.0, 2.0, 5.0, 90.0, 130.0, 140.0]], 0.1, 1.2, stem_m=0.008).remarks)
    for words in ("negative at 2.1", "differ by", "diameter 2: its near and far halves", "the stem takes 5.1%"):
        assert words in said
    assert "one diameter only" in traverse([good], 0.15, 1.2).remarks[0]
    weak = traverse([[1.0, 2.0, 3.0, 140.0, 139.0, 92.0]] * 2, 0.15, 1.2)
    assert any("below a tenth of the largest" in remark for remark in weak.remarks)


def test_readings_that_are_none() -> None:
    for rows, words in (([], "no reading"), ([[]], "no reading"), ([[1.0, 2.0], [1.0]], "same number"),
                        ([[math.nan] * 6], "not a number"), ([[-5.0] * 6], "wrong way round")):
        with pytest.raises(ValueError, match=words):
            traverse(rows, 0.15, 1.2)
    with pytest.raises(ValueError, match="above zero"):
        traverse([[1.0]], 0.0, 1.2)
    with pytest.raises(ValueError, match="allowed are 3 and 4"):
        wall_distances("log-linear", 6)
    with pytest.raises(ValueError, match="1 to 10"):
        wall_distances("equal-area", 0)


@pytest.mark.parametrize(("claimed", "words"), [(0.33, "agree"), (0.355, "repeat"), (0.5, "contradict")])
def test_agreement(claimed: float, words: str) -> None:
    found = agreement(0.30, 0.012, claimed, 0.016)
    assert words in found.words
    assert found.gap_sds == pytest.approx((claimed - 0.30) / 0.02)
    assert found.ratio == pytest.approx(claimed / 0.30)
