"""An owner's words: what is understood, what is answered with the nearest right form, and which slips are asked about."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest

from analysis import units
from analysis.duct import fittings, gates, openings, stock
from daemon.config.common import clock_span
from daemon.config.joins import JOIN_FORMS, read_join
from tests.daemon.config.test_ducting import problems, shop


@pytest.mark.parametrize(
    ("text", "kind", "same"),
    [
        ("14' 6\"", "length", "14.5 ft"), ("14'6\"", "length", "14.5 ft"), ("14 ft 6 in", "length", "14.5 ft"),
        ("14 1/2 ft", "length", "14.5 ft"), ("14-1/2 ft", "length", "14.5 ft"), ("14½ ft", "length", "14.5 ft"),
        ("14′ 6 1/2″", "length", "174.5 in"), ("1/2 in", "length", "0.5 in"), ("14 foot", "length", "14 ft"),
        ("14,5 ft", "length", "14.5 ft"), ("0,125 m", "length", "0.125 m"), ("1,200 cfm", "flow", "1200 cfm"),
        ("1.200,5 m3/h", "flow", "1200.5 m3/h"), ("12.5 in wc", "pressure", "12.5 inwg"),
        ('12.5 "wg', "pressure", "12.5 inwg"), ("12.5 inches of water", "pressure", "12.5 inwg"),
        ("400 ft3/min", "flow", "400 cfm"), ("900 m3/hr", "flow", "900 m3/h"), ("48 sq ft", "area", "48 ft2"),
        ("48 square feet", "area", "48 ft2"), ("60 deg F", "temperature", "60 F"), ("60 °F", "temperature", "60 F"),
        ("2 horsepower", "power", "2 hp"), ("1 1/2 hp", "power", "1.5 hp"), ("3450", "speed", "3450 rpm"),
        ("230", "voltage", "230 V"), ("11.2", "current", "11.2 A"),
    ],
)
def test_quantities_as_people_write_them(text: str, kind: str, same: str) -> None:
    assert units.parse(text, kind) == pytest.approx(units.parse(same, kind), rel=1e-12)


@pytest.mark.parametrize(
    ("text", "kind", "said"),
    [
        ("14", "length", "has no unit; write for example '12 ft'"), ("14 fot", "length", "did you mean 'ft'?"),
        ("5 furlongs", "length", "not a unit of length; allowed: m, cm"),
        ("9 cfm", "length", "not a unit of length, but of flow"),
        ("1,5,2 m", "length", "is not a number"), ("", "length", "is not a number with a unit"), ("1/0 in", "length", "finite"),
    ],
)
def test_other_quantities_are_answered_with_what_is_allowed(text: str, kind: str, said: str) -> None:
    with pytest.raises(units.UnitError, match=re.escape(said)):
        units.parse(text, kind)


@pytest.mark.parametrize(
    ("text", "same"),
    [
        ("6 in spiral", "spiral 6 in"), ("spiral 6 inches", "spiral 6 in"), ("spiral 6", "spiral 6 in"),
        ("spiral 100", "spiral 100 mm"), ("PVC 110", "EN 1401 SN 4 110 mm"), ("HT 110", "EN 1451 110 mm"),
        ("KG DN 160", "EN 1401 SN 4 160 mm"), ('SDR35 6"', "D3034 SDR 35 6 in"), ("4 in flex hose", "flex 4 in"),
        ("flex loose 4 in", "flex 4 in"),
    ],
)
def test_pipes_as_people_write_them(text: str, same: str) -> None:
    assert stock.pipe(text) == stock.pipe(same)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("6 in", "of which stock? 'D2729 6 in' or 'spiral 6 in'"),
        ("PVC 6 in", "did you mean 'D2729 6 in' or 'D3034 SDR 35 6 in'"),
        ("galvanised 6 in", "did you mean 'spiral 6 in' or 'snap-lock 6 in'?"), ("spirl 6 in", "did you mean 'spiral 6 in'?"),
    ],
)
def test_a_pipe_of_no_stock_is_answered_with_those_it_may_be(text: str, said: str) -> None:
    with pytest.raises(stock.StockError, match=re.escape(said)):
        stock.pipe(text)


@pytest.mark.parametrize(
    ("text", "same"),
    [
        ("90 elbow", "elbow 90"), ("2 elbow 90", "2x elbow 90"), ("2 elbows 90", "2x elbow 90"), ("2 x 90° elbow", "2x elbow 90"),
        ("elbow 90 deg r/D=1.5", "elbow 90 r/D 1.5"), ("90 elbow 5 pieces", "elbow 90 5 pieces"), ("45° bend", "elbow 45"),
        ("reducer 6 to 4 in", "reducer 6 in to 4 in"), ("K=0.3", "K 0.3"),
    ],
)
def test_fittings_as_people_write_them(text: str, same: str) -> None:
    assert fittings.fitting(text).k == fittings.fitting(same).k


@pytest.mark.parametrize(
    ("text", "same"),
    [("wye", "wye 45"), ("45° wye", "wye 45"), ("Y", "wye 45"), ("T", "tee"), ("straight through", "straight")],
)
def test_joins_as_people_write_them(text: str, same: str) -> None:
    assert read_join(text) == read_join(same)


def test_a_stated_loss_of_a_junction() -> None:
    assert (read_join("wye 45 K 0.3").k, read_join("wye 45 K 0.3").angle_deg) == (0.3, 45.0)
    assert read_join("K 0.3").kind == "stated"
    bandsaw = 'join = "wye 45"\npipe = "D2729 4 in"\nlength = "4 ft"'
    assert shop((bandsaw, bandsaw.replace("45", "45 K 0.3"))).design.ports[1].join.kind == "stated"


@pytest.mark.parametrize(
    ("read", "text", "near"),
    [
        (fittings.fitting, "elbw 90", "elbow 90"), (read_join, "why 45", "wye 45"), (openings.entry, "flnged", "flanged"),
        (gates.gate, "blst", "blast"),
    ],
)
def test_a_slip_is_answered_with_the_nearest_form(read: Callable[[str], object], text: str, near: str) -> None:
    with pytest.raises(ValueError, match=re.escape(f"did you mean {near!r}?")):
        read(text)


@pytest.mark.parametrize(
    ("forms", "read"),
    [
        (fittings.FITTING_FORMS, fittings.fitting), (openings.ENTRY_FORMS, openings.entry), (gates.GATE_FORMS, gates.gate),
        (JOIN_FORMS, read_join),
    ],
    ids=["fitting", "entry", "gate", "join"],
)
def test_every_form_that_a_message_proposes_is_accepted(forms: str, read: Callable[[str], object]) -> None:
    proposed = re.findall(r"'([^']+)'", forms)
    assert len(proposed) > 4
    for form in proposed:
        read(form)


@pytest.mark.parametrize("text", ["06:30 to 19:00", "6:30-19:00", "6.30 until 19", "6:30 am to 7 pm", ["6:30", "19:00"]])
def test_hours_in_one_text_or_two(text: object) -> None:
    assert clock_span(text) == ("06:30", "19:00")
    config = shop(('["06:30", "19:00"]', repr(text).replace("'", '"')))
    assert config.file.shop.hours == ("06:30", "19:00")


@pytest.mark.parametrize("text", ['"7"', '"25:00 to 26:00"', "[7, 19]", '"when I am in"', '"0 pm to 3 pm"'])
def test_other_hours_are_answered_with_a_form_that_is_accepted(text: str) -> None:
    (found,) = problems(('["06:30", "19:00"]', text))
    assert "hours" in found
    for form in re.findall(r"write (?:it as )?'([^']+)'", found):
        clock_span(form if " to " in form else f"{form} to 19:00")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('at_speed = "3450 rpm"\nspeed = "3450 rpm"', "at_speed = 3450\nspeed = 3450", None),
        ('voltage = "230 V"', "voltage = 230", None), ('full_load_current = "11.2 A"', "full_load_current = 11.2", None),
        ('uncertainty = "5 %"', "uncertainty = 0.05", None),
        ('length = "14 ft"', "length = 14", "needs a unit: write it as text, for example '12 ft'"),
        ('air_temperature = "60 F"', 'air_temperature = "70 C"', "is 158 °F, outside -22 °F to 122 °F; did you mean '70 F'?"),
        ('air_temperature = "60 F"', 'air_temperature = "-40 C"', "outside -22 °F to 122 °F"),
        ('altitude = "640 ft"', 'altitude = "5,000 m"', "outside 0.0 ft to 14763.8 ft; did you mean '5000 ft'?"),
        ('hose_length = "5 ft"', 'hose_lenght = "5 ft"', "is not a key that is known here; did you mean 'hose_length'?"),
        ('name = "bench run"', 'name = "bench run"\nhours = "7 to 19"', "'hours' belongs to [shop]"),
        ('kind = "log"', 'kind = "log"\nat_leest = "stop"', "did you mean 'at_least'?"),
        ("[sensor.motor_a]", '[sensor.motor_a]\nscales = 2.0', "did you mean 'scale'?"),
        ("[store]", "[stoer]", "did you mean 'store'?"),
        ('entry = "plain"', 'entry = "plain"\nzzz = 1', "known here: pipe, length, fittings, name, into"),
    ],
)
def test_bare_numbers_slips_and_keys(old: str, new: str, said: str | None) -> None:
    if said is None:
        assert shop((old, new)).design == shop().design
    else:
        assert any(said in problem for problem in problems((old, new))), problems((old, new))


def test_a_length_in_millimetres_is_asked_about() -> None:
    notes = shop(('length = "14 ft"', 'length = "14 mm"')).warnings
    assert any("'main' is only 0.55 in long; did you mean '14 ft'?" in note for note in notes)


def test_a_flow_at_a_suction_holds_in_standard_air() -> None:
    high = (('altitude = "640 ft"', 'altitude = "7000 ft"'), ('entry = "machine 1.5"', 'entry = "350 cfm at 2.0 inwg"'))
    rated = shop(*high).design.ports[0].entry_flow
    assert rated is not None
    assert rated.density_kgm3 == pytest.approx(1.2014, rel=1e-4)


def test_a_reducer_the_wrong_way_round_is_pointed_out() -> None:
    wrong = ('fittings = ["elbow 45"]', 'fittings = ["elbow 45", "reducer 6 in to 4 in"]')
    notes = shop(wrong).warnings
    assert any("'reducer 6 in to 4 in' stands the wrong way round: the air comes out of 'bench run'" in note for note in notes)
    right = ('fittings = ["elbow 45"]', 'fittings = ["elbow 45", "reducer 4 in to 6 in"]')
    assert shop(right).warnings == shop().warnings
