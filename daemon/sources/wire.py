"""From one line of a device to a sample. Pure: bytes and a time go in, a sample or None comes out.

The forms are those of :mod:`daemon.sources.grammar`, told apart by their looks unless the settings name one. A line may begin
with ``$`` and end with ``*`` and the checksum of NMEA 0183 (two hexadecimal digits, the exclusive or of all that stands
between). ``t`` is the device's own time stamp. Whatever else arrives is counted in the health by its reason and never raises:
what was refused as a whole gives no sample, a value that is no finite number gives NaN.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from analysis import units
from daemon.sources import grammar
from daemon.sources.contract import Sample, SourceHealth
from daemon.sources.fields import (
    LARGEST,
    MOST_VALUES,
    Doubled,
    decode_json,
    escaped,
    finite,
    gate_state,
    plain_label,
    plain_name,
    stamp,
)
from daemon.sources.grammar import Pattern, Quantity
from daemon.sources.lines import strip_checksum

_MOST_NAMES = 256
AHEAD_S, BEHIND_S = 10.0, 3600.0
"""A device's own time is believed so far around the time of arrival."""
_COLOURS = re.compile(r"\x1b\[[0-9;]{0,12}m")
FOLLOWED_S = 25.0
"""A stamp that is behind by no more than this is believed. Much later readings could not be put into their frame any more."""


def as_text(raw: bytes) -> str | None:
    """The bytes as text without blanks at its ends and without the colours that a log paints its lines with; None if they hold
    anything else but printable UTF-8 and tabs."""
    try:
        text = raw.decode().strip()
    except UnicodeDecodeError:
        return None
    if "\x1b" in text:
        text = _COLOURS.sub("", text).strip()
    if not text.isprintable() and any((c < " " and c != "\t") or c == "\x7f" for c in text):
        return None
    return text


def _need(good: bool, sentence: str) -> None:
    if not good:
        raise ValueError(sentence)


class Expected(NamedTuple):
    """In which unit ("" for SI) the sensor that listens to a name wants its numbers."""

    kind: str
    unit: str


@dataclass(frozen=True, slots=True)
class WireSettings:
    """How the words of a device are read: the form of a line, the names it may use, and whose clock counts.

    ``columns`` names the fields of a bare line of numbers in order: ``"-"`` skips one, ``"t"`` is the time stamp,
    ``"gate:planer"`` a gate. ``pattern`` is the owner's own form (:class:`daemon.sources.grammar.Pattern`). A number that comes
    with a unit is turned into the unit of ``units``. ``known`` holds the device's names that some sensor of the configuration
    listens to, ``ports`` the ports whose gates it may report; None takes every well-formed name. A device's own time stamp is
    believed from an hour before to ten seconds after the time of arrival; outside it the time of arrival stands.
    """

    format: Literal["auto", "json", "pairs", "columns"] = "auto"
    columns: tuple[str, ...] = ()
    pattern: str = ""
    units: Mapping[str, Expected] = field(default_factory=dict)
    checksum: Literal["required", "optional"] = "optional"
    known: frozenset[str] | None = None
    ports: frozenset[str] | None = None

    def __post_init__(self) -> None:
        _need(self.format in ("auto", "json", "pairs", "columns"),
              f"format is {self.format!r}; allowed are auto, json, pairs, columns")
        _need(self.checksum in ("required", "optional"),
              f"checksum is {self.checksum!r}; allowed are required, optional")
        _need(self.format != "columns" or bool(self.columns), "format is columns but no columns are named")
        _need(not (self.pattern and self.columns), "a pattern and columns are both given; one is enough")
        if self.pattern:
            Pattern(self.pattern)
        named = [name for name in self.columns if name != "-"]
        _need(len(named) == len(set(named)), f"columns name one thing twice: {', '.join(named)}")


