"""[[source]] tables -> sources."""

from __future__ import annotations

import time
from datetime import datetime

from daemon.clock import Clock, PacedClock
from daemon.config.config import Config
from daemon.config.sources import MqttTable, ReplayTable, SerialTable, SimulatorTable, SourceTable, TopicTable
from daemon.errors import ConfigError
from daemon.memory import Past
from daemon.sources.contract import Source
from daemon.sources.settings import (
    Expected,
    GateTopicSettings,
    MqttSettings,
    TlsSettings,
    TopicSettings,
    WireSettings,
)

GATE = "gate:"


def build_sources(config: Config, clock: Clock, past: Past) -> tuple[list[Source], Clock | None]:
    """The sources of a configuration, not started, which stamp what arrives by ``clock``.

    Beside them the clock of event time where a source brings its own (a simulator or a recording plays at its own
    pace), else None; it goes on behind the ``past`` of the store. Raises :class:`ConfigError`.
    """
    sources: list[Source] = []
    own_clock: Clock | None = None
    problems: list[str] = []
    for index, table in enumerate(config.file.source):
        try:
            source, brought = _build(config, table, clock, past)
        except ValueError as error:
            problems.append(f"{config.path}: source {index + 1} ({table.name}): {error}")
            continue
        sources.append(source)
        own_clock = brought or own_clock
    if problems:
        raise ConfigError(problems)
    return sources, own_clock


def _build(config: Config, table: SourceTable, clock: Clock, past: Past) -> tuple[Source, Clock | None]:
    if isinstance(table, SimulatorTable):
        return _simulator(config, table, past)
    if isinstance(table, ReplayTable):
        from daemon.sources.replay import replay_source

        return replay_source(table.name, config.at(table.file), table.pace, past.last_t)
    listening = [spec for spec in config.sensors if spec.source in ("", table.name)]
    known = frozenset(spec.raw_name for spec in listening)
    expected = {spec.raw_name: Expected(spec.kind, spec.unit) for spec in listening}
    ports = frozenset(config.design.port_names)
    if isinstance(table, SerialTable):
        from daemon.sources.serial_port import SerialSource

        wire = WireSettings(
            format=table.format, columns=table.columns, pattern=table.pattern, checksum=table.checksum, known=known,
            ports=ports, units=expected,
        )
        return SerialSource(table, wire, clock), None
    if isinstance(table, MqttTable):
        from daemon.sources.mqtt import MqttSource

        return MqttSource(_mqtt(config, table, WireSettings(known=known, ports=ports, units=expected)), clock), None
    from daemon.sources.modbus import ModbusSource

    return ModbusSource(table, clock), None


def _simulator(config: Config, table: SimulatorTable, past: Past) -> tuple[Source, Clock]:
    """The invented shop opens at 06:40 of its latest working day and plays on at its own pace; one that was left goes on
    from the second at which it was left.
    """
    from analysis.plant import demo
    from analysis.plant.convert import from_design
    from daemon.sources.simulated import SimulatedSource, SimulatorSettings

    offset = datetime.now().astimezone().utcoffset()
    offset_s = 0.0 if offset is None else offset.total_seconds()
    if past.first_t is None or past.last_t is None:
        opens_t = start_t = demo.opening(time.time(), offset_s)
    else:
        # The store's first minute may begin a little before the opening itself.
        opens_t, start_t = demo.opening(past.first_t + 60.0, offset_s), past.last_t + 1.0
    clock = PacedClock(start_t, table.pace)
    settings = SimulatorSettings(
        from_design(config.design), table.name, table.seed, opens_t, offset_s,
        channels=tuple(spec.channel for spec in config.sensors),
    )
    return SimulatedSource(settings, clock), clock


def _mqtt(config: Config, table: MqttTable, wire: WireSettings) -> MqttSettings:
    topics: list[TopicSettings] = []
    gates: list[GateTopicSettings] = []
    for topic, carries in table.topics.items():
        if isinstance(carries, TopicTable):
            topics.append(TopicSettings(topic, carries.channel, carries.field, carries.columns, carries.pattern))
        elif carries.startswith(GATE):
            gates.append(GateTopicSettings(topic, carries.removeprefix(GATE)))
        else:
            topics.append(TopicSettings(topic, None if carries == "json" else carries))
    tls = table.tls
    return MqttSettings(
        name=table.name, host=table.host, port=table.port, version=table.version, client_id=table.client_id or "",
        username=table.user, password_file=_path(config, table.password_file), password_env=table.password_env,
        tls=None if tls is None else TlsSettings(
            _path(config, tls.ca_file), _path(config, tls.cert_file), _path(config, tls.key_file), tls.insecure
        ),
        topics=tuple(topics), gates=tuple(gates), wire=wire,
    )


def _path(config: Config, name: str | None) -> str | None:
    return None if name is None else str(config.at(name))
