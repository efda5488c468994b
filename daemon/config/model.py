"""The whole configuration file as a strict model, with the tables about the shop and the daemon itself.

The ducting's tables are in :mod:`daemon.config.ducting`, those of sources in :mod:`daemon.config.sources`, and those of
alarms, outlets and notices in :mod:`daemon.config.telling`.
"""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from analysis.conditions import Condition
from analysis.readings import CHANNELS
from daemon.config.common import ClockSpan, Name
from daemon.config.ducting import (
    DuctTable,
    FanTable,
    FilterTable,
    MaterialTable,
    MotorTable,
    PortTable,
    RunTable,
    SeparatorTable,
)
from daemon.config.quantities import (
    Duration,
    Fraction,
    LengthOrZero,
    PositiveCurrent,
    PositivePressure,
    StrictModel,
    Temperature,
    Voltage,
)
from daemon.config.sources import SourceTable
from daemon.config.telling import AlarmTable, LogOutlet, NoticesTable, OutletTable

_PRICE = re.compile(r"^(\d+(?:\.\d+)?|\.\d+) ?([^\d\s/]{1,5})/kWh$")


class ShopTable(StrictModel):
    """[shop]: what the place is and how it likes its numbers."""

    name: Name
    units: Literal["us", "si"] = "us"
    altitude: LengthOrZero | None = None
    barometer: PositivePressure | None = None
    air_temperature: Temperature = 20.0
    hours: ClockSpan | None = None


class SensorTable(StrictModel):
    """[sensor.CHANNEL]: how one channel is fitted."""

    source: str = ""
    raw: str | None = None
    unit: str = ""
    scale: float = 1.0
    offset: str | None = None
    range: tuple[str, str] | None = None
    max_jump: str | None = None
    stuck_after: Duration | None = None
    silent_after: Duration | None = None
    accuracy: str | None = None
    voltage: Voltage | None = None
    """A current by its power: the device tells watts, which are divided by this voltage and the power factor."""
    power_factor: Annotated[float, Field(gt=0.2, le=1.0)] = 0.85
    """Common practice for an induction motor under load, no source."""
    phases: Literal[1, 3] = 1

    @field_validator("scale")
    @classmethod
    def _scale(cls, scale: float) -> float:
        if scale == 0 or scale != scale or abs(scale) == float("inf"):
            raise ValueError("must be a number other than 0")
        return scale


class RunningTable(StrictModel):
    """[running]: when the fan counts as on."""

    on_current: PositiveCurrent | None = None
    off_current: PositiveCurrent | None = None
    on_pressure: PositivePressure | None = None
    off_pressure: PositivePressure | None = None
    settle: Duration | None = None
    coast: Duration | None = None

    @model_validator(mode="after")
    def _order(self) -> RunningTable:
        for on, off, what in (
            (self.on_current, self.off_current, "current"),
            (self.on_pressure, self.off_pressure, "pressure"),
        ):
            if on is not None and off is not None and off >= on:
                raise ValueError(f"off_{what} must be below on_{what}")
        return self


class LimitsTable(StrictModel):
    """[limits]: what the owner agreed to."""

    idle_run: Duration = 3600.0
    out_of_hours: Duration = 600.0
    starts_per_hour: Annotated[int, Field(ge=2, le=120)] = 10
    overload_margin: Annotated[float, Field(ge=1.0, le=2.0)] | None = None
    suction_lost: Annotated[Fraction, Field(ge=0.02, le=0.8)] = 0.10


class RecordTable(StrictModel):
    """[record]: what the monthly record needs besides what is measured. ``energy_price`` as "0.32 EUR/kWh"."""

    energy_price: str | None = None

    @field_validator("energy_price")
    @classmethod
    def _price(cls, text: str | None) -> str | None:
        if text is not None and not _PRICE.match(text):
            raise ValueError(f"{text!r} is not a price of energy; write it as '0.32 EUR/kWh'")
        return text

    @property
    def price(self) -> tuple[float, str] | None:
        """Price of a kWh and the currency; None where none is given."""
        found = None if self.energy_price is None else _PRICE.match(self.energy_price)
        return None if found is None else (float(found.group(1)), found.group(2))


class StoreTable(StrictModel):
    """[store]: where what was seen is kept."""

    file: str = "ductwarden.db"
    keep_raw: Duration = 90 * 86400.0
    postgres_file: str | None = None
    """A file with the connection string of a PostgreSQL database that gets a copy of roll-ups and alarms."""
    postgres_env: str | None = None


class DashboardTable(StrictModel):
    """[dashboard]: where the pages are served."""

    enabled: bool = True
    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = 8765
    password_file: str | None = None
    allow_hosts: tuple[str, ...] = ()
    view_without_password: bool = False


class ShopFile(StrictModel):
    """The whole configuration file."""

    shop: ShopTable
    material: MaterialTable = MaterialTable()
    fan: FanTable
    motor: MotorTable | None = None
    filter: FilterTable | None = None
    separator: SeparatorTable | None = None
    discharge: tuple[DuctTable, ...] = ()
    run: Annotated[tuple[RunTable, ...], Field(min_length=1)]
    port: Annotated[tuple[PortTable, ...], Field(min_length=1)]
    source: Annotated[tuple[SourceTable, ...], Field(min_length=1)]
    sensor: dict[str, SensorTable]
    running: RunningTable = RunningTable()
    limits: LimitsTable = LimitsTable()
    alarm: dict[Condition, AlarmTable] = Field(default_factory=dict)
    outlet: tuple[OutletTable, ...] = (LogOutlet(kind="log"),)
    notices: NoticesTable = NoticesTable()
    record: RecordTable = RecordTable()
    store: StoreTable = StoreTable()
    dashboard: DashboardTable = DashboardTable()

    @field_validator("sensor")
    @classmethod
    def _channels(cls, sensors: dict[str, SensorTable]) -> dict[str, SensorTable]:
        for name in sensors:
            if name not in CHANNELS:
                raise ValueError(f"{name!r} is not a channel; allowed: {', '.join(CHANNELS)}")
        if not sensors:
            raise ValueError("no sensor is fitted: at least one of inlet_pa, filter_pa, motor_a is needed")
        return sensors