class FieldReader:
    """From named fields to a sample: names that somebody listens to, finite values, a believable time, gate states."""

    def __init__(self, source: str, settings: WireSettings, health: SourceHealth) -> None:
        self.source = source
        self.settings = settings
        self.health = health
        self._names: set[str] = set(settings.known or ())
        self._behind: dict[str, tuple[float, float, bool]] = {}

    def sample(self, fields: dict[str, object], arrived: float) -> Sample | None:
        """The sample that the fields make up; takes ``fields`` over. None if nothing in them can be used."""
        t = arrived
        gates: dict[str, bool] | None = None
        doubled: frozenset[str] = fields.doubled if isinstance(fields, Doubled) else frozenset()
        if "t" in fields:
            t = self._time(fields.pop("t"), "t" in doubled, arrived, next(iter(fields), ""))
        if "gates" in fields:
            gates = self._gates(fields.pop("gates"), "gates" in doubled)
        names = self._names
        for name, value in fields.items():
            if value.__class__ is not float or not -LARGEST < value < LARGEST or name not in names:
                return self._careful(fields, doubled, t, gates)
        if doubled or len(fields) > MOST_VALUES:
            return self._careful(fields, doubled, t, gates)
        if not fields and not gates:
            self.health.refuse("nothing in it")
            return None
        return Sample(self.source, t, fields, gates)  # type: ignore[arg-type]

    def _careful(
        self, fields: Mapping[str, object], doubled: frozenset[str], t: float, gates: dict[str, bool] | None
    ) -> Sample | None:
        """The same, for fields of which at least one is odd."""
        values: dict[str, float] = {}
        states = dict(gates or {})
        for name, value in fields.items():
            if len(values) >= MOST_VALUES:
                self.health.refuse("too many values")
                break
            if name.startswith("gate:"):
                self.gate(states, name[5:], None if name in doubled else value)
            elif isinstance(value, dict | list) and name not in doubled:
                self._within(values, name, value)
            elif self.listens(name):
                values[name] = self._number(name, value, name in doubled)
        return Sample(self.source, t, values, states or None) if values or states else None

    def _within(self, values: dict[str, float], name: str, holder: object) -> None:
        """Add what an object within the object holds, by dotted paths; where nobody listens to any, count its own name once."""
        whole = grammar.with_unit(holder) if isinstance(holder, dict) else None
        if whole is not None and (self.settings.known is None or name in self._names):
            if self.listens(name):
                values[name] = self._number(name, whole, False)
            return
        wanted = self.settings.known
        found = [(f"{name}.{path}", inner) for path, inner in grammar.members(holder)]
        if not found or (wanted is not None and (name in wanted or not any(path in wanted for path, _ in found))):
            found = [(name, None)]
        for path, inner in found[:MOST_VALUES]:
            if (wanted is None or path in wanted or path == name) and self.listens(path):
                values[path] = self._number(path, inner, False)

    def _number(self, name: str, value: object, doubled: bool) -> float:
        """The value in the unit that the sensor's table names; NaN, and counted, where it is no number."""
        if isinstance(value, str):
            value = grammar.quantity(value)
        if isinstance(value, Quantity):
            value = self._in_unit(name, value)
        number = "duplicate name" if doubled else value if isinstance(value, str) else finite(value)
        if isinstance(number, str):
            self.health.refuse(number)
            return math.nan
        return number

    def _in_unit(self, name: str, value: Quantity) -> float | str:
        """A number with a unit as the number in the unit of the sensor's table; a unit of another kind is none of it."""
        expected = self.settings.units.get(name)
        if expected is None:
            return value.number
        if expected.kind not in grammar.unit_symbol(value.unit):
            return f"{escaped(value.unit)} is no unit of {expected.kind}"
        si = units.to_si(value.number, value.unit, expected.kind)
        return units.from_si(si, expected.unit, expected.kind) if expected.unit else si

    def listens(self, name: str) -> bool:
        """Whether a value of this name is wanted; counts it if not."""
        if name in self._names:
            return True
        if self.settings.known is not None or not plain_name(name):
            self.health.unknown(escaped(name))
            return False
        if len(self._names) >= _MOST_NAMES:
            self.health.refuse("too many names")
            return False
        self._names.add(name)
        return True

    def gate(
        self,
        states: dict[str, bool],
        port: str,
        value: object,
    ) -> None:
        """Put the state of one gate into ``states``; counts what cannot be understood."""
        known = self.settings.ports
        if not plain_label(port) or (known is not None and port not in known):
            self.health.unknown(escaped(f"gate:{port}"))
            return
        if len(states) >= MOST_VALUES:
            self.health.refuse("too many values")
            return
        state = gate_state(value)
        if state is None:
            self.health.refuse("not a gate state")
        else:
            states[port] = state

    def _gates(self, said: object, doubled: bool) -> dict[str, bool] | None:
        if not isinstance(said, dict) or doubled:
            if said is not None:
                self.health.refuse("duplicate name" if doubled else "not a gate state")
            return None
        states: dict[str, bool] = {}
        twice = said.doubled if isinstance(said, Doubled) else ()
        for port, value in said.items():
            self.gate(states, port, None if port in twice else value)
        return states or None

    def _time(self, said: object, doubled: bool, arrived: float, first: str) -> float:
        """The device's own stamp, or the time of arrival where its clock is off: behind by minutes, always by the same.
        What a device has stored up and sends at once is behind by less and less; it keeps its time (and comes too late).
        ``first`` names the first of the values: several devices may speak through one broker.
        """
        t = "duplicate name" if doubled else stamp(said)
        if isinstance(t, str):
            self.health.refuse(t)
            return arrived
        if arrived - FOLLOWED_S <= t <= arrived + AHEAD_S:
            return t
        if not 0.0 < arrived - t <= BEHIND_S:
            self._clock_off(arrived - t)
            return arrived
        since, behind, followed = self._behind.get(first, (arrived, arrived - t, False))
        elapsed = arrived - since
        if elapsed > 0.5:
            followed = abs(arrived - t - behind) <= 1.5 + 0.2 * elapsed
        if (elapsed > 0.5 or elapsed <= 0.0) and (first in self._behind or len(self._behind) < _MOST_NAMES):
            self._behind[first] = (arrived, arrived - t, followed)
        if not followed:
            return t
        self._clock_off(arrived - t)
        return arrived

    def _clock_off(self, behind: float) -> None:
        self.health.refuse("device clock is off")
        way = "behind" if behind > 0.0 else "ahead"
        self.health.last_error = f"the device's clock is {abs(behind):.0f} s {way}; the time of arrival counts"


