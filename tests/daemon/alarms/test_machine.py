"""The table of states and steps against the published alarm state diagram, pair by pair.

The diagram of ANSI/ISA-18.2-2016 and IEC 62682:2014 itself was not opened. Its arrows were read in public texts that
carry it, named beside each; "from memory" where none was found. Letters: A normal, B unacknowledged, C acknowledged,
D returned unacknowledged, E latched unacknowledged, F latched acknowledged, G shelved, H suppressed by design, I out of
service (letters from memory; published copies differ).
"""

from __future__ import annotations

import pytest

from daemon.alarms.machine import HIDDEN, STANDING, TABLE, TO_ACKNOWLEDGE, IllegalStep, Step, follow
from daemon.alarms.types import AlarmState

A, B, C, D, E, F, G, H, I = AlarmState  # noqa: E741
STATES = dict(zip("ABCDEFGHI", AlarmState, strict=True))

# The Signal K specification (an open standard for marine data) prints the four-state core as a table; the user guide of
# PyAutomation (an open-source automation library) prints the diagram's arrows; alerta (open-source) carries the diagram
# with its latched states as code comments.
CORE = {
    ("A", Step.OCCURS): "B",  # all three
    ("B", Step.ACKNOWLEDGE): "C",  # all three
    ("B", Step.CLEARS): "D",  # all three
    ("C", Step.CLEARS): "A",  # all three
    ("C", Step.RE_ALARM): "B",  # alerta: "re-alarm"
    ("D", Step.ACKNOWLEDGE): "A",  # Signal K, alerta
    ("D", Step.OCCURS): "B",  # Signal K, alerta
}
LATCHED = {
    ("B", Step.LATCHES): "E",  # alerta
    ("C", Step.LATCHES): "F",  # alerta
    ("E", Step.ACKNOWLEDGE): "F",  # alerta
    ("E", Step.RESET): "D",  # alerta
    ("F", Step.RESET): "A",  # alerta
    ("E", Step.OCCURS): "B",  # another open implementation of the model; from memory of the standard
    ("F", Step.OCCURS): "B",  # the same
}
# PyAutomation: normal, unacknowledged and acknowledged can all be shelved, suppressed and taken out of service; alerta
# draws it from any state. Coming back: judged anew, to A or B (alerta, and OPC UA Part 9 for the end of a shelf).
HIDING = {(s, step): to for s in "ABCDEF" for step, to in
          ((Step.SHELVE, "G"), (Step.SUPPRESS, "H"), (Step.REMOVE, "I"))}
SHOWING = {(s, step): to for s in "GHI" for step, to in ((Step.SHOW_ACTIVE, "B"), (Step.SHOW_NORMAL, "A"))}
# Our own choice where the texts are silent or differ (said in the module): between the hidden states.
OURS = {("G", Step.REMOVE): "I", ("H", Step.REMOVE): "I", ("H", Step.SHELVE): "G"}

DIAGRAM = {**CORE, **LATCHED, **HIDING, **SHOWING, **OURS}


@pytest.mark.parametrize("letter", STATES)
@pytest.mark.parametrize("step", Step)
def test_every_pair_is_as_in_the_diagram(letter: str, step: Step) -> None:
    wanted = DIAGRAM.get((letter, step))
    if wanted is not None:
        assert follow(STATES[letter], step) is STATES[wanted]
    else:
        with pytest.raises(IllegalStep) as refused:
            follow(STATES[letter], step)
        words = str(refused.value)
        assert STATES[letter].value in words
        assert step.value in words
        for other, allowed in STATES.items():
            if (other, step) in DIAGRAM:
                assert allowed.value in words.split("when it is:")[1]


def test_the_diagram_and_the_table_have_the_same_number_of_arrows() -> None:
    assert sum(len(steps) for steps in TABLE.values()) == len(DIAGRAM) == 7 + 7 + 18 + 6 + 3


def test_the_three_marks_of_a_state_agree_with_the_published_ones() -> None:
    # yamcs (open-source mission control) writes beside each state of ANSI/ISA-18.2 whether the process is in alarm and
    # whether it is acknowledged: normal ok/ack, unack alarm/unack, ack alarm/ack, rtn-unack ok/unack,
    # latch-unack ok/unack, latch-ack ok/ack.
    assert {B, C} == STANDING
    assert {B, D, E} == TO_ACKNOWLEDGE
    assert {G, H, I} == HIDDEN


def test_every_state_can_be_reached_and_left() -> None:
    reached, edge = {A}, [A]
    while edge:
        for after in TABLE[edge.pop()].values():
            if after not in reached:
                reached.add(after)
                edge.append(after)
    assert reached == set(AlarmState)
    assert all(TABLE[state] for state in AlarmState)


def test_a_state_waits_for_acknowledgement_exactly_where_the_step_is_legal() -> None:
    assert {s for s in AlarmState if Step.ACKNOWLEDGE in TABLE[s]} == TO_ACKNOWLEDGE


def test_the_table_cannot_be_changed() -> None:
    with pytest.raises(TypeError):
        TABLE[A][Step.ACKNOWLEDGE] = C  # type: ignore[index]
