"""The [[source]] tables of the configuration: one for each way in which readings arrive, told apart by ``kind``."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, FiniteFloat, model_validator

from daemon.config.common import BrokerTable, Name
from daemon.config.quantities import Duration, StrictModel
from daemon.sources.grammar import Pattern


class SimulatorTable(StrictModel):
    """[[source]] kind = "simulator": the invented shop as an ordinary source."""

    kind: Literal["simulator"]
    name: Name = "simulator"
    pace: Annotated[float, Field(gt=0, le=3600)] = 1.0
    seed: int = 1


class SerialTable(StrictModel):
    """[[source]] kind = "serial": lines over a serial port.

    ``device`` is best a path under /dev/serial/by-id: it follows the device when the system numbers it anew, for it is looked up
    at every opening. ``dtr`` None leaves the line as the system sets it; false keeps boards that restart on it from restarting.
    After ``silent_after`` without a byte the port is called silent.
    """

    kind: Literal["serial"]
    name: Name = "serial"
    device: str
    baud: Annotated[int, Field(ge=300, le=4_000_000)] = 115_200
    format: Literal["auto", "json", "pairs", "columns"] = "auto"
    columns: tuple[str, ...] = ()
    pattern: str = ""
    """Text with ``{P1}`` where the number called P1 stands, for lines of no common form."""
    checksum: Literal["required", "optional"] = "optional"
    silent_after: Duration = 10.0
    parity: Literal["N", "E", "O"] = "N"
    dtr: bool | None = None

    @model_validator(mode="after")
    def _columns(self) -> SerialTable:
        if self.columns and self.format not in ("auto", "columns"):
            raise ValueError('format = "columns" and a list of columns belong together')
        if self.format == "columns" and not self.columns:
            raise ValueError('format = "columns" and a list of columns belong together')
        return self


class TopicTable(StrictModel):
    """What the messages of a topic (or of many: ``+`` stands for one level, a last ``#`` for all below) carry.

    With a ``channel`` or a ``gate`` the payload is one value, or a JSON object whose ``field`` (a dotted path) is it. ``{1}``,
    ``{2}`` in their names stand for what the first, second ``+`` matched (``#`` counts as the last). Without either the payload
    is read like a serial line: an object, pairs, ``columns`` or the ``pattern``; a plain number then takes the name of the only
    ``+``.
    """

    channel: str | None = None
    gate: str | None = None
    field: str = "value"
    columns: tuple[str, ...] = ()
    pattern: str = ""

    @model_validator(mode="after")
    def _one_way(self) -> TopicTable:
        if (self.channel is not None) + (self.gate is not None) + bool(self.columns) + bool(self.pattern) > 1:
            raise ValueError("one of channel, gate, columns and pattern is enough")
        if self.pattern:
            Pattern(self.pattern)
        return self


def _carried(value: Any) -> Any:
    """A word in place of a table: a channel, ``gate:PORT``, or ``json`` for what names its values itself."""
    if not isinstance(value, str):
        return value
    if value.startswith("gate:"):
        return {"gate": value.removeprefix("gate:")}
    return {} if value == "json" else {"channel": value}


Carried = Annotated[TopicTable, BeforeValidator(_carried, json_schema_input_type=str | TopicTable)]


def topic_filter(topic: str) -> str:
    """The topic, ``ValueError`` unless it is a topic filter (MQTT 5.0, sections 4.7.1 and 4.7.3).

    >>> topic_filter("barn/+/pa")
    'barn/+/pa'
    >>> topic_filter("barn/#/pa")
    Traceback (most recent call last):
    ValueError: topic 'barn/#/pa': '#' may only be the last level, alone
    """
    levels = topic.split("/")
    if not 0 < len(topic.encode()) <= 65535:
        raise ValueError(f"topic {topic!r}: a topic has 1 to 65535 bytes")
    if "\0" in topic:
        raise ValueError(f"topic {topic!r}: no zero byte is allowed")
    if any("#" in level for level in levels[:-1]) or ("#" in levels[-1] and levels[-1] != "#"):
        raise ValueError(f"topic {topic!r}: '#' may only be the last level, alone")
    if any("+" in level and level != "+" for level in levels):
        raise ValueError(f"topic {topic!r}: '+' may only stand alone between slashes")
    return topic


class MqttTable(BrokerTable):
    """[[source]] kind = "mqtt": topics of a broker. Retained values that carry no time stamp are not taken, for nobody knows how
    old they are; retained gate states are."""

    kind: Literal["mqtt"]
    name: Name = "mqtt"
    topics: Annotated[dict[Annotated[str, AfterValidator(topic_filter)], Carried], Field(min_length=1)]
    client_id: str | None = None


class ReplayTable(StrictModel):
    """[[source]] kind = "replay": a recording, played at a pace."""

    kind: Literal["replay"]
    name: Name = "replay"
    file: str
    pace: Annotated[float, Field(gt=0, le=100_000)] = 1.0


class ModbusRegister(StrictModel):
    """One value in a Modbus transmitter.

    ``address`` counts from 0, as on the wire (the manuals' 40001 or 30001 is address 0). The raw number times ``scale`` plus
    ``offset`` is the value; with ``at_4_ma`` and ``at_20_ma`` it is the current of a loop [mA], which means these. ``word_order``
    says which half of a 32-bit value comes first: "big" the high one.
    """

    channel: str
    address: Annotated[int, Field(ge=0, le=65535)]
    function: Literal["holding", "input"] = "input"
    type: Literal["int16", "uint16", "int32", "uint32", "float32"] = "int16"
    word_order: Literal["big", "little"] = "big"
    scale: FiniteFloat = 1.0
    offset: FiniteFloat = 0.0
    unit: Annotated[int, Field(ge=1, le=247)] | None = None
    """Address of the transmitter on the line, where it is another than the table's."""
    at_4_ma: FiniteFloat | None = None
    at_20_ma: FiniteFloat | None = None
    """What 4 mA and 20 mA mean, where the register tells the current of a loop in milliamperes."""

    @model_validator(mode="after")
    def _loop(self) -> ModbusRegister:
        if (self.at_4_ma is None) != (self.at_20_ma is None):
            raise ValueError("at_4_ma and at_20_ma belong together")
        if self.at_4_ma is not None and self.at_4_ma == self.at_20_ma:
            raise ValueError(f"a 4-20 mA range from {self.at_4_ma} to {self.at_20_ma} measures nothing")
        if self.scale == 0.0:
            raise ValueError("scale is 0; it must be another number")
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

    @model_validator(mode="after")
    def _one_each(self) -> ModbusTable:
        names = [register.channel for register in self.registers]
        if len(names) != len(set(names)):
            raise ValueError(f"two registers feed one channel: {', '.join(sorted(names))}")
        if self.every <= 0.0:
            raise ValueError("every must be more than 0 s")
        return self


SourceTable = Annotated[
    SimulatorTable | SerialTable | MqttTable | ReplayTable | ModbusTable, Field(discriminator="kind")
]


def source_problems(sources: Sequence[SourceTable]) -> Iterator[str]:
    """What sources cannot be beside each other: two of one name, one port with two readers, a clock of its own beside others."""
    ports: dict[str, str] = {}
    for at, source in enumerate(sources):
        if source.name in [other.name for other in sources[:at]]:
            yield f"source[{at}].name: two sources are named {source.name!r}; each needs a name of its own"
        if source.kind in ("simulator", "replay") and len(sources) > 1:
            yield f"source[{at}]: a {source.kind} plays at its own time and cannot stand beside other sources"
        if isinstance(source, SerialTable | ModbusTable):
            other = ports.setdefault(source.device, source.name)
            if source.device in [one.device for one in sources[:at] if isinstance(one, SerialTable | ModbusTable)]:
                hint = (", with the unit of each transmitter at its registers" if isinstance(source, ModbusTable)
                        else "; a [sensor.CHANNEL] each is enough for what it sends")
                yield f"source[{at}].device: {source.device} is read by {other!r} already: one port is one [[source]]{hint}"
