"""Any accepted answers become a file that the configuration's own loader accepts and that means what was answered.

What was answered is kept in SI beside each text, by factors that are exact by definition (NIST SP 811, appendix B.8: foot, inch,
minute; horsepower of 550 ft lbf/s and conventional inch of water to its digits), not by the project's own conversion.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass, field

import pytest
from hypothesis import assume, event, given, settings
from hypothesis import strategies as st

from daemon.config.load import load
from daemon.drafting.checks import check_step, troubles
from daemon.drafting.draft import Answers, Draft, from_json, to_json
from daemon.drafting.outcome import outcome
from daemon.drafting.steps import STEPS, step_named, tree_of
from daemon.drafting.toml_text import shop_toml
from tests.support.thoroughness import examples

FOOT, INCH, CFM, INWG, HP = 0.3048, 0.0254, 0.3048**3 / 60, 249.0889, 745.6999
HOSTILE = (
    'the "old" barn', "it's", "back\\slash", 'x"\n[fan]\nspeed = "9 rpm"', "'''", '"""', "# no comment", "] [[port]]", "a = 1",
    "<script>alert(1)</script>", "{{ 7 * 7 }}", "%s {0}", "Ünïcödé Größe", "右から左", "\u202eright to left", "a\x00b",
    "a\x1b[2Jb", "a\u2028b", "\ud800", "  spaces  ", "fan", "\x7f", "🪵",
)


@dataclass
class Told:
    """A draft as it grows, and what was meant in SI by the names of runs and ports."""

    draft: Draft = field(default_factory=Draft)
    lengths: dict[str, float] = field(default_factory=dict)
    needs: dict[str, float | None] = field(default_factory=dict)
    into: dict[str, str] = field(default_factory=dict)
    wheel_m: float | None = None
    refused: int = 0

    def answer(self, step: str, given: Answers) -> bool:
        """Give answers as an owner would; whether they were taken."""
        found = step_named(step)
        assert found is not None
        checked = check_step(found, given, self.draft)
        if not checked.good:
            self.refused += 1
            return False
        self.draft = (
            self.draft.with_item(step, None, checked.answers) if found.many else self.draft.with_answers(step, checked.answers)
        )
        return True


names = st.one_of(st.sampled_from(HOSTILE), st.text(min_size=1, max_size=20), st.sampled_from(["planer", "band saw", "lathe"]))


def decimal(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high).map(lambda x: round(x, 2))


def lengths(low: float, high: float) -> st.SearchStrategy[tuple[str, float]]:
    """A length from ``low`` to ``high`` metres as people write it, and its metres."""
    metres = decimal(low, high).map(lambda x: (f"{x} m", x))
    feet = decimal(low / FOOT, high / FOOT).map(lambda x: (f"{x} ft", x * FOOT))
    mixed = st.tuples(st.integers(math.ceil(low / FOOT), math.floor(high / FOOT) - 1), st.integers(0, 11)).map(
        lambda x: (f"{x[0]}' {x[1]} in", x[0] * FOOT + x[1] * INCH)
    )
    halves = st.tuples(st.integers(math.ceil(low / INCH), math.floor(high / INCH) - 1), st.sampled_from([1, 3, 5, 7])).map(
        lambda x: (f"{x[0]} {x[1]}/8 in", (x[0] + x[1] / 8) * INCH)
    )
    return st.one_of(metres, feet, mixed, halves)


flows = st.one_of(
    decimal(200, 900).map(lambda x: (f"{x} cfm", x * CFM)), decimal(340, 1500).map(lambda x: (f"{x} m3/h", x / 3600)),
)
FITTINGS = ("elbow 90 r/D 1.5", "2x elbow 45", "mitre 30", "flex bend 90", "K 0.3", "reducer 6 in to 4 in")
BIG, SMALL = ("D2729 6 in", "6 in D3034", "spiral 160 mm", "inside 5.9 in roughness 0.03 mm"), ("D2729 4 in", "spiral 100 mm")


@st.composite
def shops(draw: st.DrawFn) -> Told:
    """A whole shop's answers, hostile names among them."""
    told = Told()
    if not told.answer("shop", {
        "name": draw(names), "units": draw(st.sampled_from(["us", "si"])),
        "altitude": draw(st.sampled_from(["", "640 ft", "200 m"])),
        "air_temperature": draw(st.sampled_from(["", "60 F", "15 C"])),
        "hours": draw(st.sampled_from(["", "6:30-19", "06:30 to 19:00"])),
    }):
        told.answer("shop", {"name": "shop", "units": "us"})
    _fan_and_motor(draw, told)
    _filter(draw, told)
    _ducts(draw, told)
    _watching(draw, told)
    return told


