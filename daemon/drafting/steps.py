"""The steps in the order in which they are asked, which everybody that asks walks, and the values of the file that follow from
the answers, with stand-ins for what has not been asked yet."""

from __future__ import annotations

from typing import Any

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


Tree = dict[str, Any]


def tree_of(draft: Draft) -> Tree:
    """The tables that follow from the answers; steps that were not answered are left out."""
    tree: Tree = {}
    for step in STEPS:
        if step is SENSORS:
            rows = draft.list_of(step.name)
            if rows:
                tree["sensor"] = {row["channel"]: step.tree(row) for row in rows if row.get("channel")}
        elif step.many:
            rows = draft.list_of(step.name)
            if rows:
                tree[step.place] = [step.tree(row) for row in rows]
        elif step.name in draft.answers and step.wanted(draft.of(step.name)):
            table = step.tree(draft.of(step.name))
            if table or step.place != "dashboard":
                tree[step.place] = table
    if draft.of("motor").get("known") == "no" and "motor" in tree:
        tree["alarm"] = {"motor_overload": {"enabled": False}}  # a guessed plate raises no overload alarm
    # The log always gets everything; the other outlets come beside it.
    tree["outlet"] = [{"kind": "log"}, *tree.get("outlet", [])]
    return tree


_FAN = {"points": [
    {"flow": "0 m3/s", "static": "2.9 kPa"}, {"flow": "0.3 m3/s", "static": "2.6 kPa"}, {"flow": "0.6 m3/s", "static": "0.8 kPa"},
]}
_FILTER = {"area": "4.5 m2", "clean_drop": {"pressure": "250 Pa", "at": "0.28 m3/s"}}


def with_stand_ins(draft: Draft, tree: Tree) -> tuple[Tree, frozenset[str]]:
    """A tree that can be checked as a whole though not everything was asked yet, and the keys that were made up for it.

    Whatever is said about a made-up key is nobody's mistake; a stand-in for the ports ends the last run.
    """
    whole, made = dict(tree), set()
    motor_open = "motor" not in draft.answers
    made_up: Tree = {
        "shop": {"name": "shop"}, "fan": _FAN, "filter": _FILTER,
        "source": [{"kind": "simulator"}], "sensor": {"inlet_pa": {}},
    }
    if motor_open and "wheel_diameter" in tree.get("fan", {}):
        made_up["motor"] = {"power": "1.5 kW", "phases": 1, "voltage": "230 V"}
    for key, table in made_up.items():
        if key not in whole:
            whole[key] = table
            made.add(key)
    if not whole.get("run"):
        whole["run"] = [{"name": "run", "into": "fan", "pipe": "spiral 160 mm", "length": "1 m"}]
        made.add("run")
    if not whole.get("port"):
        last = whole["run"][-1]
        names = {row.get("name") for row in whole["run"]}
        name = next(text for text in (f"port {number}" for number in range(len(names) + 1)) if text not in names)
        whole["port"] = [{
            "name": name, "into": last.get("name", "run"), "join": "wye 45", "pipe": last.get("pipe", "spiral 160 mm"),
            "length": "1 m", "entry": "plain",
        }]
        made.add("port")
    return whole, frozenset(made)
