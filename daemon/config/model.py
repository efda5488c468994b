"""The configuration file's tables, as strict models. The ducting's tables are in :mod:`daemon.config.ducting`."""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from analysis.conditions import Condition, Urgency
from analysis.readings import CHANNELS
from daemon.config.ducting import (
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
)

Name = Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[^\x00-\x1f\x7f]+$")]
_CLOCK = re.compile(r"^([01]\d|2[0-3]):[0-5]\d$")


class ShopTable(StrictModel):
    """[shop]: what the place is and how it likes its numbers."""

    name: Name
    units: Literal["us", "si"] = "us"
    altitude: LengthOrZero | None = None
    barometer: PositivePressure | None = None
    air_temperature: Temperature = 20.0
    hours: tuple[str, str] | None = None

    @field_validator("hours")
    @classmethod
    def _clock_times(cls, hours: tuple[str, str] | None) -> tuple[str, str] | None:
        for text in hours or ():
            if not _CLOCK.match(text):
                raise ValueError(f"{text!r} is not a time of day; write it as '06:30'")
        return hours


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


class SimulatorTable(StrictModel):
    """[[source]] kind = "simulator": the invented shop as an ordinary source."""

    kind: Literal["simulator"]
    name: Name = "simulator"
    pace: Annotated[float, Field(gt=0, le=3600)] = 1.0
    seed: int = 1


class SerialTable(StrictModel):
    """[[source]] kind = "serial": lines over a serial port."""

    kind: Literal["serial"]
    name: Name = "serial"
    device: str
    baud: Annotated[int, Field(ge=300, le=4_000_000)] = 115_200
    format: Literal["auto", "json", "pairs", "columns"] = "auto"
    columns: tuple[str, ...] = ()
    checksum: Literal["required", "optional"] = "optional"
    silent_after: Duration = 10.0
    parity: Literal["N", "E", "O"] = "N"
    dtr: bool | None = None

    @model_validator(mode="after")
    def _columns(self) -> SerialTable:
        if (self.format == "columns") != bool(self.columns):
            raise ValueError('format = "columns" and a list of columns belong together')
        return self


class TlsTable(StrictModel):
    """TLS of a broker."""

    ca_file: str | None = None
    cert_file: str | None = None
    key_file: str | None = None
    insecure: bool = False


class TopicTable(StrictModel):
    """What a topic carries, where a word is not enough: a number somewhere inside a JSON object."""

    channel: str
    field: str = "value"


class MqttTable(StrictModel):
    """[[source]] kind = "mqtt": topics of a broker."""

    kind: Literal["mqtt"]
    name: Name = "mqtt"
    host: str
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    version: Literal["3.1.1", "5"] = "3.1.1"
    topics: Annotated[dict[str, str | TopicTable], Field(min_length=1)]
    user: str | None = None
    password_file: str | None = None
    password_env: str | None = None
    tls: TlsTable | None = None
    client_id: str | None = None


class ReplayTable(StrictModel):
    """[[source]] kind = "replay": a recording, played at a pace."""

    kind: Literal["replay"]
    name: Name = "replay"
    file: str
    pace: Annotated[float, Field(gt=0, le=100_000)] = 1.0


class ModbusRegister(StrictModel):
    """One register of a Modbus transmitter."""

    channel: str
    address: Annotated[int, Field(ge=0, le=65535)]
    function: Literal["holding", "input"] = "input"
    type: Literal["int16", "uint16", "int32", "uint32", "float32"] = "int16"
    word_order: Literal["big", "little"] = "big"
    scale: float = 1.0
    offset: float = 0.0
    unit: Annotated[int, Field(ge=1, le=247)] | None = None
    """Address of the transmitter on the line, where it is another than the table's."""
    at_4_ma: float | None = None
    at_20_ma: float | None = None
    """What 4 mA and 20 mA mean, where the register tells the current of a loop in milliamperes."""

    @model_validator(mode="after")
    def _loop(self) -> ModbusRegister:
        if (self.at_4_ma is None) != (self.at_20_ma is None):
            raise ValueError("at_4_ma and at_20_ma belong together")
        return self