def _fan_and_motor(draw: st.DrawFn, told: Told) -> None:
    if draw(st.booleans()):
        top, free = draw(decimal(2000, 3500)), draw(decimal(0.3, 0.8))
        rows = [(x * free, top * (1 - 0.95 * x * x)) for x in (0.0, 0.3, 0.6, 1.0)]
        american = draw(st.booleans())
        points = [f"{q / CFM:.1f} cfm, {p / INWG:.3f} inwg" if american else f"{q:.4f} m3/s; {p:.0f} Pa" for q, p in rows]
        assert told.answer("fan", {"how": "points", "points": "\n".join(draw(st.permutations(points)))})
    else:
        wheel, told.wheel_m = draw(st.sampled_from([("12 1/2 in", 12.5 * INCH), ("300 mm", 0.3), ("1 ft 1/2 in", 12.5 * INCH)]))
        assert told.answer("fan", {"how": "wheel", "wheel_diameter": wheel, "wheel_speed": "3450 rpm"})
    if not (draw(st.booleans()) and told.answer("motor", {"known": "no"})):
        assert told.answer("motor", {
            "known": "yes", "power": draw(st.sampled_from(["2 hp", "1.5 kW"])), "phases": draw(st.sampled_from(["1", "3"])),
            "voltage": "230 V", "full_load_current": draw(st.sampled_from(["", "8.8 A"])),
            "service_factor": draw(st.sampled_from(["", "1.15"])),
        })


def _filter(draw: st.DrawFn, told: Told) -> None:
    drop = draw(st.sampled_from([
        {"drop_known": "no"}, {"drop_known": "yes", "drop_pressure": "1.0 inwg", "drop_at": "600 cfm"},
    ]))
    cloth = draw(st.sampled_from([
        {"area_by": "area", "area": "48 ft2"}, {"area_by": "bags", "bags": "2", "bag_diameter": "20 in", "bag_height": "2' 8\""},
        {"area_by": "bags", "bags": "1", "bag_diameter": "500 mm", "bag_height": "2.1 m"},
    ]))
    sides = st.sampled_from(["before", "after"])
    assert told.answer("filter", {**drop, **cloth, "side": draw(sides)})
    assert told.answer("separator", draw(st.sampled_from([
        {"fitted": "none"}, {"fitted": "unknown"},
        {"fitted": "known", "separator_pressure": "2 inwg", "separator_at": "700 cfm", "side": draw(sides)},
    ])))


def _ducts(draw: st.DrawFn, told: Told) -> None:
    def piece(step: str, name: str, into: str, given: dict[str, str], length: tuple[str, float]) -> str | None:
        for join in (draw(st.sampled_from(["straight", "wye 45", "tee"])), "wye 45"):
            if told.answer(step, {"name": name, "into": into, "join": join, "length": length[0], **given}):
                written = told.draft.list_of(step)[-1]["name"]
                told.lengths[written], told.into[written] = length[1], into
                return written
        return None

    runs: list[str] = []
    for number in range(draw(st.integers(1, 4))):
        into = draw(st.sampled_from(runs)) if runs else "fan"
        given = {
            "pipe": draw(st.sampled_from(BIG)), "fittings": ", ".join(draw(st.lists(st.sampled_from(FITTINGS), max_size=3))),
        }
        for name in (draw(names), f"run {number}"):
            written = piece("runs", name, into, given, draw(lengths(0.5, 12.0)))
            if written is not None:
                runs.append(written)
                break
    for number, run in enumerate([*runs, *draw(st.lists(st.sampled_from(runs), max_size=2))]):
        hose = draw(st.sampled_from([{}, {"hose": "flex 4 in", "hose_length": "5 ft"}]))
        needs = draw(st.one_of(st.none(), flows))
        given = {
            "pipe": draw(st.sampled_from(SMALL)), "gate": draw(st.sampled_from(["blast", "tight", "none"])),
            "entry": draw(st.sampled_from(["plain", "machine 1.5", "taper 45", "350 cfm at 4 inwg"])),
            "needs": "" if needs is None else needs[0], **hose,
        }
        for name in (draw(names), f"port {number}"):
            written = piece("ports", name, run, given, draw(lengths(0.5, 5.0)))
            if written is not None:
                told.needs[written] = None if needs is None else needs[1]
                break
    for length in draw(st.lists(lengths(0.2, 4.0), max_size=2)):
        assert told.answer("discharge", {"pipe": draw(st.sampled_from(BIG)), "length": length[0]})


