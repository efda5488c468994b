"""Transmitters on Modbus RTU: each register is asked for when it is due, and the answers of one round make one sample.

Who does what: the source's one thread asks one register after the other, each for at most ``timeout_s``. A unit that
does not answer is asked more seldom, so that it does not slow the others down; its channels are left out, and fall
silent. A unit that answers "I cannot" or with a number that is none gives NaN. A port that is lost is closed and opened
again after a pause that doubles up to the cap.
"""

from __future__ import annotations

import logging
import math
import os
import struct
import threading
import time
from collections.abc import Sequence

from pymodbus.client import ModbusSerialClient
from pymodbus.exceptions import ConnectionException, ModbusException

from daemon.clock import Clock
from daemon.config.sources import ModbusTable
from daemon.errors import SourceError
from daemon.sources.contract import Sample, SampleQueue, SourceHealth
from daemon.sources.fields import escaped, finite
from daemon.sources.lifeline import Lifeline, hand_over
from daemon.sources.settings import CurrentLoop, ModbusSettings, RegisterSettings

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


log = logging.getLogger(__name__)

_PATIENCE = 3
"""After so many unanswered questions in a row a unit counts as absent."""
_ABSENT_POLL_S = 5.0
"""How seldom an absent unit's registers are asked for."""
_EXCEPTIONS = {1: "illegal function", 2: "illegal address", 3: "illegal value", 4: "device failure", 6: "device busy"}
"""Modbus Application Protocol Specification V1.1b3, section 7."""


class ModbusSource:
    """Asks the transmitters of ``settings``; ``clock`` gives the time of their answers."""

    def __init__(self, settings: ModbusSettings, clock: Clock) -> None:
        self.settings = settings
        self.clock = clock
        self._health = SourceHealth(settings.name, "modbus")
        self._missed = {register.unit: 0 for register in settings.registers}
        self._line = Lifeline(self._health, settings.retry, log)
        # The library logs each unanswered question as an error; we count them instead.
        logging.getLogger("pymodbus").setLevel(logging.CRITICAL)

    @property
    def health(self) -> SourceHealth:
        """How the line is doing, updated in place."""
        return self._health

    def run(self, out: SampleQueue, stop: threading.Event) -> None:
        """Yield samples into ``out`` until ``stop`` is set."""
        self._line.keep(lambda: self._session(out, stop), stop)

    def _session(self, out: SampleQueue, stop: threading.Event) -> None:
        client = self._open()
        try:
            self._poll(client, out, stop)
        except OSError as error:
            raise SourceError(f"{escaped(self.settings.port, 200)}: {escaped(str(error), 200)}") from error
        finally:
            client.close()  # type: ignore[no-untyped-call]

    def _open(self) -> ModbusSerialClient:
        settings = self.settings
        client = ModbusSerialClient(
            settings.port,
            baudrate=settings.baud,
            parity=settings.parity,
            timeout=settings.timeout_s,
            retries=0,
        )
        if not client.connect():
            raise SourceError(_why_not(settings.port))
        self._line.opened(escaped(settings.port, 200), "open, waiting for the first answer")
        return client

    def _poll(self, client: ModbusSerialClient, out: SampleQueue, stop: threading.Event) -> None:
        due = {register.channel: 0.0 for register in self.settings.registers}
        while not stop.is_set():
            now = time.monotonic()
            values: dict[str, float] = {}
            asked = False
            for register in self.settings.registers:
                if due[register.channel] > now:
                    continue
                if stop.is_set():
                    return
                asked = True
                value = self._ask(client, register)
                if value is not None:
                    values[register.channel] = value
                absent = self._missed[register.unit] >= _PATIENCE
                due[register.channel] = now + max(register.poll_s, _ABSENT_POLL_S if absent else 0.0)
            if values:
                hand_over(out, [Sample(self.settings.name, self.clock.now(), values)], self._health)
            if asked:
                self._say()
            stop.wait(max(0.0, min(due.values()) - time.monotonic()))

    def _ask(self, client: ModbusSerialClient, register: RegisterSettings) -> float | None:
        """The value, NaN if the unit answers without one, None if it does not answer. Raises SourceError."""
        read = client.read_holding_registers if register.function == 3 else client.read_input_registers
        try:
            answer = read(register.address, count=register_count(register), device_id=register.unit)
        except ConnectionException as error:
            raise SourceError(f"the port {escaped(self.settings.port, 200)} is gone (unplugged?)") from error
        except ModbusException:
            self._no_answer(register, "no answer")
            return None
        except OSError:
            raise
        except Exception:  # the library trips over broken answers in many ways
            self._no_answer(register, "unreadable answer")
            return None
        self._missed[register.unit] = 0
        if answer.isError():
            code = getattr(answer, "exception_code", 0)
            return self._nan(f"unit answers: {_EXCEPTIONS.get(code, f'exception {code}')}")
        value = register_value(answer.registers, register)
        return self._nan(value) if isinstance(value, str) else value

    def _no_answer(self, register: RegisterSettings, reason: str) -> None:
        self._missed[register.unit] += 1
        self._health.refuse(reason)

    def _nan(self, reason: str) -> float:
        self._health.refuse(reason)
        return math.nan

    def _say(self) -> None:
        absent = [str(unit) for unit, missed in self._missed.items() if missed]
        if not absent:
            self._health.state = "reading"
        else:
            who = f"unit{'s' if len(absent) > 1 else ''} {', '.join(absent)}"
            nobody = len(absent) == len(self._missed)
            hint = f": check wiring, baud ({self.settings.baud}) and parity ({self.settings.parity})" if nobody else ""
            self._health.state = f"no answer from {who}{hint}"
            self._health.last_error = self._health.state


def _why_not(path: str) -> str:
    """Why the port could not be opened; the library does not tell."""
    where = escaped(path, 200)
    if not os.path.exists(path):
        return f"there is no device {where}"
    if not os.access(path, os.R_OK | os.W_OK):
        return f"no permission to open {where}: the user must be in the group that owns it (often dialout)"
    return f"{where} cannot be opened: another program may hold it, or it is no serial port"
