"""Each answer is checked at once, by the configuration's own code, and a mistake is explained where it was made."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.conditions import Condition
from daemon.config.load import parse
from daemon.config.model import ShopFile
from daemon.config.sources import ModbusTable
from daemon.drafting.asking import WHOLE, Context, Question, Step
from daemon.drafting.checks import check_step, read_answer, troubles
from daemon.drafting.draft import MOST_ITEMS, Answers, Draft, from_json
from daemon.drafting.outcome import outcome
from daemon.drafting.steps import STEPS, after, at_place, before, enough, first_open, step_named, tree_of
from daemon.drafting.toml_text import shop_toml
from daemon.errors import ConfigError

POINTS = "0 cfm, 11.8 inwg, 0.85 hp\n400 cfm, 11.6 inwg, 1.25 hp\n800 cfm, 9.1 inwg, 1.8 hp\n1200 cfm, 3.4 inwg, 2.3 hp"


def put(draft: Draft, step: str, **given: str) -> Draft:
    """The draft with answers that must be taken; what is not given is what the step suggests."""
    found = step_named(step)
    assert found is not None
    answers: dict[str, str] = {}
    for question in found.questions:
        if question.asked(answers):
            suggested = question.suggest(Context(draft, answers)) if question.suggest is not None else ""
            answers[question.name] = given.get(question.name, suggested)
    checked = check_step(found, answers, draft)
    assert checked.good, checked.problems
    return draft.with_item(step, None, checked.answers) if found.many else draft.with_answers(step, checked.answers)


def barn() -> Draft:
    """A small shop, complete."""
    draft = put(Draft(), "shop")
    draft = put(draft, "fan", points=POINTS)
    draft = put(draft, "motor", power="2 hp")
    draft = put(draft, "filter", bag_diameter="20 in", bag_height="32 in")
    draft = put(draft, "separator")
    draft = put(draft, "runs", length="14 ft")
    draft = put(draft, "ports", name="planer", length="6 ft")
    draft = put(draft, "sources", kind="simulator")
    draft = put(draft, "sensors", channel="inlet_pa")
    return put(draft, "dashboard")


def wrong(step: str, question: str, draft: Draft | None = None, **given: str) -> str:
    """What is said about one answer."""
    found = step_named(step)
    assert found is not None
    problems = check_step(found, given, draft or Draft()).problems
    assert question in problems, problems
    return problems[question]


@pytest.mark.parametrize(
    ("step", "question", "answer", "words"),
    [
        ("runs", "length", "14", "'14' has no unit; write for example '14 ft'"),
        ("runs", "length", "14 kPa", "is not a unit of length"),
        ("sources", "registers", "inlet_pa", "is not a channel and its place"),
        ("sources", "registers", "inlet_pa = 1, 0, int8", "'int8' is neither a factor nor one of int16"),
        ("sources", "registers", "inlet = 1, 0", "'inlet' is not a channel"),
        ("runs", "length", "-3 ft", "must be more than 0"),
        ("runs", "pipe", "D2729 5 in", "has no size 5 in"),
        ("runs", "pipe", "stovepipe", "is not a pipe"),
        ("runs", "fittings", "elbow 90, banana", "'banana' is not a fitting"),
        ("runs", "into", "nowhere", "is not one of fan"),
        ("runs", "name", "", "an answer is needed here"),
        ("runs", "name", "a\x1b[2J", "cannot be written here"),
        ("runs", "name", "a\nb", "cannot be written here"),
        ("runs", "name", "\ud800", "cannot be written here"),
        ("runs", "name", "x" * 61, "at most 60"),
        ("runs", "name", "x" * 400, "at most 300"),
        ("shop", "hours", "all day", "is not two times of day"),
        ("shop", "hours", "25:00 to 26:00", "is not a time of day"),
        ("shop", "units", "imperial", "is not one of us, si"),
        ("fan", "points", "400 cfm", "has 1 part;"),
        ("fan", "points", "400 cfm, 3 ft, 1 hp", "is not a unit of pressure"),
        ("filter", "bags", "two", "is not a number of bags"),
        ("filter", "bag_diameter", "0 in", "must be more than 0"),
        ("sources", "topics", "inlet_pa: barn", "is not a channel and its topic"),
        ("sources", "topics", "inlet = barn/in", "'inlet' is not a channel"),
        ("sources", "topics", "inlet_pa = barn/#/in", "may only be the last level"),
        ("sensors", "unit", "furlong", "is not a unit of pressure"),
        ("sensors", "range", "2 inwg to -20 inwg", "the lower end comes first"),
        ("dashboard", "host", "my-computer", "is not an address"),
        ("dashboard", "port", "99999", "65535"),
        ("outlets", "url", "ftp://x", "pattern"),
    ],
)
def test_a_mistake_is_told_at_its_question(step: str, question: str, answer: str, words: str) -> None:
    others = {
        "fan": {"how": "points"}, "filter": {"area_by": "bags"}, "sources": {"kind": "mqtt"}, "sensors": {"channel": "inlet_pa"},
        "dashboard": {"where": "network"}, "outlets": {"kind": "webhook"},
    }.get(step, {})
    others |= {"kind": "modbus"} if question == "registers" else {}
    assert words in wrong(step, question, **{**others, question: answer})


def test_an_example_is_given_in_the_owners_units() -> None:
    draft = put(Draft(), "shop", units="si")
    assert wrong("runs", "length", draft, length="4") == "'4' has no unit; write for example '4.2 m'"


def test_what_only_shows_in_the_whole_drawing_is_told_too() -> None:
    draft = put(Draft(), "runs", length="14 ft")
    main = {"name": "main", "into": "fan", "pipe": "D2729 6 in", "length": "9 ft"}
    assert "used twice" in wrong("runs", "name", draft, **main)
    assert "outside" in wrong("runs", "length", draft, **{**main, "name": "b", "length": "4000 ft"})
    draft = put(draft, "runs", name="east", length="5 ft", join="straight")
    two = wrong("ports", WHOLE, draft, name="saw", into="main", join="straight", pipe="D2729 4 in", length="5 ft",
                gate="blast", entry="plain")
    assert "join straight on; only one can" in two
    fan = {"how": "points", "points": "0 cfm, 11 inwg\n400 cfm, 9 inwg\n800 cfm, 10 inwg"}
    assert "a fan's curve rises in the first 60 %" in wrong("fan", "points", **fan)


def test_a_run_may_wait_for_what_flows_into_it_and_is_missed_at_the_end() -> None:
    draft = put(Draft(), "runs", length="14 ft")
    assert [trouble for trouble in troubles(draft) if trouble.severity == "error"] == []
    final = [trouble.words for trouble in troubles(draft, final=True)]
    assert "is missing" in final
    whole = barn()
    lonely = put(whole, "runs", name="lonely", length="5 ft")
    assert any("no port and no other run flows into it" in trouble.words for trouble in troubles(lonely, final=True))
    assert outcome(whole, Path("shop.toml")).good
    assert not outcome(lonely, Path("shop.toml")).good


def test_a_fan_known_by_its_wheel_is_marked_as_wide() -> None:
    draft = put(put(Draft(), "shop"), "fan", how="wheel", wheel_diameter="12 1/2 in")
    draft = barn().with_answers("fan", draft.of("fan"))
    found = outcome(draft, Path("shop.toml"))
    assert found.good
    assert "good to about 20 %" in found.text
    assert any("about 20%" in note for note in found.notes)


@pytest.mark.parametrize("units", ["us", "si"])
def test_a_fan_and_a_motor_that_nobody_knows_get_a_wide_guess_that_raises_no_overload(units: str) -> None:
    draft = put(barn(), "shop", units=units)
    draft = put(put(draft, "fan", how="unknown"), "motor", known="no")
    found = outcome(draft, Path("shop.toml"))
    assert found.good, found.errors
    config = parse(found.text, Path("shop.toml"))
    assert config.design.fan.uncertainty == pytest.approx(0.35)
    assert config.design.motor is not None
    assert config.design.motor.power_w == pytest.approx(1500.0, rel=0.01)  # 2 hp = 1491 W
    assert config.file.alarm[Condition.MOTOR_OVERLOAD].enabled is False
    assert "A guess: its plate was not read" in found.text
    assert any("good to 35 %" in note for note in found.notes)
    assert any("cannot tell an overload" in note for note in found.notes)


def test_transmitters_on_one_adapter_are_written_down() -> None:
    draft = put(barn().without_item("sources", 0), "sources", kind="modbus", device="/dev/ttyUSB0",
                registers="inlet_pa = 1, 0, 0.1\nfilter_pa = 2, 2, float32, holding")
    found = outcome(draft, Path("shop.toml"))
    assert found.good, found.errors
    (source,) = parse(found.text, Path("shop.toml")).file.source
    assert isinstance(source, ModbusTable)
    assert [(r.channel, r.unit, r.address, r.type, r.scale, r.function) for r in source.registers] == [
        ("inlet_pa", 1, 0, "int16", 0.1, "input"), ("filter_pa", 2, 2, "float32", 1.0, "holding"),
    ]


def test_bare_numbers_decimal_commas_and_feet_with_inches_are_understood() -> None:
    draft = put(barn(), "motor", power="1,5 kW", voltage="230", full_load_current="9,2")
    draft = put(draft, "fan", points="0 m3/h; 2,9 kPa\n700 m3/h; 2,6 kPa\n2000 m3/h; 0,8 kPa", at_speed="2850")
    draft = draft.with_item("runs", 0, {**draft.list_of("runs")[0], "length": "4,4 m"})
    config = parse(outcome(draft, Path("shop.toml")).text, Path("shop.toml"))
    assert config.design.motor is not None
    assert (config.design.motor.full_a, config.design.motor.voltage_v) == (9.2, 230.0)
    assert config.design.fan.points[1].static_pa == pytest.approx(2600.0)
    assert config.design.runs[0].length_m == pytest.approx(4.4)


def test_an_unknown_clean_drop_is_a_wide_guess_and_says_what_it_cannot_tell() -> None:
    draft = barn()
    assert draft.of("filter")["drop_known"] == "no"
    found = outcome(draft, Path("shop.toml"))
    assert 'uncertainty = "60 %"' in found.text
    assert any("cannot tell how far the bags are loaded" in note for note in found.notes)
    known = put(draft, "filter", area_by="area", area="48 ft2", drop_known="yes", drop_pressure="1.0 inwg", drop_at="600 cfm")
    found = outcome(known, Path("shop.toml"))
    assert "uncertainty" not in found.text
    (note,) = found.notes
    assert note.startswith("its readings are simulated from your own drawing")


def test_a_suggested_need_is_the_air_that_just_carries_shavings() -> None:
    """4000 fpm, the usual figure for branches, through the 4.065 in of the pipe: 360 cfm, so 370 by tens."""
    ports = step_named("ports")
    assert ports is not None
    question = ports.question("needs")
    assert question is not None
    assert question.suggest is not None
    assert question.suggest(Context(Draft(), {"pipe": "D2729 4 in"})) == "370 cfm"
    assert question.suggest(Context(Draft(), {"pipe": "no such pipe"})) == ""


def test_renaming_a_run_or_a_source_takes_along_what_names_it() -> None:
    draft = barn()
    draft = draft.with_item("runs", 0, {**draft.list_of("runs")[0], "name": "trunk"})
    assert draft.list_of("ports")[0]["into"] == "trunk"
    source = {**draft.list_of("sensors")[0], "source": draft.list_of("sources")[0]["name"]}
    draft = draft.with_item("sensors", 0, source)
    draft = draft.with_item("sources", 0, {**draft.list_of("sources")[0], "name": "dry run"})
    assert draft.list_of("sensors")[0]["source"] == "dry run"
    assert outcome(draft, Path("shop.toml")).good


def test_a_simulator_stands_alone() -> None:
    assert "cannot stand beside other sources" in wrong("sources", "kind", barn(), kind="serial", name="x", device="/dev/ttyUSB0")


def test_comments_hold_no_word_of_the_owner() -> None:
    """What is typed stands only in values: no name can end a comment and begin a line of its own."""
    mark = "zzqq"
    draft = barn()
    draft = put(draft, "ports", name=f"{mark} saw", into="main", length="3 ft", join="wye 45")
    draft = draft.with_answers("shop", {**draft.of("shop"), "name": f'{mark} "# barn"'})
    for line in shop_toml(draft).splitlines():
        before_comment, sign, comment = line.rpartition("  # ")
        assert mark not in (comment if sign else line if line.startswith("#") else "")
        assert before_comment is not None


def test_every_table_that_is_asked_for_is_one_of_the_file() -> None:
    assert {step.place for step in STEPS} <= set(ShopFile.model_fields)
    for step in STEPS:
        assert at_place(step.place) is step
        for question in step.questions:
            assert question.words
            assert question.kind != "choice" or question.choices is not None
            assert question.when is None or step.question(question.when[0]) is not None


def leading_to(step: Step, question: Question) -> dict[str, str]:
    """Answers with which a question is asked."""
    if question.when is None:
        return {"channel": "inlet_pa"} if step.name == "sensors" else {}
    name, among = question.when
    other = step.question(name)
    assert other is not None
    value = among[0] if among[0] != "*" else other.sample("us") or "me"
    return {**leading_to(step, other), name: value}


def test_every_example_is_an_answer_that_is_taken() -> None:
    taken = 0
    for number, units in enumerate(("us", "si")):
        draft = put(barn(), "shop", units=units).without_item("sources", 0).without_item("sensors", 0)
        for step in STEPS:
            for question in step.questions:
                sample = question.example[number]
                if not sample or question.kind == "choice":
                    continue
                given = leading_to(step, question)
                assert question.asked(given), (step.name, question.name)
                assert read_answer(step, question, sample, Context(draft, given)) != ""
                taken += 1
    assert taken > 60


def test_the_order_of_steps() -> None:
    assert before(STEPS[0]) is None
    assert after(STEPS[-1]) is None
    assert after(STEPS[0]) is STEPS[1]
    assert first_open(Draft()) is STEPS[0]
    assert first_open(Draft(passed=frozenset(step.name for step in STEPS))) is None
    runs = step_named("runs")
    assert runs is not None
    assert not enough(runs, Draft())
    assert enough(runs, barn())


def test_no_list_grows_without_end() -> None:
    row: Answers = {"name": "x"}
    draft = Draft(items={"outlets": (row,) * MOST_ITEMS})
    assert f"{MOST_ITEMS} already" in wrong(
        "outlets", WHOLE, draft, kind="apprise", name="one more", urls_file="x", at_least="plan"
    )


@pytest.mark.parametrize(
    "text",
    ["", "[]", "nonsense", '{"draft": 2}', '{"draft": 1}',
     '{"draft": 1, "answers": [], "items": {}, "passed": [], "unfinished": null}',
     '{"draft": 1, "answers": {"shop": {"name": 5}}, "items": {}, "passed": [], "unfinished": null}', "[" * 100_000],
)
def test_a_file_that_is_no_draft_is_told(text: str) -> None:
    with pytest.raises(ConfigError):
        from_json(text)


def test_a_draft_that_was_written_by_hand_is_not_believed() -> None:
    """Whatever stands in a draft's file: the loader judges the text that comes of it, and nothing breaks on the way."""
    draft = Draft(
        answers={"shop": {"name": "\x00", "hours": "x"}, "fan": {"how": "points", "points": ",,,\n;"},
                 "filter": {"area_by": "bags"}, "motor": {"phases": "many", "service_factor": "nan"},
                 "dashboard": {"where": "network", "port": "x"}},
        items={"runs": ({"name": "a", "into": "a"}, {}), "ports": ({"hose_length": "x"},),
               "sensors": ({"channel": "lies"}, {}), "sources": ({"kind": "?"}, {"kind": "mqtt", "topics": "no"}),
               "outlets": ({"kind": "!"},)},
    )
    found = outcome(draft, Path("shop.toml"))
    assert not found.good
    assert troubles(draft) != []
    with pytest.raises(ConfigError):
        parse(found.text, Path("shop.toml"))
    assert tree_of(draft)["shop"]["name"] == "\x00"


def test_a_port_along_a_main_is_drawn_where_it_stands() -> None:
    """Asked only of what joins from the side; the file says it, and the check of the drawing refuses a place beyond the run."""
    step = step_named("ports")
    assert step is not None
    draft = barn()
    row = {**draft.list_of("ports")[0], "name": "sander", "join": "wye 45", "at": "2 ft"}
    assert step.tree(row)["at"] == "2 ft"
    assert "at" not in step.tree({**row, "join": "straight"})
    assert check_step(step, row, draft).good
    assert "at" in check_step(step, {**row, "at": "900 ft"}, draft).problems