def _watching(draw: st.DrawFn, told: Told) -> None:
    topics = st.one_of(st.sampled_from(["barn/inlet", 'barn/"x" = "y"', "barn/#", "a\\b", "barn/in # let"]), st.text(max_size=20))
    draft = told.draft
    real = draft.list_of("discharge") or draft.of("filter")["side"] == "before" or draft.of("separator").get("side") == "after"
    # The simulated shop has its bags right after the fan.
    kind = draw(st.sampled_from(["serial", "mqtt"] if real else ["serial", "mqtt", "simulator"]))
    for source in (
        {"kind": kind, "name": draw(names), "device": draw(st.sampled_from(["/dev/ttyUSB0", '/dev/"odd" name'])),
         "host": "barn.local", "topics": f"inlet_pa = {draw(topics)}\njson = {draw(topics)}", "user": draw(names),
         "password_file": draw(st.sampled_from(["", "broker.password"]))},
        {"kind": "serial" if real else "simulator", "name": "rehearsal", "device": "/dev/ttyUSB0", "checksum": "no"},
    ):
        if told.answer("sources", source):
            break
    for channel, unit in draw(st.lists(st.sampled_from([("inlet_pa", "inwg"), ("filter_pa", ""), ("motor_a", "mA")]), min_size=1,
                                       max_size=3, unique=True)):
        if not told.answer("sensors", {"channel": channel, "unit": unit, "raw": draw(names)}):
            told.answer("sensors", {"channel": channel})
    told.answer("outlets", {
        "kind": draw(st.sampled_from(["apprise", "mqtt", "webhook"])), "name": draw(names), "host": draw(names),
        "urls_file": draw(names), "url": "http://192.0.2.7/hook", "at_least": draw(st.sampled_from(["plan", "soon", "stop"])),
    })
    assert told.answer("dashboard", {
        "where": draw(st.sampled_from(["here", "network", "none"])), "host": "0.0.0.0", "password_file": "dashboard.password",
        "allow_hosts": draw(st.sampled_from(["", "barn.local, barn"])), "port": draw(st.sampled_from(["", "8080"])),
    })


@pytest.mark.slow
@settings(max_examples=examples(100), deadline=None)
@given(told=shops())
def test_accepted_answers_give_a_file_that_is_accepted_and_means_the_same(
    told: Told, tmp_path_factory: pytest.TempPathFactory
) -> None:
    draft = told.draft
    wrong = [trouble for trouble in troubles(draft, final=True) if trouble.severity == "error"]
    event(f"something is wrong in the whole: {bool(wrong)}")
    event(f"answers refused on the way: {min(told.refused, 3)}")
    text = shop_toml(draft)
    assert tomllib.loads(text) == tree_of(draft), "the text says what the answers say, and nothing besides"
    path = tmp_path_factory.getbasetemp() / "drafted.toml"
    path.write_text(text, encoding="utf-8")
    found = outcome(draft, path)
    assert found.good is not bool(wrong), (found.errors, wrong)
    assume(not wrong)

    config = load(path)
    design = config.design
    assert config.file.shop.name == draft.of("shop")["name"]
    assert {piece.name: piece.into for piece in (*design.runs, *design.ports)} == told.into
    for piece in (*design.runs, *design.ports):
        assert piece.length_m == pytest.approx(told.lengths[piece.name], abs=2e-5), "four decimals of an inch"
    assert design.filter.before_fan is (draft.of("filter")["side"] == "before")
    if design.separator is not None:
        assert design.separator.after_fan is (draft.of("separator")["side"] == "after")
    assert len(design.discharge) == len(draft.list_of("discharge"))
    for port in design.ports:
        meant = told.needs[port.name]
        assert port.needs_m3s == (None if meant is None else pytest.approx(meant, rel=1e-6))
    assert config.file.fan.wheel_diameter == (None if told.wheel_m is None else pytest.approx(told.wheel_m, rel=1e-9))
    assert design.fan.generic is (told.wheel_m is not None)
    assert (design.motor is None) is (draft.of("motor")["known"] == "no")
    assert {spec.channel for spec in config.sensors} == {row["channel"] for row in draft.list_of("sensors")}
    assert [source.name for source in config.file.source] == [row["name"] for row in draft.list_of("sources")]
    _filter_is_meant(draft, design.filter.area_m2, design.filter.clean_drag_pasm3, design.filter.uncertainty)


def _filter_is_meant(draft: Draft, area_m2: float, drag_pasm3: float, sd: float) -> None:
    answers = draft.of("filter")
    if answers["area_by"] == "area":
        meant = 48 * FOOT**2
    elif answers["bags"] == "2":
        meant = 2 * math.pi * 20 * INCH * 32 * INCH
    else:
        meant = math.pi * 0.5 * 2.1
    assert area_m2 == pytest.approx(meant, rel=2e-3), "two decimals of a square foot or metre"
    if answers["drop_known"] == "yes":
        assert drag_pasm3 == pytest.approx(INWG / (600 * CFM), rel=1e-5)
        assert sd == 0.15
    else:
        assert drag_pasm3 == pytest.approx(INWG / (10 * FOOT / 60 * meant), rel=0.01), "an inch of water at 10 cfm a square foot"
        assert sd == 0.6


@settings(max_examples=examples(10), deadline=None)
@given(told=shops())
def test_a_draft_comes_back_from_its_file_as_it_was(told: Told) -> None:
    draft = told.draft.with_passed("shop").with_unfinished("runs", None, {"name": "half"})
    assert from_json(to_json(draft)) == draft


def test_every_step_is_exercised() -> None:
    """The strategy above answers every step, so that none is left out of the round trip when one is added."""
    assert {step.name for step in STEPS} == {
        "shop", "fan", "motor", "filter", "separator", "runs", "ports", "discharge", "sources", "sensors", "outlets", "dashboard",
    }
