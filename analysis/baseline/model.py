"""Baseline: the design as it stands in the shop, dated and named, with what is still uncertain about it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from analysis.duct.design import AsBuilt, DuctDesign
from analysis.duct.fan import FanCurve

FORMAT = 1
"""Version of the JSON form."""

BEND_KNOTS = (0.25, 0.5, 0.75)
"""Shares of the fan's free flow at which its curve may be bent by a factor each."""


class BaselineError(ValueError):
    """A stored baseline cannot be used: the message says what was found and what is allowed."""


def bend(share: float) -> tuple[float, float, float]:
    """Weights of the three bends at a share of the free flow; they sum to one.

    >>> bend(0.1), bend(0.375), bend(0.9)
    ((1.0, 0.0, 0.0), (0.5, 0.5, 0.0), (0.0, 0.0, 1.0))
    """
    low, middle, high = BEND_KNOTS
    if share <= low:
        return (1.0, 0.0, 0.0)
    if share >= high:
        return (0.0, 0.0, 1.0)
    if share <= middle:
        w = (share - low) / (middle - low)
        return (1.0 - w, w, 0.0)
    w = (share - middle) / (high - middle)
    return (0.0, 1.0 - w, w)


@dataclass(frozen=True, slots=True)
class StepSummary:
    """One step of the tour as it went into the fit: open ports, what was measured and what the fit makes of it."""

    open_ports: tuple[str, ...]
    measured: Mapping[str, float]
    fitted: Mapping[str, float]
    flow_m3s: float
    flow_sd: float


@dataclass(frozen=True, slots=True)
class Baseline:
    """The shop as built.

    ``t`` event time of the tour. ``as_built`` factors on the design; ``fan_bend`` three more factors on the fan's
    pressure at low, middle and high flow; ``motor_tilt`` relative growth of the current's distance from three quarters
    of full load; ``pitot`` factor on the velocity pressure. ``drag_pasm3`` drag of the bags on that day, carried to the
    design's air, with its standard deviation; ``clean`` whether the bags had just been cleaned. ``names`` and
    ``covariance`` the joint uncertainty of every factor (as logarithms) after the fit. ``misfit`` root mean square of
    the residuals in standard deviations, ``steps`` what was measured.
    """

    t: float
    name: str
    as_built: AsBuilt = field(default_factory=AsBuilt)
    fan_bend: tuple[float, float, float] = (1.0, 1.0, 1.0)
    motor_tilt: float = 0.0
    pitot: float = 1.0
    drag_pasm3: float | None = None
    drag_sd: float | None = None
    clean: bool = False
    names: tuple[str, ...] = ()
    covariance: tuple[tuple[float, ...], ...] = ()
    misfit: float | None = None
    steps: tuple[StepSummary, ...] = ()
    port_names: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON values."""
        built = self.as_built
        return {
            "format": FORMAT, "t": self.t, "name": self.name,
            "as_built": {
                "fan_pressure": built.fan_pressure, "fan_flow": built.fan_flow, "port_k": dict(built.port_k),
                "run_k": dict(built.run_k), "leak": built.leak, "motor_current": built.motor_current,
                "filter_drag": built.filter_drag,
            },
            "fan_bend": list(self.fan_bend), "motor_tilt": self.motor_tilt, "pitot": self.pitot,
            "drag_pasm3": self.drag_pasm3, "drag_sd": self.drag_sd, "clean": self.clean, "names": list(self.names),
            "covariance": [list(row) for row in self.covariance], "misfit": self.misfit,
            "steps": [
                {"open_ports": list(s.open_ports), "measured": dict(s.measured), "fitted": dict(s.fitted),
                 "flow_m3s": s.flow_m3s, "flow_sd": s.flow_sd} for s in self.steps
            ],
            "port_names": list(self.port_names), "notes": list(self.notes),
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Baseline:
        """The inverse of :meth:`to_dict`. Raises :class:`BaselineError` for anything else."""
        if data.get("format") != FORMAT:
            raise BaselineError(f"baseline format is {data.get('format')!r}; this version reads format {FORMAT}")
        try:
            built = data["as_built"]
            made = cls(
                t=float(data["t"]), name=str(data["name"]),
                as_built=AsBuilt(
                    fan_pressure=float(built["fan_pressure"]), fan_flow=float(built["fan_flow"]),
                    port_k={str(k): float(v) for k, v in built["port_k"].items()},
                    run_k={str(k): float(v) for k, v in built["run_k"].items()}, leak=float(built["leak"]),
                    motor_current=float(built["motor_current"]), filter_drag=float(built["filter_drag"])),
                fan_bend=(float(data["fan_bend"][0]), float(data["fan_bend"][1]), float(data["fan_bend"][2])),
                motor_tilt=float(data["motor_tilt"]), pitot=float(data["pitot"]),
                drag_pasm3=None if data["drag_pasm3"] is None else float(data["drag_pasm3"]),
                drag_sd=None if data["drag_sd"] is None else float(data["drag_sd"]), clean=bool(data["clean"]),
                names=tuple(map(str, data["names"])),
                covariance=tuple(tuple(map(float, row)) for row in data["covariance"]),
                misfit=None if data["misfit"] is None else float(data["misfit"]),
                steps=tuple(
                    StepSummary(
                        tuple(map(str, s["open_ports"])), {str(k): float(v) for k, v in s["measured"].items()},
                        {str(k): float(v) for k, v in s["fitted"].items()}, float(s["flow_m3s"]), float(s["flow_sd"]))
                    for s in data["steps"]),
                port_names=tuple(map(str, data["port_names"])), notes=tuple(map(str, data["notes"])))
        except (KeyError, TypeError, ValueError, AttributeError, IndexError) as error:
            raise BaselineError(f"a stored baseline lacks or spoils a field: {error!r}") from error
        if len(made.covariance) != len(made.names) or any(len(row) != len(made.names) for row in made.covariance):
            raise BaselineError(
                f"a stored baseline has {len(made.names)} names and a covariance of {len(made.covariance)} rows")
        return made

    def design_as_built(self, design: DuctDesign) -> DuctDesign:
        """``design`` with its fan curve bent; the other factors go to the solver as :attr:`as_built`."""
        return bent_design(design, self.fan_bend)

    def fits(self, design: DuctDesign) -> str | None:
        """Why this baseline does not belong to ``design``, in a sentence; None when it does."""
        if self.port_names and self.port_names != design.port_names:
            return (
                f"the baseline {self.name!r} knows the ports {', '.join(self.port_names)}; the design has"
                f" {', '.join(design.port_names)}: make a new baseline tour")
        return None


def bent_design(design: DuctDesign, factors: tuple[float, float, float]) -> DuctDesign:
    """``design`` with the static pressure of every fan point multiplied by the bend that applies at its flow."""
    if factors == (1.0, 1.0, 1.0):
        return design
    fan: FanCurve = design.fan
    free = fan.free_flow_m3s() / fan.speed_factor
    points = tuple(
        replace(p, static_pa=p.static_pa * sum(f * w for f, w in zip(factors, bend(p.flow_m3s / free), strict=True)))
        for p in fan.points)
    return replace(design, fan=replace(fan, points=points))
