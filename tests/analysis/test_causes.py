"""Root causes: the table's logic, its physics against a small model of its own, and one fault -> one alarm."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from analysis.causes import EXPLANATIONS, PHYSICAL, RESTS_ON, Reach, explain, sentence
from analysis.conditions import TEXTS, Condition, Urgency
from analysis.findings import Claim, Evidence, Finding
from analysis.readings import CHANNELS

C = Condition


def present(condition: Condition, where: str = "", confidence: float = 0.9, **evidence: float) -> Finding:
    return Finding(0.0, condition, Claim.PRESENT, where, confidence,
                   evidence={name: Evidence(value, "pressure", name) for name, value in evidence.items()})


def causes(*findings: Finding, **how: object) -> list[Condition | None]:
    return [f.explained_by for f in explain(findings, **how)]  # type: ignore[arg-type]


# -- the physics of the table ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Toy:
    """A quadratic fan, a main, two runs in parallel and a linear filter, in SI: the smallest shop there is.

    ``fan`` scales the fan's pressure; ``drag`` [Pa s/m3]; ``k`` [Pa s2/m6] of main, first run, second run; ``leak``
    the conductance [m3/s/sqrt(Pa)] of an opening in the main.
    """

    fan: float = 1.0
    drag: float = 800.0
    k: tuple[float, float, float] = (6_000.0, 60_000.0, 60_000.0)
    leak: float = 0.0

    def flows(self) -> tuple[float, float, float]:
        """Total flow, and flow in the first and second run [m3/s]."""

        def runs(suction: float) -> tuple[float, float, float]:
            first, second = (suction / self.k[1]) ** 0.5, (suction / self.k[2]) ** 0.5
            return first + second + self.leak * suction**0.5, first, second

        def surplus(suction: float) -> float:
            total = runs(suction)[0]
            return self.fan * (2900.0 - 9000.0 * total**2) - self.drag * total - self.k[0] * total**2 - suction

        return runs(brentq(surplus, 0.0, 2900.0))


HEALTHY = Toy()
LOADED = replace(HEALTHY, drag=2400.0)
FAULTS = {
    C.BAG_FULL: LOADED, C.FILTER_BLINDED: LOADED, C.FILTER_LOADING: LOADED, C.WEAK_FAN: replace(HEALTHY, fan=0.72),
    C.OPEN_GATE_OR_LEAK: replace(HEALTHY, leak=0.006), C.FILTER_BREACH: replace(HEALTHY, drag=200.0),
    C.BLOCKED_RUN: replace(HEALTHY, k=(6_000.0, 600_000.0, 60_000.0)),
}


@pytest.mark.parametrize(
    "row", [r for r in PHYSICAL if r.effect in (C.LOW_VELOCITY, C.SUCTION_LOST) and r.cause in FAULTS],
    ids=lambda r: f"{r.cause.value}-{r.effect.value}")
def test_the_cause_takes_air_from_the_places_it_is_said_to(row: object) -> None:
    """The table has each sign by reasoning (common practice, no source); here it comes out of a model."""
    cause, reach = row.cause, row.reach  # type: ignore[attr-defined]
    _, first, second = HEALTHY.flows()
    _, first_now, second_now = FAULTS[cause].flows()
    assert first_now < 0.95 * first
    if reach is Reach.ANYWHERE:
        assert second_now < 0.95 * second
    else:
        assert second_now > second  # a plug in one run gives the others more: it explains nothing there


def test_a_breach_and_a_leak_bring_more_air_and_a_weak_fan_and_a_plug_less() -> None:
    total = HEALTHY.flows()[0]
    assert FAULTS[C.FILTER_BREACH].flows()[0] > 1.02 * total  # as an open gate does
    assert FAULTS[C.OPEN_GATE_OR_LEAK].flows()[0] > 1.02 * total
    assert FAULTS[C.WEAK_FAN].flows()[0] < 0.95 * total  # as a plug does
    assert FAULTS[C.BLOCKED_RUN].flows()[0] < 0.95 * total


# -- the table -------------------------------------------------------------------------------------------------------


def test_the_relations_have_an_order() -> None:
    left = {row.cause for rows in EXPLANATIONS.values() for row in rows} | set(EXPLANATIONS)
    while left:
        roots = {c for c in left if not any(row.cause in left for row in EXPLANATIONS[c])}
        assert roots, f"a circle among {left}"
        left -= roots


def test_every_row_has_a_sentence_and_occurs_once() -> None:
    rows = [row for rows in EXPLANATIONS.values() for row in rows]
    assert all(row.sentence.endswith(".") and len(row.sentence) > 20 for row in rows)
    pairs = [(row.cause, row.effect) for row in rows]
    assert len(pairs) == len(set(pairs))


def test_only_a_sensor_fault_may_set_aside_what_calls_for_a_stop() -> None:
    stops = {c for c in Condition if TEXTS[c].urgency is Urgency.STOP}
    assert {row.cause for stop in stops for row in EXPLANATIONS[stop]} == {C.SENSOR_FAULT}


def test_channels_are_those_that_exist() -> None:
    assert set().union(*RESTS_ON.values()) <= set(CHANNELS)
    assert C.SENSOR_FAULT not in RESTS_ON


def test_sentences_are_found_over_several_links() -> None:
    assert sentence(C.BAG_FULL, C.LOW_VELOCITY).startswith("The drag that a full bag adds")
    assert sentence(C.SENSOR_FAULT, C.BAG_FULL)
    assert sentence(C.LEFT_RUNNING, C.BAG_FULL) == ""


# -- one fault, one alarm --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fault", "consequences"),
    [
        (present(C.BAG_FULL), [present(C.FILTER_LOADING), present(C.LOW_VELOCITY, "planer"),
                               present(C.LOW_VELOCITY, "lathe"), present(C.SUCTION_LOST, "planer")]),
        (present(C.FILTER_LOADING), [present(C.LOW_VELOCITY, "lathe"), present(C.SUCTION_LOST, "lathe")]),
        (present(C.FILTER_BLINDED), [present(C.FILTER_LOADING), present(C.LOW_VELOCITY, "lathe")]),
        (present(C.WEAK_FAN), [present(C.LOW_VELOCITY, "lathe"), present(C.SUCTION_LOST, "planer"),
                               present(C.BLOCKED_RUN, "planer")]),
        (present(C.FILTER_BREACH), [present(C.OPEN_GATE_OR_LEAK)]),
        (present(C.OPEN_GATE_OR_LEAK, "bandsaw"), [present(C.LOW_VELOCITY, "lathe"), present(C.SUCTION_LOST, "planer")]),
        (present(C.BLOCKED_RUN, "lathe"), [present(C.LOW_VELOCITY, "lathe"), present(C.SUCTION_LOST, "lathe")]),
        (present(C.SENSOR_FAULT, "filter_pa", 0.95),
         [present(C.BAG_FULL), present(C.FILTER_LOADING), present(C.FILTER_BREACH), present(C.LOW_VELOCITY, "lathe")]),
        (present(C.SENSOR_FAULT, "motor_a"), [present(C.MOTOR_OVERLOAD), present(C.LEFT_RUNNING),
                                              present(C.SHORT_CYCLING)]),
    ],
    ids=lambda value: value.condition.value if isinstance(value, Finding) else "",
)
def test_one_fault_leaves_one_finding_to_tell(fault: Finding, consequences: list[Finding]) -> None:
    for order in itertools.permutations([fault, *consequences]):
        told = [f for f in explain(order) if f.explained_by is None]
        assert told == [fault]
        assert {f.explained_by for f in explain(order) if f.condition is not fault.condition} == {fault.condition}


def test_two_faults_are_both_told() -> None:
    assert causes(present(C.BAG_FULL), present(C.MOTOR_OVERLOAD), present(C.LEFT_RUNNING)) == [None, None, None]
    assert causes(present(C.BLOCKED_RUN, "lathe"), present(C.LOW_VELOCITY, "planer")) == [None, None]


def test_the_first_link_of_a_chain_is_named() -> None:
    chain = [present(C.LOW_VELOCITY, "lathe"), present(C.BAG_FULL, confidence=0.8),
             present(C.SENSOR_FAULT, "filter_pa", confidence=0.95, inlet_pa=-10.0)]
    assert causes(*chain) == [C.SENSOR_FAULT, C.SENSOR_FAULT, None]


def test_a_stop_is_set_aside_only_by_a_cause_at_least_as_sure() -> None:
    assert causes(present(C.BAG_FULL, confidence=0.9), present(C.SENSOR_FAULT, "filter_pa", 0.89)) == [None, None]
    assert causes(present(C.BAG_FULL, confidence=0.9), present(C.SENSOR_FAULT, "filter_pa", 0.9)) == [
        C.SENSOR_FAULT, None]


def test_a_doubtful_cause_explains_nothing() -> None:
    assert causes(present(C.FILTER_LOADING, confidence=0.49), present(C.LOW_VELOCITY)) == [None, None]
    assert causes(present(C.FILTER_LOADING, confidence=0.49), present(C.LOW_VELOCITY), least=0.4) == [
        None, C.FILTER_LOADING]


def test_a_bag_seen_by_its_own_level_sensor_is_told_though_a_pressure_fails() -> None:
    by_level = present(C.BAG_FULL, confidence=0.8, bag_level=0.97)
    assert causes(by_level, present(C.SENSOR_FAULT, "filter_pa", 0.99)) == [None, None]
    assert causes(by_level, present(C.SENSOR_FAULT, "bag_level", 0.99)) == [C.SENSOR_FAULT, None]


def test_a_fault_of_a_pair_names_both() -> None:
    assert causes(present(C.SENSOR_FAULT, "inlet_pa and filter_pa"), present(C.WEAK_FAN, confidence=0.7)) == [
        None, C.SENSOR_FAULT]
    assert causes(present(C.SENSOR_FAULT, ""), present(C.WEAK_FAN)) == [None, None]


def test_places_that_share_the_air() -> None:
    slow = present(C.LOW_VELOCITY, "main")
    assert causes(present(C.BLOCKED_RUN, "lathe"), slow) == [None, None]
    assert causes(present(C.BLOCKED_RUN, "lathe"), slow, related={"lathe": ("bench run", "main")}) == [
        None, C.BLOCKED_RUN]
    assert causes(present(C.BLOCKED_RUN, ""), slow) == [None, C.BLOCKED_RUN]


def test_the_most_urgent_of_several_causes_is_named() -> None:
    assert causes(present(C.OPEN_GATE_OR_LEAK, "bandsaw"), present(C.BAG_FULL), present(C.LOW_VELOCITY, "lathe"))[2] is (
        C.BAG_FULL)


def test_a_port_that_draws_too_little_is_told_once() -> None:
    assert causes(present(C.LOW_VELOCITY, "lathe"), present(C.SUCTION_LOST, "lathe")) == [None, C.LOW_VELOCITY]
    assert causes(present(C.LOW_VELOCITY, "lathe"), present(C.SUCTION_LOST, "planer")) == [None, None]


def test_only_present_claims_explain_and_are_explained() -> None:
    absent = Finding(0.0, C.BAG_FULL, Claim.ABSENT, confidence=0.99)
    unknown = Finding(0.0, C.LOW_VELOCITY, Claim.NOT_YET_KNOWN, reason="still learning")
    assert causes(absent, present(C.LOW_VELOCITY)) == [None, None]
    assert explain([present(C.BAG_FULL), present(C.LEFT_RUNNING), unknown])[2] is unknown


def test_what_is_explained_says_why_unless_it_has_a_reason_of_its_own() -> None:
    _, slow = explain([present(C.BAG_FULL), present(C.LOW_VELOCITY)])
    assert slow.reason == sentence(C.BAG_FULL, C.LOW_VELOCITY)
    _, own = explain([present(C.BAG_FULL), replace(present(C.LOW_VELOCITY), reason="the lathe's run")])
    assert own.reason == "the lathe's run"


any_finding = st.builds(
    Finding, t=st.just(0.0), condition=st.sampled_from(Condition), claim=st.sampled_from(Claim),
    where=st.sampled_from(["", "lathe", "planer", "filter_pa", "motor_a"]), confidence=st.floats(0.0, 1.0))


@given(st.lists(any_finding, max_size=12))
def test_whatever_is_found_something_is_left_to_tell(findings: list[Finding]) -> None:
    before = list(findings)
    done = explain(findings)
    assert findings == before
    assert [(f.condition, f.where, f.claim, f.confidence, f.evidence) for f in done] == [
        (f.condition, f.where, f.claim, f.confidence, f.evidence) for f in before]
    present_now = [f for f in done if f.claim is Claim.PRESENT]
    roots = {f.condition for f in present_now if f.explained_by is None}
    assert bool(present_now) == bool(roots)
    for finding in done:
        if finding.explained_by is not None:
            assert finding.claim is Claim.PRESENT
            assert finding.explained_by in roots, "a root cause is itself told"
            assert finding.reason
