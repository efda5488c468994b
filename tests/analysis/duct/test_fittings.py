"""Fittings, openings and gates against the fluids library and the handbook's tables."""

from __future__ import annotations

import math
import re

import fluids
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.duct import elbows, fittings, gates, openings
from analysis.duct.written import FittingError
from analysis.units import CFM_M3S, FPM_MS, INCH_M, INWG_PA

STAMPED_SMOOTH = ((0.5, 0.71), (0.75, 0.33), (1.0, 0.22), (1.5, 0.15), (2.0, 0.13), (2.5, 0.12))
"""(r/D, K at 90 degrees) of stamped smooth elbows: the same figure (from memory); for comparison only."""


@pytest.mark.parametrize("angle", [20.0, 30.0, 45.0, 60.0, 90.0, 180.0])
@pytest.mark.parametrize("ratio", [0.75, 1.0, 1.5, 2.5])
@pytest.mark.parametrize("factor", [0.018, 0.05])
def test_smooth_bend_is_rennels(angle: float, ratio: float, factor: float) -> None:
    reference = fluids.bend_rounded(Di=0.1016, angle=angle, fd=factor, bend_diameters=ratio, Re=1.3e5, method="Rennels")
    assert elbows.smooth_bend(angle, ratio, factor) == pytest.approx(reference, rel=1e-9)


@pytest.mark.parametrize(
    ("ratio", "crane", "miller", "ito"),
    # fluids: 90 degrees, 4 in, friction factor 0.018, Re 1.3e5
    [(1.0, 0.3246, 0.2863, 0.2814), (1.5, 0.2282, 0.2331, 0.2171), (2.5, 0.1872, 0.2004, 0.1905)],
)
def test_smooth_bend_lies_among_the_published_methods(ratio: float, crane: float, miller: float, ito: float) -> None:
    ours = elbows.smooth_bend(90.0, ratio)
    for other in (crane, miller, ito):
        assert ours == pytest.approx(other, rel=0.15)
    # the handbook's stamped smooth elbow (from memory) is 20 to 45 % lower: the stated choice, kept visible here
    stamped = dict(STAMPED_SMOOTH)[ratio]
    assert 0.55 < stamped / ours < 0.80


@pytest.mark.parametrize(
    ("text", "k"),
    [
        # ACGIH figure 5 (from memory), 90 degrees and its factors for other angles (60: 0.67, 45: 0.5, 30: 0.33)
        ("elbow 90 r/D 1.5 5 pieces", 0.24), ("elbow 90 r/D 1 3 pieces", 0.42), ("elbow 90 r/D 2.5 5 pieces", 0.17),
        ("elbow 45 r/D 1.5 5 pieces", 0.12), ("elbow 60 r/D 1.5 5 pieces", 0.161), ("elbow 30 r/D 1.5 5 pieces", 0.08),
    ],
)
def test_pieced_elbow_is_the_table(text: str, k: float) -> None:
    assert fittings.fitting(text).k == pytest.approx(k, rel=0.02)


@pytest.mark.parametrize("angle", [15.0, 30.0, 45.0, 60.0, 90.0])
def test_mitre_is_rennels(angle: float) -> None:
    reference = fluids.bend_miter(angle, method="Rennels")
    assert fittings.fitting(f"mitre {angle:g}").k == pytest.approx(reference, rel=1e-9)


@pytest.mark.parametrize("ratio", [0.3, 0.45, 2 / 3, 0.8, 0.95])
@pytest.mark.parametrize("taper", [10.0, 20.0, 30.0, 45.0, 60.0, 90.0, 120.0])
def test_tapers_are_rennels(ratio: float, taper: float) -> None:
    small, large = ratio * 0.2, 0.2
    wide = fluids.diffuser_conical(Di1=small, Di2=large, angle=taper, fd=elbows.SMOOTH_FACTOR, method="Rennels")
    # never more than the abrupt step, which Rennels has tapers of 50 to 90 degrees do
    assert elbows.expansion(ratio, taper) == pytest.approx(min(wide, fluids.diffuser_sharp(small, large)), rel=1e-6)
    narrow = fluids.contraction_conical(Di1=large, Di2=small, angle=taper, fd=0.0, method="Rennels")
    assert elbows.contraction(ratio, taper) == pytest.approx(narrow, rel=1e-6)


