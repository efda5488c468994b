"""From the registers of a transmitter to values: pure arithmetic."""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence

from daemon.sources.fields import finite
from daemon.sources.settings import CurrentLoop, RegisterSettings

_FORMS = {"int16": ("h", 1), "uint16": ("H", 1), "int32": ("i", 2), "uint32": ("I", 2), "float32": ("f", 2)}


def register_count(register: RegisterSettings) -> int:
    """How many 16-bit registers the value takes up."""
    return _FORMS[register.type][1]


def decode_registers(registers: Sequence[int], kind: str, word_order: str) -> float:
    """The number in one or two 16-bit registers; ``word_order`` "big" means that the high half comes first.

    >>> decode_registers([0x42F6, 0xE979], "float32", "big")
    123.45600128173828
    >>> decode_registers([0xFFFE, 0xFFFF], "int32", "little")
    -2.0
    """
    form, count = _FORMS[kind]
    if len(registers) != count:
        raise ValueError(f"{kind} takes {count} registers, not {len(registers)}")
    words = registers if word_order == "big" else registers[::-1]
    return float(struct.unpack(f">{form}", struct.pack(f">{count}H", *words))[0])


def loop_value(milliampere: float, loop: CurrentLoop) -> float | str:
    """What a 4-20 mA transmitter measures at this current, or the reason why it measures nothing.

    value = at_4_ma + (I - 4 mA) / 16 mA (at_20_ma - at_4_ma), straight on between the fault limits. Below the lower
    one (3.6 mA) a wire is broken or the transmitter reports a fault, above the upper one (21 mA) likewise: NAMUR
    recommendation NE 43 (from memory).

    >>> loop_value(12.0, CurrentLoop(0.0, -5000.0)), loop_value(3.5, CurrentLoop(0.0, -5000.0))
    (-2500.0, 'loop current below 3.6 mA')
    """
    if not math.isfinite(milliampere):
        return "not a number"
    if milliampere < loop.fault_below_ma:
        return f"loop current below {loop.fault_below_ma:g} mA"
    if milliampere > loop.fault_above_ma:
        return f"loop current above {loop.fault_above_ma:g} mA"
    return loop.at_4_ma + (milliampere - 4.0) / 16.0 * (loop.at_20_ma - loop.at_4_ma)


def register_value(registers: Sequence[int], register: RegisterSettings) -> float | str:
    """The value that the registers hold after scale, offset and loop, or the reason why they hold none."""
    if len(registers) != register_count(register):
        return "wrong length of answer"
    scaled = decode_registers(registers, register.type, register.word_order) * register.scale + register.offset
    value = scaled if register.loop is None else loop_value(scaled, register.loop)
    return value if isinstance(value, str) else finite(value)
