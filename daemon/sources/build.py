"""[[source]] tables -> sources."""

from __future__ import annotations

import time
from datetime import datetime
from typing import Any

from daemon.clock import Clock, PacedClock
from daemon.config.config import Config
from daemon.config.sources import MqttTable, ReplayTable, SerialTable, SimulatorTable, SourceTable
from daemon.errors import ConfigError
from daemon.memory import Past
from daemon.sources.contract import Source
from daemon.sources.wire import Expected, WireSettings


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

        placed: dict[str, Any] = {} if table.tls is None else {"tls": table.tls.placed(config)}
        if table.password_file is not None:
            placed["password_file"] = str(config.at(table.password_file))
        wire = WireSettings(known=known, ports=ports, units=expected)
        return MqttSource(table.model_copy(update=placed), wire, clock), None
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