def test_abrupt_steps() -> None:
    # Borda and Carnot, 4 in to 6 in: (1 - A1/A2)^2 = 0.30864, and fluids
    assert elbows.expansion(2 / 3) == pytest.approx(0.30864, abs=1e-5)
    assert elbows.expansion(2 / 3) == pytest.approx(fluids.diffuser_sharp(4.0, 6.0), rel=1e-9)
    assert elbows.contraction(2 / 3) == pytest.approx(0.3839, abs=1e-4)
    assert elbows.contraction(2 / 3) == pytest.approx(fluids.contraction_sharp(6.0, 4.0, method="Rennels"), rel=1e-9)


@given(ratio=st.floats(min_value=0.2, max_value=0.99), taper=st.floats(min_value=5.0, max_value=180.0))
def test_a_taper_never_gains_pressure(ratio: float, taper: float) -> None:
    assert elbows.contraction(ratio, taper) >= 0.0
    assert elbows.expansion(ratio, taper) >= 0.0


def test_reducer_is_stated_on_its_smaller_end() -> None:
    loss = fittings.fitting("reducer 4 in to 6 in abrupt")
    assert loss.k_on(4 * INCH_M) == pytest.approx(0.30864, abs=1e-5)
    # in velocity pressures of the 6 in duct the same pressure is (6/4)^4 times as many
    assert loss.k_on(6 * INCH_M) == pytest.approx(0.30864 * 1.5**4, rel=1e-4)
    assert fittings.fitting("reducer D2729 6 in to D2729 4 in").at_diameter_m == pytest.approx(4.065 * INCH_M)


def test_a_reducer_at_the_end_of_a_piece_is_charged_once() -> None:
    small, large = 4 * INCH_M, 6 * INCH_M
    # an abrupt one is the step that the junction books anyway
    assert fittings.fitted(["reducer 4 in to 6 in abrupt"], small).end_m == pytest.approx(small, rel=1e-9)
    assert fittings.fitted(["reducer 4 in to 6 in"], small).end_m == pytest.approx(small, rel=1e-9)
    gentle = fittings.fitted(["elbow 90", "reducer 4 in to 6 in taper 15"], small)
    assert gentle.k == fittings.fitting("elbow 90").k
    # what is left as a step loses what the taper loses, Borda and Carnot: (1 - A/Ae)^2 ... from the end on
    loss = elbows.expansion(2 / 3, 15.0)
    assert (small / gentle.end_m) ** 4 * (1 - (gentle.end_m / large) ** 2) ** 2 == pytest.approx(loss, rel=1e-9)
    # at the other end, and a neck along the way, it stays a loss of the piece
    assert fittings.fitted(["reducer 6 in to 4 in"], small) == fittings.Fitted(
        fittings.fitting("reducer 6 in to 4 in").k, start_m=large
    )
    assert fittings.fitted(["reducer 6 in to 4 in", "reducer 4 in to 6 in"], large).end_m is None


@pytest.mark.parametrize(
    ("text", "hood_static"),
    # ACGIH hood entry losses (from memory); SPh = (1 + Fh) VP at 3500 fpm, VP 0.76371 (arithmetic recomputed)
    [("plain", 1.4740), ("flanged", 1.1379), ("bell", 0.7943), ("orifice", 2.1231), ("booth", 1.1456)],
)
def test_hood_static_pressure(text: str, hood_static: float) -> None:
    loss = openings.entry(text).loss
    assert loss is not None
    assert (1 + loss.k) * 0.76371 == pytest.approx(hood_static, rel=1e-4)


@pytest.mark.parametrize(
    ("inches", "text", "cfm"),
    # Q = 4005 A Ce sqrt(SPh) at SPh 1 in. w.g. with Ce 0.72, 0.82, 0.98 (recomputed); the rounded Ce leave 0.3 %
    [(4, "plain", 251.6), (4, "flanged", 286.6), (4, "bell", 342.5), (6, "plain", 566.2), (6, "flanged", 644.8),
     (6, "bell", 770.7)],
)
def test_flow_at_one_inch_of_hood_static_pressure(inches: float, text: str, cfm: float) -> None:
    loss = openings.entry(text).loss
    assert loss is not None
    speed = 4005 * FPM_MS / math.sqrt(1 + loss.k)
    assert speed * math.pi / 4 * (inches * INCH_M) ** 2 / CFM_M3S == pytest.approx(cfm, rel=0.003)


def test_tapered_hood_is_best_at_45_degrees() -> None:
    # shape of ACGIH figure 6 (from memory)
    for shape in ("", " rectangular"):
        losses = {angle: openings.entry(f"taper {angle}{shape}").loss.k for angle in range(15, 181, 5)}  # type: ignore[union-attr]
        assert min(losses, key=losses.__getitem__) == 45
        assert losses[180] == 0.50
    assert openings.entry("taper 45").loss.k < openings.entry("taper 45 rectangular").loss.k  # type: ignore[union-attr]


