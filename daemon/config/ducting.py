"""The ducting in the configuration: strict tables for fan, motor, filter, separator, runs and ports.

The tables check what can be seen in one place (a unit, a pipe's name, a fitting); :mod:`daemon.config.drawing` puts
them together into a design and checks what only shows in the whole drawing. """

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from analysis.duct import fittings, gates, openings, stock
from analysis.duct.design import WOOD_DUST
from daemon.config.common import Name
from daemon.config.joins import JOIN_FORMS, read_join
from daemon.config.quantities import (
    Area,
    Density,
    Flow,
    FlowOrZero,
    Fraction,
    Length,
    LengthOrZero,
    PositiveCurrent,
    PositivePressure,
    Power,
    Pressure,
    Speed,
    StrictModel,
    Velocity,
    Voltage,
)


def _pipe(text: str) -> str:
    stock.pipe(text)
    return text


def _hose(text: str) -> str:
    if not stock.pipe(text).flexible and not text.lower().startswith("inside"):
        raise ValueError(
            f"{text!r} is rigid pipe; a hose is 'flex 4 in' (as it hangs), 'flex stretched 4 in', 'flex slack 4 in' or"
            " 'inside 4 in roughness 1 mm'"
        )
    return text


def _fitting(text: str) -> str:
    fittings.fitting(text)
    return text


def _entry(text: str) -> str:
    openings.entry(text)
    return text


def _gate(text: str) -> str:
    gates.gate(text)
    return text


def _join(text: str) -> str:
    read_join(text)
    return text


def _share(low: float, high: float) -> AfterValidator:
    def check(value: float) -> float:
        if not low <= value <= high:
            raise ValueError(f"must lie between {100 * low:g} % and {100 * high:g} %")
        return value

    return AfterValidator(check)


PipeText = Annotated[str, AfterValidator(_pipe), Field(description="standard and size", examples=["D2729 6 in"])]
HoseText = Annotated[str, AfterValidator(_hose), Field(description="hose and nominal size", examples=["flex 4 in"])]
FittingText = Annotated[str, AfterValidator(_fitting), Field(description=f"one of {fittings.FITTING_FORMS}")]
EntryText = Annotated[str, AfterValidator(_entry), Field(description=f"one of {openings.ENTRY_FORMS}")]
GateText = Annotated[str, AfterValidator(_gate), Field(description=f"one of {gates.GATE_FORMS}")]
JoinText = Annotated[
    str, AfterValidator(_join), Field(description=f"one of {JOIN_FORMS}")
]
Sd = Annotated[Fraction, _share(0.0, 1.0)]
"""One relative standard deviation, as a percentage."""


class MaterialTable(StrictModel):
    """[material]: what the air carries, and the velocities that carry it."""

    name: Name = WOOD_DUST.name
    main_velocity: Velocity = WOOD_DUST.main_velocity_ms
    branch_velocity: Velocity = WOOD_DUST.branch_velocity_ms


class FanPointTable(StrictModel):
    """One point of the fan's curve; shaft power at every point or at none."""

    flow: FlowOrZero
    static: Pressure
    power: Power | None = None


class FanTable(StrictModel):
    """[fan]: points of its curve, or, where the owner has none, the size of its wheel and its speed."""

    points: tuple[FanPointTable, ...] = ()
    at_speed: Speed | None = None
    at_density: Density | None = None
    wheel_diameter: Length | None = None
    speed: Speed | None = None
    uncertainty: Sd | None = None

    @model_validator(mode="after")
    def _one_way(self) -> FanTable:
        if bool(self.points) == (self.wheel_diameter is not None):
            raise ValueError(
                "give either points = [...] (flow, static, power) or wheel_diameter and speed for a rough guess, "
                + ("not both" if self.points else "and one of them is needed")
            )
        if self.wheel_diameter is not None:
            if self.speed is None:
                raise ValueError("a fan known by its wheel_diameter needs its speed, such as speed = \"3450 rpm\"")
            if self.at_speed is not None or self.at_density is not None:
                raise ValueError("at_speed and at_density belong to points; leave them out beside wheel_diameter")
        elif self.speed is not None and self.at_speed is None:
            raise ValueError("speed is given, but not at_speed, the speed that the points hold at")
        return self


