"""Guided tours and baselines as stretches: one step, one stretch."""

from __future__ import annotations

from analysis.baseline.model import Baseline
from analysis.baseline.steps import TourData
from analysis.compare.stretch import Gathered, Stretch

STEP_ERROR = 0.002
"""Relative standard error of a reading of a stored baseline's step, which keeps the means only (ours)."""
STEP_S = 60.0
"""What a step of a stored baseline stands for [s]."""


def of_tour(data: TourData) -> Gathered:
    """The steps of a tour, with the air and the mains of each, as measured."""
    found = Gathered()
    measured = data.density_sd < 0.005
    for step in data.steps:
        found.stretches.append(Stretch(
            run=data.t, began_t=step.t - step.seconds, t=step.t, seconds=step.seconds, open_ports=step.open_ports,
            group=(step.open_ports,), blocks={name: (m.mean,) for name, m in step.channels.items()},
            density_ratio=step.density_ratio, viscosity_ratio=step.viscosity_ratio,
            air_missing=() if measured else ("air temperature", "barometer"), log_volts=step.log_volts,
            errors={name: m.error for name, m in step.channels.items()},
        ))
    found.running_s = found.seconds
    return found


def of_baseline(baseline: Baseline) -> Gathered:
    """The steps of a stored baseline. It keeps neither the air nor the mains of its day: both count as not measured."""
    found = Gathered()
    for number, step in enumerate(baseline.steps):
        t = baseline.t - (len(baseline.steps) - number) * 2.0 * STEP_S
        found.stretches.append(Stretch(
            run=baseline.t, began_t=t, t=t + STEP_S, seconds=STEP_S, open_ports=step.open_ports,
            group=(step.open_ports,), blocks={name: (value,) for name, value in step.measured.items()},
            air_missing=("air temperature", "barometer"),
            errors={name: STEP_ERROR * abs(value) for name, value in step.measured.items()},
        ))
    found.running_s = found.seconds
    return found
