"""[[source]] kind = "modbus" -> the settings of :class:`daemon.sources.modbus.ModbusSource`."""

from __future__ import annotations

from daemon.config.model import ModbusTable
from daemon.sources.settings import ModbusSettings, RegisterSettings


def modbus_settings(table: ModbusTable) -> ModbusSettings:
    """The settings that the table asks for. Raises ``ValueError`` for a map that cannot work."""
    registers = tuple(
        RegisterSettings(
            channel=register.channel,
            unit=table.unit,
            address=register.address,
            function=3 if register.function == "holding" else 4,
            type=register.type,
            word_order=register.word_order,
            scale=register.scale,
            offset=register.offset,
            poll_s=table.every,
        )
        for register in table.registers
    )
    return ModbusSettings(table.name, table.device, registers, baud=table.baud, parity=table.parity)
