"""The states of one alarm and the steps between them, as a table: no time, no input, no output.

The states and steps follow the alarm state diagram of ANSI/ISA-18.2-2016 and IEC 62682:2014 (its letters A to I are
given beside the states; the letters are from memory, and published copies of the diagram letter the last five
differently). What the diagram leaves open was settled so:

* A latched alarm that is reset before it was acknowledged becomes "returned unacknowledged": the owner still has to see
  it. One that is acknowledged first becomes normal on reset.
* An alarm that comes out from behind a shelf, a suppression or an out-of-service mark is judged anew: unacknowledged
  if its condition is there, normal if it is not.
* A shelved or suppressed alarm may be taken out of service, and a suppressed one may be shelved. Everything else about
  a hidden alarm is refused until it is visible again.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType

from daemon.alarms.types import AlarmState
from daemon.errors import DuctwardenError


class AlarmError(DuctwardenError):
    """Something asked of an alarm cannot be done; the alarm is unchanged and the message says what is allowed."""


class IllegalStep(AlarmError):
    """The alarm's state does not allow this step."""


class UnknownAlarm(AlarmError):
    """There is no open alarm with this id, or nothing is out of service under this name."""


class Step(StrEnum):
    """What can happen to an alarm."""

    OCCURS = "occurs"
    """Its claim has lasted the on-delay (again, where it had returned)."""
    CLEARS = "clears"
    """Its claim has been absent for the off-delay, and the alarm does not latch."""
    LATCHES = "latches"
    """Its claim has been absent for the off-delay, and the alarm latches until it is reset."""
    ACKNOWLEDGE = "acknowledge"
    RE_ALARM = "re_alarm"
    """It was acknowledged, and stands so long after that it must be said again."""
    RESET = "reset"
    SHELVE = "shelve"
    SUPPRESS = "suppress"
    """Another alarm is its root cause."""
    REMOVE = "remove_from_service"
    SHOW_ACTIVE = "show_active"
    """The shelf, suppression or out-of-service mark ends, and the condition is there."""
    SHOW_NORMAL = "show_normal"
    """The shelf, suppression or out-of-service mark ends, and the condition is not there."""


_A = AlarmState.NORMAL
_B = AlarmState.UNACKNOWLEDGED
_C = AlarmState.ACKNOWLEDGED
_D = AlarmState.RETURNED
_E = AlarmState.LATCHED_UNACKNOWLEDGED
_F = AlarmState.LATCHED_ACKNOWLEDGED
_G = AlarmState.SHELVED
_H = AlarmState.SUPPRESSED
_I = AlarmState.OUT_OF_SERVICE

_HIDE = {Step.SHELVE: _G, Step.SUPPRESS: _H, Step.REMOVE: _I}
_SHOW = {Step.SHOW_ACTIVE: _B, Step.SHOW_NORMAL: _A}

TABLE: Mapping[AlarmState, Mapping[Step, AlarmState]] = MappingProxyType({
    _A: MappingProxyType({Step.OCCURS: _B, **_HIDE}),
    _B: MappingProxyType({Step.ACKNOWLEDGE: _C, Step.CLEARS: _D, Step.LATCHES: _E, **_HIDE}),
    _C: MappingProxyType({Step.CLEARS: _A, Step.LATCHES: _F, Step.RE_ALARM: _B, **_HIDE}),
    _D: MappingProxyType({Step.ACKNOWLEDGE: _A, Step.OCCURS: _B, **_HIDE}),
    _E: MappingProxyType({Step.ACKNOWLEDGE: _F, Step.RESET: _D, Step.OCCURS: _B, **_HIDE}),
    _F: MappingProxyType({Step.RESET: _A, Step.OCCURS: _B, **_HIDE}),
    _G: MappingProxyType({Step.REMOVE: _I, **_SHOW}),
    _H: MappingProxyType({Step.SHELVE: _G, Step.REMOVE: _I, **_SHOW}),
    _I: MappingProxyType({**_SHOW}),
})
"""State -> step -> next state. A pair that is not here is illegal."""

STANDING = frozenset({_B, _C})
"""The condition is there and the alarm is told."""
HIDDEN = frozenset({_G, _H, _I})
"""Not told, whatever the condition does; everything is still recorded."""
TO_ACKNOWLEDGE = frozenset({_B, _D, _E})
"""Waits for the owner's acknowledgement."""


def follow(state: AlarmState, step: Step) -> AlarmState:
    """The state after ``step``. Raises :class:`IllegalStep` where the diagram has no such arrow.

    >>> follow(AlarmState.UNACKNOWLEDGED, Step.ACKNOWLEDGE)
    <AlarmState.ACKNOWLEDGED: 'acknowledged'>
    """
    after = TABLE[state].get(step)
    if after is None:
        states = ", ".join(s.value for s in AlarmState if step in TABLE[s])
        raise IllegalStep(f"an alarm that is {state.value} cannot take the step {step.value!r}; that is allowed "
                          f"when it is: {states}")
    return after
