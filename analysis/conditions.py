"""The conditions ductwarden can name. The names are the vocabulary of files, API and messages and never change."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Condition(StrEnum):
    """What can be wrong (or due)."""

    FILTER_LOADING = "filter_loading"
    FILTER_BLINDED = "filter_blinded"
    BAG_FULL = "bag_full"
    BLOCKED_RUN = "blocked_run"
    OPEN_GATE_OR_LEAK = "open_gate_or_leak"
    FILTER_BREACH = "filter_breach"
    WEAK_FAN = "weak_fan"
    MOTOR_OVERLOAD = "motor_overload"
    LOW_VELOCITY = "low_velocity"
    LEFT_RUNNING = "left_running"
    SHORT_CYCLING = "short_cycling"
    SENSOR_FAULT = "sensor_fault"
    SUCTION_LOST = "suction_lost"


class Urgency(StrEnum):
    """How soon the owner must act: it orders alarms, words and the lamp."""

    STOP = "stop"
    """Switch the unit off now."""
    SOON = "soon"
    """Look today."""
    PLAN = "plan"
    """Look when it suits."""


@dataclass(frozen=True, slots=True)
class ConditionText:
    """The words that go with a condition wherever it is shown."""

    title: str
    meaning: str
    action: str
    urgency: Urgency


TEXTS: dict[Condition, ConditionText] = {
    Condition.FILTER_LOADING: ConditionText(
        "The filter is loaded", "Dust in the filter bags now costs suction at the ports.",
        "Stop the fan and clean the filter bags.", Urgency.PLAN),
    Condition.FILTER_BLINDED: ConditionText(
        "Cleaning no longer restores the filter", "After each cleaning the bags keep more of their drag.",
        "Wash or replace the filter bags.", Urgency.PLAN),
    Condition.BAG_FULL: ConditionText(
        "The chip bag is full", "Chips are being carried up into the filter bags.",
        "Stop the fan and empty the chip bag.", Urgency.STOP),
    Condition.BLOCKED_RUN: ConditionText(
        "A run is plugged", "Less air flows than any gate setting explains.",
        "Stop the fan and clear the run.", Urgency.SOON),
    Condition.OPEN_GATE_OR_LEAK: ConditionText(
        "A gate is open or a hose is off", "More air flows than the expected gates explain.",
        "Look for an open gate, a hose that came off or a split joint.", Urgency.SOON),
    Condition.FILTER_BREACH: ConditionText(
        "A filter bag is loose or torn", "Filter drag fell without a cleaning.",
        "Stop the fan and look at the bags and their clamps. Keep out of the dust.", Urgency.STOP),
    Condition.WEAK_FAN: ConditionText(
        "The fan is weak", "The whole fan curve has dropped.",
        "Look at the fan wheel, the supply voltage and the direction of rotation, with the power locked out.", Urgency.SOON),
    Condition.MOTOR_OVERLOAD: ConditionText(
        "The motor is overloaded", "The motor has drawn more than its nameplate allows for its time.",
        "Stop the fan and let the motor cool.", Urgency.STOP),
    Condition.LOW_VELOCITY: ConditionText(
        "Air is too slow to carry chips", "An open run has fallen below the carrying velocity it had.",
        "Close a gate that is not in use, or clean the filter.", Urgency.SOON),
    Condition.LEFT_RUNNING: ConditionText(
        "The collector was left running", "It has run longer than agreed with no sign of work.",
        "Switch it off.", Urgency.SOON),
    Condition.SHORT_CYCLING: ConditionText(
        "Too many starts", "The motor was started more often in an hour than agreed.",
        "Leave it running between cuts.", Urgency.PLAN),
    Condition.SENSOR_FAULT: ConditionText(
        "A sensor cannot be trusted", "A channel is stuck, silent, out of range or drifting.",
        "Check the tube, the wire and the sensor.", Urgency.SOON),
    Condition.SUCTION_LOST: ConditionText(
        "A port has lost suction", "A port draws less than its baseline, after the filter's part is taken out.",
        "Compare the port with its baseline and look along its run.", Urgency.PLAN),
}
"""Title, meaning, action and urgency for each condition."""
