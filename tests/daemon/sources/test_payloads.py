"""What a broker's messages become: topics with wildcards, numbers and objects, gates; and what hostile ones become."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from daemon.config.sources import MqttTable
from daemon.config.sources import topic_filter as topic_filter_of
from daemon.sources.contract import Sample, SourceHealth
from daemon.sources.payloads import PayloadParser, matched
from daemon.sources.wire import WireSettings
from tests.support.thoroughness import examples

NOON = 1_772_366_400.0


Rules = dict[str, Any]


def heard(
    topic: str, payload: str | bytes, rules: Rules, retained: bool = False, **wire: Any
) -> tuple[Sample | None, dict[str, int]]:
    health = SourceHealth("barn", "mqtt")
    table = MqttTable.model_validate({"kind": "mqtt", "name": "barn", "host": "localhost", "topics": rules})
    payload = payload if isinstance(payload, bytes) else payload.encode()
    return PayloadParser(table, WireSettings(**wire), health).parse(topic, payload, retained, NOON), health.refused


INLET = {"barn/inlet": "inlet_pa"}
METER = {"meter": {"channel": "motor_a", "field": "em.current"}}
GATES = {"gate/+": "gate:{1}"}

TAKEN: list[tuple[str, str, Rules, dict[str, float]]] = [
    ("barn/inlet", "-2100.5", INLET, {"inlet_pa": -2100.5}),
    ("barn/inlet", " -2.1005e3\n", INLET, {"inlet_pa": -2100.5}),
    ("barn/inlet", '{"value":-2100.5,"unit":"Pa"}', INLET, {"inlet_pa": -2100.5}),
    ("meter", '{"em":{"current":9.5}}', METER, {"motor_a": 9.5}),
    ("meter", '{"em.current":9.5}', METER, {"motor_a": 9.5}),
    ("a/filter/b/5", "310", {"a/+/b/+": "{1}_{2}"}, {"filter_5": 310.0}),
    ("a/filter_pa", "310", {"a/+": "json"}, {"filter_pa": 310.0}),
    ("a/filter_pa", "310", {"a/#": "json"}, {"filter_pa": 310.0}),
    ("unit", '{"inlet_pa":-1,"filter_pa":2}', {"unit": "json"}, {"inlet_pa": -1.0, "filter_pa": 2.0}),
]


@pytest.mark.parametrize(("topic", "payload", "rule", "values"), TAKEN)
def test_what_is_taken(topic: str, payload: str, rule: Rules, values: dict[str, float]) -> None:
    sample, refused = heard(topic, payload, rule)
    assert sample == Sample("barn", NOON, values)
    assert refused == {}


def test_several_rules_may_read_one_topic() -> None:
    rules = {"+": {"channel": "motor_a", "field": "current"}, "meter": {"channel": "line_v", "field": "voltage"},
             "meter/#": {"gate": "planer", "field": "open"}}
    sample, refused = heard("meter", '{"current":9.5,"voltage":231,"open":true,"t":"2026-03-01T11:59:50Z"}', rules)
    assert sample == Sample("barn", NOON - 10.0, {"motor_a": 9.5, "line_v": 231.0}, {"planer": True})
    assert refused == {}


@pytest.mark.parametrize(
    ("payload", "state"),
    [
        ("open", True),
        ("Shut", False),
        ("1", True),
        ("false", False),
        ('{"value":"OPEN"}', True),
        ('{"value":false}', False),
    ],
)
def test_gates(payload: str, state: bool) -> None:
    sample, refused = heard("gate/planer", payload, GATES)
    assert sample == Sample("barn", NOON, {}, {"planer": state})
    assert refused == {}


REFUSED: list[tuple[str, str | bytes, Rules, str]] = [
    ("barn/inlet", b"\xff\xfe", INLET, "not text"),
    ("barn/inlet", "-1\x00", INLET, "not text"),
    ("barn/inlet", "", INLET, "nothing in it"),
    ("barn/inlet", "x" * 16_385, INLET, "too long"),
    ("barn/inlet", "{", INLET, "not json"),
    ("barn/inlet", '{"v":' * 3000, INLET, "not json"),
    ("barn/inlet", '{"value":null}', INLET, "field missing"),
    ("barn/inlet", '{"value":1,"value":2}', INLET, "field missing"),
    ("unit", "5", {"unit": "json"}, "no channel for a plain number"),
    ("unit", "{}", {"unit": "json"}, "nothing in it"),
    ("elsewhere", "5", INLET, "unknown channel"),
    ("gate/planer", "ajar", GATES, "not a gate state"),
    ("gate/planer", "2", GATES, "not a gate state"),
    ("gate/\x1b[2J", "open", GATES, "unknown channel"),
    ("a/\x1b[2J", "5", {"a/+": "json"}, "unknown channel"),
    ("a/t", "5", {"a/+": "json"}, "nothing in it"),
]


@pytest.mark.parametrize(("topic", "payload", "rule", "reason"), REFUSED)
def test_what_is_refused(
    topic: str, payload: str | bytes, rule: Rules, reason: str
) -> None:
    sample, refused = heard(topic, payload, rule)
    assert sample is None
    assert refused.get(reason) == 1


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        ("nan", "not a number"),
        ("1e400", "number out of bounds"),
        ("12 Pb", "not a number"),
        ("1_0", "not a number"),
        ('{"value":true}', "not a number"),
        ('{"value":"twelve"}', "not a number"),
        ('{"value":' + "9" * 9000 + "}", "number out of bounds"),
        ("[1]", "not a number"),
    ],
)
def test_a_number_that_is_none_is_nan(payload: str, reason: str) -> None:
    sample, refused = heard("barn/inlet", payload, INLET)
    assert sample is not None
    assert math.isnan(sample.values["inlet_pa"])
    assert refused == {reason: 1}


def test_only_known_names_and_ports() -> None:
    rules = {"unit": "json"} | GATES
    sample, refused = heard("unit", '{"inlet_pa":-1,"rssi":-70}', rules, known=frozenset({"inlet_pa"}))
    assert sample == Sample("barn", NOON, {"inlet_pa": -1.0})
    assert refused == {"unknown channel": 1}
    sample, refused = heard("gate/attic", "open", rules, ports=frozenset({"planer"}))
    assert sample is None
    assert refused == {"unknown channel": 1}


@pytest.mark.parametrize(
    ("payload", "taken"),
    [
        ("-1", False),
        ('{"value":-1}', False),
        ('{"value":-1,"t":"2026-03-01T11:59:00Z"}', True),
        ('{"value":-1,"t":"2026-02-01T11:59:00Z"}', False),
    ],
)
def test_a_retained_value_must_say_when_it_was_measured(payload: str, taken: bool) -> None:
    sample, refused = heard("barn/inlet", payload, INLET, retained=True)
    assert (sample is not None) == taken
    assert refused == ({} if taken else {"retained, age unknown": 1})


def test_a_retained_gate_state_counts() -> None:
    sample, refused = heard("gate/planer", "open", GATES, retained=True)
    assert sample == Sample("barn", NOON, {}, {"planer": True})
    assert refused == {}


LEVEL = st.sampled_from(["a", "b", "", "$SYS", "pa"])
TOPIC = st.lists(LEVEL, min_size=1, max_size=4).map("/".join).filter(bool)
FILTER = st.builds(
    lambda levels, tail: "/".join(levels + tail),
    st.lists(LEVEL | st.just("+"), min_size=1, max_size=4),
    st.sampled_from([[], ["#"]]),
).filter(bool)


@given(FILTER, TOPIC)
@settings(max_examples=examples(500))
def test_topics_match_as_another_implementation_says(topic_filter: str, topic: str) -> None:
    topic_filter_of(topic_filter)
    assert (matched(topic_filter, topic) is not None) == topic_matches_sub(topic_filter, topic)


@pytest.mark.parametrize(
    ("topic_filter", "topic", "caught"),
    [
        # MQTT 5.0, section 4.7.1: the specification's own examples
        ("sport/tennis/player1/#", "sport/tennis/player1", ("",)),
        ("sport/tennis/player1/#", "sport/tennis/player1/ranking", ("ranking",)),
        ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", ("score/wimbledon",)),
        ("sport/tennis/+", "sport/tennis/player1", ("player1",)),
        ("sport/tennis/+", "sport/tennis/player1/ranking", None),
        ("sport/+", "sport", None),
        ("sport/+", "sport/", ("",)),
        ("+/+", "/finance", ("", "finance")),
        ("/+", "/finance", ("finance",)),
        ("+", "/finance", None),
        ("#", "$SYS/monitor/Clients", None),
        ("+/monitor/Clients", "$SYS/monitor/Clients", None),
        ("$SYS/#", "$SYS/monitor/Clients", ("monitor/Clients",)),
    ],
)
def test_the_specifications_examples(topic_filter: str, topic: str, caught: tuple[str, ...] | None) -> None:
    assert matched(topic_filter, topic) == caught


@pytest.mark.parametrize("topic", ["", "a/#/b", "a#", "a/b+", "+a", "a\0b", "x" * 70_000])
def test_filters_that_cannot_be(topic: str) -> None:
    with pytest.raises(ValueError, match="topic"):
        heard("x", "1", {topic: "json"})


RULES = {"+/+/pa": "{1}_{2}", "unit/#": "json", "unit/meter": METER["meter"]} | GATES
ANY_TOPIC = st.sampled_from(["a/b/pa", "unit/x", "unit/meter", "unit", "gate/x", "gate/\x1b", "t/gates/pa"]) | st.text(
    max_size=12
)
ANY_JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers(-(10**400), 10**400) | st.text(max_size=5),
    lambda inner: st.dictionaries(
        st.sampled_from(["value", "t", "gates", "em", "current"]) | st.text(max_size=4), inner, max_size=3
    ),
    max_leaves=6,
).map(lambda made: json.dumps(made).encode())


@given(ANY_TOPIC, st.binary(max_size=40) | ANY_JSON, st.booleans())
@settings(max_examples=examples(600))
def test_any_message_at_all(topic: str, payload: bytes, retained: bool) -> None:
    sample, refused = heard(topic, payload, RULES, retained=retained)
    assert sample is not None or refused
    if sample is not None:
        assert sample.values or sample.gates
        assert NOON - 3600.0 <= sample.t <= NOON + 10.0
        assert all(type(v) is float and (math.isnan(v) or abs(v) < 1e12) for v in sample.values.values())
        assert all(name.isprintable() for name in sample.values)
        assert all(port.isprintable() for port in sample.gates or {})
