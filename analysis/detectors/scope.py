"""What can be told with a fitted set of sensors, how soon, and what would change it: for ``check``, the page and the README."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from analysis.conditions import Condition

BOTH = frozenset({"inlet_pa", "filter_pa"})
ALL = frozenset({"inlet_pa", "filter_pa", "motor_a"})
MOTOR = frozenset({"motor_a"})
C = Condition


@dataclass(frozen=True, slots=True)
class Scope:
    """A condition, the channels that it needs (``switches``: and gate switches), and how soon it is told, in plain words."""

    condition: Condition
    needs: frozenset[str]
    soon: str
    switches: bool = False


SCOPE: tuple[Scope, ...] = (
    Scope(C.FILTER_LOADING, BOTH, "within half an hour of running past the limit; before that a forecast"),
    Scope(C.FILTER_BLINDED, BOTH, "ten running minutes after the second cleaning that did not bring the drag back"),
    Scope(C.BAG_FULL, BOTH, "within some five running minutes of chips going up, once an hour of running is known; rougher air"
          " makes it later"),
    Scope(C.FILTER_BREACH, ALL, "a bag that tears while the fan runs within some minutes; one that came loose while it was"
          " off after work at large and small flows, until then you are asked"),
    Scope(C.BLOCKED_RUN, BOTH, "at the second visit of the port", switches=True),
    Scope(C.OPEN_GATE_OR_LEAK, BOTH, "at the second setting of the gates that carries too much", switches=True),
    Scope(C.SUCTION_LOST, BOTH, "after some visits of the port", switches=True),
    Scope(C.LOW_VELOCITY, BOTH, "after three stretches of some minutes", switches=True),
    Scope(C.WEAK_FAN, ALL, "after two to four settings of the gates, once an hour of running is known"),
    Scope(C.MOTOR_OVERLOAD, MOTOR, "within two minutes, by the size of the overload"),
    Scope(C.LEFT_RUNNING, frozenset(), "after the time agreed, or longer than you ever work at one setting"),
    Scope(C.SHORT_CYCLING, frozenset(), "at the start that is one too many"),
    Scope(C.SENSOR_FAULT, frozenset(), "silent, stuck or dead within two minutes; a scale that changed after two to four"
          " settings of the gates, where both pressures are fitted"),
)


def can_judge(row: Scope, fitted: Collection[str], switches: bool) -> bool:
    """Whether a condition can be judged with these channels.

    >>> can_judge(SCOPE[0], ("inlet_pa", "filter_pa"), False), can_judge(SCOPE[4], ("inlet_pa", "filter_pa"), False)
    (True, False)
    """
    return row.needs <= frozenset(fitted) and (switches or not row.switches)


def what_is_missing(row: Scope, fitted: Collection[str], switches: bool) -> str:
    """What would have to be fitted for a condition to be judged, in words; "" where nothing is missing.

    >>> what_is_missing(SCOPE[4], ("inlet_pa",), False)
    'the pressure over the bags and gate switches'
    """
    words = {"inlet_pa": "the suction before the fan", "filter_pa": "the pressure over the bags", "motor_a": "the motor current"}
    missing = [text for name, text in words.items() if name in row.needs and name not in fitted]
    if row.switches and not switches:
        missing.append("gate switches")
    return " and ".join(filter(None, (", ".join(missing[:-1]), missing[-1]))) if missing else ""
