"""The steps in the order in which they are asked: everybody that asks walks this list."""

from __future__ import annotations

from daemon.drafting.about_ducts import DISCHARGE, PORTS, RUNS
from daemon.drafting.about_shop import FAN, FILTER, MOTOR, SEPARATOR, SHOP
from daemon.drafting.about_watching import DASHBOARD, OUTLETS, SENSORS, SOURCES
from daemon.drafting.asking import Step
from daemon.drafting.draft import Draft

STEPS: tuple[Step, ...] = (SHOP, FAN, MOTOR, FILTER, SEPARATOR, RUNS, PORTS, DISCHARGE, SOURCES, SENSORS, OUTLETS, DASHBOARD)

_BY_NAME = {step.name: step for step in STEPS}


def step_named(name: str) -> Step | None:
    """The step of that name."""
    return _BY_NAME.get(name)


def at_place(place: str) -> Step | None:
    """The step that becomes this key of the file."""
    return next((step for step in STEPS if step.place == place), None)


def first_open(draft: Draft) -> Step | None:
    """The first step that the owner has not passed; None when he has passed them all."""
    return next((step for step in STEPS if step.name not in draft.passed), None)


def after(step: Step) -> Step | None:
    """The step that follows."""
    at = STEPS.index(step) + 1
    return STEPS[at] if at < len(STEPS) else None


def before(step: Step) -> Step | None:
    """The step that comes before."""
    at = STEPS.index(step) - 1
    return STEPS[at] if at >= 0 else None


def enough(step: Step, draft: Draft) -> bool:
    """Whether the step has what it needs to be passed: its answers, or so many items as it wants at least."""
    return len(draft.list_of(step.name)) >= step.least if step.many else step.name in draft.answers