class ModbusTable(StrictModel):
    """[[source]] kind = "modbus": transmitters on Modbus RTU."""

    kind: Literal["modbus"]
    name: Name = "modbus"
    device: str
    baud: Annotated[int, Field(ge=300, le=4_000_000)] = 9600
    parity: Literal["N", "E", "O"] = "N"
    unit: Annotated[int, Field(ge=1, le=247)] = 1
    every: Duration = 1.0
    registers: Annotated[tuple[ModbusRegister, ...], Field(min_length=1)]


SourceTable = Annotated[
    SimulatorTable | SerialTable | MqttTable | ReplayTable | ModbusTable, Field(discriminator="kind")
]


class AlarmTable(StrictModel):
    """[alarm.CONDITION]: how long a claim must last, and whether it is wanted at all."""

    on_delay: Duration | None = None
    off_delay: Duration | None = None
    latch: bool | None = None
    enabled: bool = True


class WantsTable(StrictModel):
    """What every [[outlet]] can say of the notices it takes: nothing less urgent than ``at_least`` ("stop", "soon" or
    "plan"); with ``escalated_only`` nothing but a "stop" that nobody answered; ``digest`` the weekly digest (default: yes,
    unless it takes escalations only)."""

    at_least: Urgency = Urgency.PLAN
    escalated_only: bool = False
    digest: bool | None = None

    @model_validator(mode="after")
    def _one_rule(self) -> WantsTable:
        if self.escalated_only and "at_least" in self.model_fields_set:
            raise ValueError("escalated_only and at_least cannot both be given: an escalation is always a stop")
        return self


class LogOutlet(WantsTable):
    """[[outlet]] kind = "log": notices into the daemon's log."""

    kind: Literal["log"]
    name: Name = "log"


class MqttOutlet(WantsTable):
    """[[outlet]] kind = "mqtt": alarms (retained), the lamp and estimates onto a broker."""

    kind: Literal["mqtt"]
    name: Name = "mqtt"
    host: str
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    version: Literal["3.1.1", "5"] = "3.1.1"
    unit: Annotated[str, Field(pattern=r"^[^/+#\x00]+$")] = "unit"
    base: Annotated[str, Field(pattern=r"^[^+#\x00]+$")] = "ductwarden"
    user: str | None = None
    password_file: str | None = None
    password_env: str | None = None
    tls: TlsTable | None = None


class AppriseOutlet(WantsTable):
    """[[outlet]] kind = "apprise": mail, push or chat by an apprise URL, kept in a file or a variable."""

    kind: Literal["apprise"]
    name: Name = "apprise"
    urls: tuple[str, ...] = ()
    urls_file: str | None = None
    urls_env: str | None = None


class WebhookOutlet(WantsTable):
    """[[outlet]] kind = "webhook": a JSON POST."""

    kind: Literal["webhook"]
    name: Name = "webhook"
    url: Annotated[str, Field(pattern=r"^https?://")]
    secret_file: str | None = None
    secret_env: str | None = None


OutletTable = Annotated[LogOutlet | MqttOutlet | AppriseOutlet | WebhookOutlet, Field(discriminator="kind")]


class NoticesTable(StrictModel):
    """[notices]: when a person may be disturbed. A repeat or an escalation after "0 s" is none at all."""

    quiet_hours: tuple[str, str] | None = None
    repeat_stop_every: Duration | None = None
    repeat_soon_every: Duration | None = None
    escalate_after: Duration | None = None
    tell_cleared: bool = True
    tell_acknowledged: bool = False
    digest_day: Literal[
        "monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday", "never"
    ] = "monday"
    digest_time: str = "06:00"

    @field_validator("quiet_hours")
    @classmethod
    def _clock_times(cls, hours: tuple[str, str] | None) -> tuple[str, str] | None:
        return ShopTable._clock_times(hours)

    @field_validator("digest_time")
    @classmethod
    def _clock_time(cls, at: str) -> str:
        ShopTable._clock_times((at, at))
        return at


_PRICE = re.compile(r"^(\d+(?:\.\d+)?|\.\d+) ?([^\d\s/]{1,5})/kWh$")


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
    filter: FilterTable
    separator: SeparatorTable | None = None
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


