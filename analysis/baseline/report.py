"""Design against as built, in numbers and in the words of somebody who will go and look."""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.baseline.model import Baseline

PLAIN = 0.20
"""A resistance this far from the design is worth a sentence, if it is also beyond two standard deviations."""


@dataclass(frozen=True, slots=True)
class Line:
    """One part: as-built over design with one relative standard deviation, and what to make of it ("" for nothing)."""

    kind: str
    name: str
    ratio: float
    sd: float
    words: str


def report(baseline: Baseline) -> tuple[Line, ...]:
    """Every factor of the baseline with words where it differs from the design by more than it can by chance."""
    at = {name: i for i, name in enumerate(baseline.names)}

    def sd(name: str) -> float:
        i = at.get(name)
        return 0.0 if i is None else math.sqrt(max(baseline.covariance[i][i], 0.0))

    built = baseline.as_built
    lines = [Line("port", name, k, sd(f"port:{name}"), _duct_words(f"the run to the {name}", k, sd(f"port:{name}")))
             for name, k in built.port_k.items()]
    lines += [Line("run", name, k, sd(f"run:{name}"), _duct_words(f"the {name}", k, sd(f"run:{name}")))
              for name, k in built.run_k.items()]
    lines.append(Line("fan", "pressure", built.fan_pressure, sd("fan_pressure"), _far(
        built.fan_pressure, sd("fan_pressure"), 0.08,
        "the fan gives {times} its stated pressure: look at the wheel, the speed and the inlet",
        "the fan gives {times} its stated pressure: its curve is a modest one, or it turns faster")))
    lines.append(Line("leak", "shut gates", built.leak, sd("leak"), _far(
        built.leak, sd("leak"), 0.5, "shut gates and joints let through {times} what was reckoned",
        "shut gates and joints let through {times} what was reckoned: look for a gate that does not close")))
    lines.append(Line("motor", "current", built.motor_current, sd("motor"), _far(
        built.motor_current, sd("motor"), 0.10, "the motor draws {times} the expected current",
        "the motor draws {times} the expected current: check its plate, the voltage and the current sensor")))
    if baseline.drag_pasm3 is not None and baseline.drag_sd is not None:
        ratio = built.filter_drag
        lines.append(Line("filter", "drag", ratio, baseline.drag_sd / baseline.drag_pasm3, _far(
            ratio, baseline.drag_sd / baseline.drag_pasm3, 0.25,
            "the bags resist only {times} their stated clean drag: are they all there and tight?",
            "the bags resist {times} their stated clean drag" + (
                ": the stated figure was too low" if baseline.clean else ": clean them before the tour"))))
    return tuple(lines)


def sentences(baseline: Baseline) -> tuple[str, ...]:
    """Only the words, for a journal or a screen; with the notes of the fit."""
    return (*(line.words for line in report(baseline) if line.words), *baseline.notes)


def _duct_words(what: str, ratio: float, sd: float) -> str:
    return _far(
        ratio, sd, PLAIN, what + " resists only {times} its design: is it shorter, wider or smoother than drawn?",
        what + " resists {times} its design: look for a crushed hose, a sharp bend or chips lying in it")


def _far(ratio: float, sd: float, limit: float, below: str, above: str) -> str:
    if abs(math.log(ratio)) < max(math.log1p(limit), 2.0 * sd):
        return ""
    return (above if ratio > 1.0 else below).format(times=f"{ratio:.2g} times")
