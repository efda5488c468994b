"""What an estimator remembers over a restart, as plain JSON values."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from analysis.baseline.model import Baseline
from analysis.estimator.slow import Belief
from analysis.estimator.uncertain import uncertain_parts
from analysis.events import EventKind

if TYPE_CHECKING:
    from analysis.estimator.estimator import Estimator


def snapshot(estimator: Estimator) -> dict[str, object]:
    """What was learned: drag, zeros, noise, habits, clean drag, fan speed, and a cleaning that was not yet seen."""
    belief, knowledge, names = estimator.tracking.believed(), estimator.knowledge, estimator.design.port_names
    return {
        "ports": list(names),
        "baseline": _key(estimator.baseline),
        "belief": None if belief is None else belief.snapshot(),
        "zeros": {name: zero.snapshot() for name, zero in knowledge.zeros.items()},
        "noise": estimator.blocks.snapshot(),
        "habit": knowledge.habit.snapshot(names),
        "clean": estimator.clean.snapshot(),
        "log_speed": estimator.carriage.log_speed,
        "pending": None if estimator.pending is None else estimator.pending.value,
    }


def restore(estimator: Estimator, data: Mapping[str, object]) -> None:
    """Take back a :func:`snapshot`. What does not fit (another design or baseline) is left out, and learned anew."""
    design, knowledge = estimator.design, estimator.knowledge
    if data.get("ports") != list(design.port_names):
        return
    belief, zeros, habit, clean = (data.get(key) for key in ("belief", "zeros", "habit", "clean"))
    if isinstance(belief, Mapping) and data.get("baseline") == _key(estimator.baseline):
        # Another baseline has other uncertain parts: a drag believed beside the old ones means nothing there.
        parts = uncertain_parts(design, estimator.baseline, zero_inlet_pa=1.0, zero_filter_pa=1.0, density_sd=0.03)
        estimator.tracking.belief = Belief.restored(belief, len(parts.names))
    if isinstance(zeros, Mapping):
        for name, zero in knowledge.zeros.items():
            if isinstance(kept := zeros.get(name), Mapping):
                zero.restore(kept)
    estimator.blocks.restore(data.get("noise"))
    if isinstance(habit, list):
        knowledge.habit.restore(design.port_names, habit)
    if isinstance(clean, Mapping):
        estimator.clean.restore(clean)
    if isinstance(speed := data.get("log_speed"), float) and -0.5 < speed <= 0.1:
        estimator.carriage.log_speed = speed
    pending = data.get("pending")
    if pending in (EventKind.CLEANED.value, EventKind.REPLACED.value):
        estimator.pending = EventKind(pending)


def _key(baseline: Baseline | None) -> list[object] | None:
    return None if baseline is None else [baseline.name, baseline.t]
