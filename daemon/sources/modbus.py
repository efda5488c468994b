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

from daemon.backoff import RetrySettings
from daemon.clock import Clock
from daemon.config.sources import ModbusRegister, ModbusTable
from daemon.errors import SourceError
from daemon.sources.contract import Lifeline, Sample, SampleQueue, SourceHealth, hand_over
from daemon.sources.fields import escaped, finite

FAULT_BELOW_MA, FAULT_ABOVE_MA = 3.6, 21.0
_FORMS = {"int16": ("h", 1), "uint16": ("H", 1), "int32": ("i", 2), "uint32": ("I", 2), "float32": ("f", 2)}


def register_count(register: ModbusRegister) -> int:
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


def loop_value(milliampere: float, at_4_ma: float, at_20_ma: float) -> float | str:
    """What a 4-20 mA transmitter measures at this current, or the reason why it measures nothing.

    value = at_4_ma + (I - 4 mA) / 16 mA (at_20_ma - at_4_ma), straight on between the fault limits. Below the lower
    one (3.6 mA) a wire is broken or the transmitter reports a fault, above the upper one (21 mA) likewise: NAMUR
    recommendation NE 43 (from memory).

    >>> loop_value(12.0, 0.0, -5000.0), loop_value(3.5, 0.0, -5000.0)
    (-2500.0, 'loop current below 3.6 mA')
    """
    if not math.isfinite(milliampere):
        return "not a number"
    if milliampere < FAULT_BELOW_MA:
        return f"loop current below {FAULT_BELOW_MA:g} mA"
    if milliampere > FAULT_ABOVE_MA:
        return f"loop current above {FAULT_ABOVE_MA:g} mA"
    return at_4_ma + (milliampere - 4.0) / 16.0 * (at_20_ma - at_4_ma)


def register_value(registers: Sequence[int], register: ModbusRegister) -> float | str:
    """The value that the registers hold after scale, offset and loop, or the reason why they hold none."""
    if len(registers) != register_count(register):
        return "wrong length of answer"
    value = decode_registers(registers, register.type, register.word_order) * register.scale + register.offset
    if register.at_4_ma is None or register.at_20_ma is None:
        return finite(value)
    return loop_value(value, register.at_4_ma, register.at_20_ma)


log = logging.getLogger(__name__)

_PATIENCE = 3
"""After so many unanswered questions in a row a unit counts as absent."""
_ABSENT_POLL_S = 5.0
"""How seldom an absent unit's registers are asked for."""
_EXCEPTIONS = {1: "illegal function", 2: "illegal address", 3: "illegal value", 4: "device failure", 6: "device busy"}
"""Modbus Application Protocol Specification V1.1b3, section 7."""


class ModbusSource:
    """Asks the transmitters of ``table``, each for at most ``timeout_s``; ``clock`` gives the time of their answers."""

    def __init__(
        self, table: ModbusTable, clock: Clock, timeout_s: float = 0.3, retry: RetrySettings = RetrySettings()  # noqa: B008
    ) -> None:
        self.table = table
        self.clock = clock
        self.timeout_s = timeout_s
        self._health = SourceHealth(table.name, "modbus")
        self._missed = {self._unit(register): 0 for register in table.registers}
        self._line = Lifeline(self._health, retry, log)
        # The library logs each unanswered question as an error; we count them instead.
        logging.getLogger("pymodbus").setLevel(logging.CRITICAL)

    @property
    def health(self) -> SourceHealth:
        """How the line is doing, updated in place."""
        return self._health

    def _unit(self, register: ModbusRegister) -> int:
        return self.table.unit if register.unit is None else register.unit

    def run(self, out: SampleQueue, stop: threading.Event) -> None:
        """Yield samples into ``out`` until ``stop`` is set."""
        self._line.keep(lambda: self._session(out, stop), stop)

    def _session(self, out: SampleQueue, stop: threading.Event) -> None:
        client = self._open()
        try:
            self._poll(client, out, stop)
        except OSError as error:
            raise SourceError(f"{escaped(self.table.device, 200)}: {escaped(str(error), 200)}") from error
        finally:
            client.close()  # type: ignore[no-untyped-call]

    def _open(self) -> ModbusSerialClient:
        table = self.table
        client = ModbusSerialClient(
            table.device, baudrate=table.baud, parity=table.parity, timeout=self.timeout_s, retries=0,
        )
        if not client.connect():
            raise SourceError(_why_not(table.device))
        self._line.opened(escaped(table.device, 200), "open, waiting for the first answer")
        return client

    def _poll(self, client: ModbusSerialClient, out: SampleQueue, stop: threading.Event) -> None:
        due = {register.channel: 0.0 for register in self.table.registers}
        while not stop.is_set():
            now = time.monotonic()
            values: dict[str, float] = {}
            asked = False
            for register in self.table.registers:
                if due[register.channel] > now:
                    continue
                if stop.is_set():
                    return
                asked = True
                value = self._ask(client, register)
                if value is not None:
                    values[register.channel] = value
                absent = self._missed[self._unit(register)] >= _PATIENCE
                due[register.channel] = now + max(self.table.every, _ABSENT_POLL_S if absent else 0.0)
            if values:
                hand_over(out, [Sample(self.table.name, self.clock.now(), values)], self._health)
            if asked:
                self._say()
            stop.wait(max(0.0, min(due.values()) - time.monotonic()))

    def _ask(self, client: ModbusSerialClient, register: ModbusRegister) -> float | None:
        """The value, NaN if the unit answers without one, None if it does not answer. Raises SourceError."""
        read = client.read_holding_registers if register.function == "holding" else client.read_input_registers
        try:
            answer = read(register.address, count=register_count(register), device_id=self._unit(register))
        except ConnectionException as error:
            raise SourceError(f"the port {escaped(self.table.device, 200)} is gone (unplugged?)") from error
        except ModbusException:
            self._no_answer(register, "no answer")
            return None
        except OSError:
            raise
        except Exception:  # the library trips over broken answers in many ways
            self._no_answer(register, "unreadable answer")
            return None
        self._missed[self._unit(register)] = 0
        if answer.isError():
            code = getattr(answer, "exception_code", 0)
            return self._nan(f"unit answers: {_EXCEPTIONS.get(code, f'exception {code}')}")
        value = register_value(answer.registers, register)
        return self._nan(value) if isinstance(value, str) else value

    def _no_answer(self, register: ModbusRegister, reason: str) -> None:
        self._missed[self._unit(register)] += 1
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
            hint = f": check wiring, baud ({self.table.baud}) and parity ({self.table.parity})" if nobody else ""
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