class MotorTable(StrictModel):
    """[motor]: its plate. Without full_load_current the table value of the electrical code is taken."""

    power: Power
    phases: Literal[1, 3]
    voltage: Voltage
    full_load_current: PositiveCurrent | None = None
    service_factor: Annotated[float, Field(ge=1.0, le=1.6)] = 1.0
    efficiency: Annotated[Fraction, _share(0.3, 0.99)] | None = None
    idle_share: Annotated[Fraction, _share(0.15, 0.8)] | None = None
    uncertainty: Sd | None = None


class DropTable(StrictModel):
    """A pressure drop at a flow."""

    pressure: PositivePressure
    at: Flow


USUAL_DRAG_RATIO, USUAL_FLOW_LOST = 1.75, "10 %"
"""When bags are cleaned where the owner says nothing (common practice, no source)."""
CRITERIA = ("clean_at_drag_ratio", "clean_at_flow_lost", "clean_at_drop")


Side = Literal["before", "after"]
"""Of the fan: on the suction side or on the pressure side."""


class FilterTable(StrictModel):
    """[filter]: the bags, their drop when clean, and when the owner wants to clean them. Left out where there are none.

    The criteria that are written hold, whichever is reached first; where none is written, the first two hold with their
    usual values.
    """

    area: Area
    clean_drop: DropTable
    clean_at_drag_ratio: Annotated[float, Field(gt=1.0, le=20.0)] | None = None
    clean_at_flow_lost: Annotated[Fraction, _share(0.01, 0.8)] | None = None
    clean_at_drop: DropTable | None = None
    side: Side = "after"
    uncertainty: Sd | None = None

    @model_validator(mode="before")
    @classmethod
    def _usual_criteria(cls, table: object) -> object:
        if not isinstance(table, dict) or any(key in table for key in CRITERIA):
            return table
        return {**table, "clean_at_drag_ratio": USUAL_DRAG_RATIO, "clean_at_flow_lost": USUAL_FLOW_LOST}


class SeparatorTable(StrictModel):
    """[separator]: a cyclone or drop box before the fan, or after it with ``side = "after"``."""

    drop: DropTable
    side: Side = "before"
    uncertainty: Sd | None = None


class DuctTable(StrictModel):
    """A piece of duct; as [[discharge]] one after the fan, in the order of the air."""

    pipe: PipeText
    length: Length
    fittings: tuple[FittingText, ...] = ()


class RunTable(DuctTable):
    """[[run]]: a piece of duct that carries air into another run or into the fan. ``at`` is how far along that run it joins,
    from where that run begins; without it, at the beginning."""

    name: Name
    into: str
    at: LengthOrZero | None = None
    join: JoinText = "straight"
    leak: Area | None = None
    uncertainty: Sd | None = None


class LeakTable(StrictModel):
    """What a shut gate lets through at a suction."""

    flow: Flow
    at: PositivePressure


class PortTable(DuctTable):
    """[[port]]: an opening with its hose, gate and pipe, and the flow that its machine needs; ``at`` as for a run."""

    name: Name
    into: str
    at: LengthOrZero | None = None
    join: JoinText = "straight"
    hose: HoseText | None = None
    hose_length: Length | None = None
    entry: EntryText
    gate: GateText = "blast"
    gate_leakage: LeakTable | None = None
    needs: Flow | None = None
    uncertainty: Sd | None = None

    @model_validator(mode="after")
    def _together(self) -> PortTable:
        if self.hose is not None and self.hose_length is None:
            raise ValueError(f"hose {self.hose!r} has no hose_length; write for example hose_length = \"5 ft\"")
        if self.hose is None and self.hose_length is not None:
            raise ValueError("hose_length is given, but no hose; write for example hose = \"flex 4 in\"")
        if self.gate_leakage is not None and self.gate.lower() == "none":
            raise ValueError("gate_leakage is given, but gate = \"none\": a port without a gate is always open")
        return self
