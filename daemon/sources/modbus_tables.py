"""[[source]] kind = "modbus" -> the settings of :class:`daemon.sources.modbus.ModbusSource`."""

from __future__ import annotations

from daemon.config.sources import ModbusTable
from daemon.sources.settings import CurrentLoop, ModbusSettings, RegisterSettings


def modbus_settings(table: ModbusTable) -> ModbusSettings:
    """The settings that the table asks for. Raises ``ValueError`` for a map that cannot work."""
    registers = tuple(
        RegisterSettings(
            channel=register.channel,
            unit=table.unit if register.unit is None else register.unit,
            address=register.address,
            function=3 if register.function == "holding" else 4,
            type=register.type,
            word_order=register.word_order,
            scale=register.scale,
            offset=register.offset,
            poll_s=table.every,
            loop=None
            if register.at_4_ma is None or register.at_20_ma is None
            else CurrentLoop(register.at_4_ma, register.at_20_ma),
        )
        for register in table.registers
    )
    return ModbusSettings(table.name, table.device, registers, baud=table.baud, parity=table.parity)