def test_opening_stated_as_flow_at_suction() -> None:
    # a plain end passes 3500 fpm at SPh = 1.93 VP: the loss comes back
    area = math.pi / 4 * (4 * INCH_M) ** 2
    suction = 1.93 * 0.5 * 1.201385 * (3500 * FPM_MS) ** 2
    k = openings.entry_k_from_flow(3500 * FPM_MS * area, suction, 4 * INCH_M, 1.201385)
    assert k == pytest.approx(0.93, rel=1e-9)
    stated = openings.entry("350 cfm at 2.0 in. w.g.")
    assert stated.flow_m3s == pytest.approx(350 * CFM_M3S)
    assert stated.suction_pa == pytest.approx(2 * INWG_PA)
    with pytest.raises(ValueError, match="less than the velocity pressure"):
        openings.entry_k_from_flow(0.2, 10.0, 0.1, 1.2)


def test_hood_worked_example() -> None:
    # textbook pair: SPh 2.00, VP 0.80 in. w.g. gives a loss of 1.20 in. w.g. and Ce = 0.6325
    speed = math.sqrt(2 * 0.80 * INWG_PA / 1.2)
    k = openings.entry_k_from_flow(speed * math.pi / 4 * 0.1**2, 2.00 * INWG_PA, 0.1, 1.2)
    assert k * 0.80 == pytest.approx(1.20, rel=1e-9)
    assert 1 / math.sqrt(1 + k) == pytest.approx(0.6325, abs=1e-4)


def test_an_orifice_of_its_own_size_counts_on_its_size() -> None:
    loss = openings.entry("orifice 3 in").loss
    assert loss is not None
    assert loss.k_on(3 * INCH_M) == pytest.approx(1.78)
    assert loss.k_on(6 * INCH_M) == pytest.approx(1.78 * 16)


def test_counts_and_sums() -> None:
    one = fittings.fitting("elbow 90 r/D 1.5").k
    assert fittings.fitting("2x elbow 90 r/D 1.5").k == pytest.approx(2 * one)
    assert fittings.fitting("3 x elbow 90 r/d 1.5").k == pytest.approx(3 * one)
    assert fittings.fitted(["elbow 90 r/D 1.5", "K 0.5"], 0.1) == fittings.Fitted(pytest.approx(one + 0.5))
    assert fittings.fitted([], 0.1).k == 0.0


def test_a_bend_in_hose_loses_more_than_an_elbow() -> None:
    assert fittings.fitting("flex bend 90").k > 1.3 * fittings.fitting("elbow 90 r/D 2").k


def test_gates() -> None:
    blast, tight, none = (gates.gate(text) for text in ("blast", "tight", "none"))
    assert blast.open_k is not None
    assert blast.open_k < 0.5
    assert tight.leak_fraction < blast.leak_fraction < 0.05
    assert (none.open_k, none.leak_fraction) == (None, 0.0)
    assert gates.gate("blast leak 3 %").leak_fraction == pytest.approx(0.03)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("elbow", "is not a fitting; did you mean 'elbow 90'?; allowed: 'elbow 90'"),
        ("elbow 200", "200 is outside 5 to 180"),
        ("elbow 90 r/D 0.1", "0.1 is outside 0.5 to 10"),
        ("0x elbow 90", "count must lie between 1 and 50"),
        ("reducer 6 in to 6 in", "both ends are the same size"),
        ("reducer 6 in to 4", "neither a size such as '4 in' nor a known pipe"),
        ("reducer 6 in to 9 ft", "outside 10 mm to 2 m"),
        ("K -1", "is not a fitting"),
        ("", "is not a fitting"),
    ],
)
def test_an_unknown_fitting_is_refused_with_what_is_allowed(text: str, said: str) -> None:
    with pytest.raises(FittingError, match=re.escape(said)):
        fittings.fitting(text)


@pytest.mark.parametrize("text", ["funnel", "machine", "350 at 2 inwg", "350 cfm at 2", "taper 5", "0 cfm at 2 inwg"])
def test_an_unknown_opening_is_refused(text: str) -> None:
    with pytest.raises(FittingError, match=re.escape(repr(text))):
        openings.entry(text)


@pytest.mark.parametrize("text", ["door", "blast leak", "blast leak 2 cfm", "blast leak 90 %", "none leak 2 %"])
def test_an_unknown_gate_is_refused(text: str) -> None:
    with pytest.raises(FittingError, match=re.escape(repr(text))):
        gates.gate(text)