class LineParser:
    """Reads the lines of one device.

    >>> health = SourceHealth("bench", "serial")
    >>> parser = LineParser("bench", WireSettings(), health)
    >>> parser.parse(b"inlet_pa=-2100.5 filter_pa=oops", 1772355600.0).values
    {'inlet_pa': -2100.5, 'filter_pa': nan}
    >>> parser.parse(b"garbage", 1772355600.0), health.refused
    (None, {'not a number': 1, 'unknown form': 1})
    """

    def __init__(self, source: str, settings: WireSettings, health: SourceHealth) -> None:
        self.settings = settings
        self.health = health
        self.fields = FieldReader(source, settings, health)
        self._required = settings.checksum == "required"
        self._pattern = Pattern(settings.pattern) if settings.pattern else None

    def parse(self, line: bytes, arrived: float) -> Sample | None:
        """The sample that a line holds, None (and a count in the health) if it holds none."""
        body = strip_checksum(line, self._required)
        if isinstance(body, str):
            return self._refuse(body)
        text = as_text(body)
        if text is None:
            return self._refuse("not text")
        fields = self.read(text)
        return self._refuse(fields) if isinstance(fields, str) else self.fields.sample(fields, arrived)

    def read(self, text: str) -> dict[str, object] | str:
        """The named values of a text in the form of the settings, or the reason why it has none."""
        form: str = self.settings.format
        if self._pattern is not None:
            return self._pattern.read(text)
        if form == "json" or (form == "auto" and text.startswith("{")):
            fields = decode_json(text)
            if not isinstance(fields, dict):
                return "not json" if fields is None else "not a json object"
            return grammar.one_named(fields)
        if form == "columns" or (form == "auto" and self.settings.columns and "=" not in text):
            return grammar.columns(text, self.settings.columns)
        return grammar.pairs(text)

    def surely_whole(self, line: bytes) -> bool:
        """Whether the line cannot be the second half of one: it has ``$`` and a good checksum, or is a JSON object.

        The first line after a port was opened is often half a line, and half of ``-2100.5`` may read ``100.5``.
        """
        body = strip_checksum(line, line.startswith(b"$"))
        if isinstance(body, str):
            return False
        text = as_text(body)
        return line.startswith(b"$") or (text is not None and isinstance(decode_json(text), dict))

    def _refuse(self, reason: str) -> Sample | None:
        self.health.refuse(reason)
        return None
