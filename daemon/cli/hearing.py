"""What a device or a broker was heard to say, and a guess at the configuration for it. Pure: no port, no clock.

A guess is always told as one, with its reason; what cannot be guessed is left for the owner to fill in. Nothing here is used by
the daemon: it writes lines that a person reads before he takes them over.
"""

from __future__ import annotations

import itertools
import json
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from analysis import units
from analysis.readings import CHANNELS

RUNNING_PA = 60.0
"""A fan that runs makes more than this somewhere: smaller sizes are another unit, or a fan at rest."""
MOST_NAMES = 60


@dataclass(slots=True)
class Heard:
    """All values of one name: how many, how many of them no numbers, and their spread."""

    name: str
    count: int = 0
    unknown: int = 0
    low: float = math.inf
    high: float = -math.inf
    last: float = math.nan
    total: float = 0.0

    def take(self, value: float) -> None:
        """One more."""
        self.count += 1
        if not math.isfinite(value):
            self.unknown += 1
            return
        self.low, self.high, self.last = min(self.low, value), max(self.high, value), value
        self.total += value

    @property
    def mean(self) -> float:
        """Mean of the numbers, NaN without any."""
        known = self.count - self.unknown
        return self.total / known if known else math.nan

    @property
    def size(self) -> float:
        """The largest size of any of them."""
        return max(abs(self.low), abs(self.high)) if self.count > self.unknown else math.nan


@dataclass(frozen=True, slots=True)
class Guess:
    """What a name probably means: a channel (None: no idea), its unit ("" for SI), and why; ``asks`` what the owner must say."""

    raw: str
    channel: str | None
    unit: str = ""
    why: str = ""
    asks: str = ""


_WORDS: tuple[tuple[str, frozenset[str]], ...] = (
    ("motor_c", frozenset({"motortemp", "motortemperature", "winding"})),
    ("barometer_pa", frozenset({"baro", "barometer", "barometric", "atm", "ambientpressure"})),
    ("air_rh", frozenset({"rh", "hum", "humid", "humidity"})),
    ("exhaust_ugm3", frozenset({"pm", "pm25", "pm2", "pm10", "dust", "particles", "particulate", "exhaust"})),
    ("bag_level", frozenset({"level", "fill", "fullness"})),
    ("line_v", frozenset({"volt", "volts", "voltage", "mains", "line"})),
    ("pitot_pa", frozenset({"pitot", "velocity", "vp"})),
    ("filter_pa", frozenset({"filter", "bag", "bags", "plenum", "cartridge", "dp", "sleeve"})),
    ("inlet_pa", frozenset({"inlet", "suction", "static", "sp", "vacuum"})),
    ("motor_a", frozenset({"motor", "current", "amp", "amps", "ampere", "amperes", "irms"})),
    ("air_c", frozenset({"temp", "temperature", "air"})),
)
_UNIT_WORDS = {
    "pa": "Pa", "hpa": "hPa", "kpa": "kPa", "mbar": "mbar", "inwg": "inwg", "inwc": "inwc", "inh2o": "inwg", "iwg": "inwg",
    "iwc": "inwg", "mmwg": "mmwg", "mmh2o": "mmwg", "psi": "psi", "inhg": "inHg", "a": "A", "amp": "A", "amps": "A",
    "ma": "mA", "c": "C", "degc": "C", "f": "F", "degf": "F", "k": "K", "v": "V", "volt": "V", "volts": "V", "mv": "mV",
    "pct": "%", "percent": "%",
}
_SI = {"pressure": "Pa", "current": "A", "temperature": "C", "voltage": "V", "concentration": "ug/m3", "fraction": ""}
_PARTS = re.compile(r"[A-Z]?[a-z]+[0-9]*|[A-Z]+(?![a-z])|[A-Za-z]+[0-9]*[A-Za-z]*|[0-9]+")


def parts(name: str) -> list[str]:
    """The words in a name, in lower case.

    >>> parts("barn/inletPressure_inH2O"), parts("motor_a")
    (['barn', 'inlet', 'pressure', 'inh2o'], ['motor', 'a'])
    """
    found: list[str] = []
    for piece in re.split(r"[^A-Za-z0-9]+", name):
        if piece.lower() in _UNIT_WORDS or piece.lower() in ("pm25", "pm10"):
            found.append(piece.lower())
        else:
            found += [word.lower() for word in _PARTS.findall(piece)]
    return found


def guess(heard: Heard) -> Guess:
    """What one name means, from its words, its unit and the size of its values."""
    words = parts(heard.name)
    last = heard.name.rsplit("/", 1)[-1]
    if last in CHANNELS:
        return _sized(heard, last, "", "its name")
    pairs = {a + b for a, b in itertools.pairwise(words)}
    channel = next((c for c, known in _WORDS if known & (set(words) | pairs)), None)
    if channel is None:
        return Guess(heard.name, None)
    kind = CHANNELS[channel].kind
    unit = next((_UNIT_WORDS[w] for w in reversed(words) if w in _UNIT_WORDS and _of_kind(_UNIT_WORDS[w], kind)), "")
    word = next(w for w in (*words, *pairs) if w in dict(_WORDS)[channel])
    return _sized(heard, channel, unit, f"the word {word!r} in its name")


def _of_kind(symbol: str, kind: str) -> bool:
    try:
        units.unit(symbol, kind)
    except units.UnitError:
        return False
    return True


def _sized(heard: Heard, channel: str, unit: str, why: str) -> Guess:
    """The guess with what the size of the values says about the unit."""
    info = CHANNELS[channel]
    if unit and units.unit(unit, info.kind).factor == 1.0 and units.unit(unit, info.kind).offset == 0.0:
        unit = ""
    asks = ""
    if not math.isnan(heard.size):
        low, high = (units.to_si(v, unit, info.kind) if unit else v for v in (heard.low, heard.high))
        if not (info.low <= low and high <= info.high):
            asks = f"{heard.last:g} {unit or _SI[info.kind]} is not possible: which unit is it?"
        elif heard.size < RUNNING_PA and info.kind == "pressure" and not unit and last_word(heard.name) != "pa":
            asks = f"{heard.last:g} is either a fan at rest, or another unit than Pa (inwg, kPa, mbar?)"
    return Guess(heard.name, channel, unit, why, asks)


def last_word(name: str) -> str:
    """The last word of a name."""
    return (parts(name) or [""])[-1]


def guess_all(heard: Sequence[Heard]) -> list[Guess]:
    """A guess for each; a channel is given once, and names that say nothing are told apart by their signs and sizes."""
    found: list[Guess] = []
    taken: set[str] = set()
    for one in heard:
        said = guess(one)
        if said.channel in taken:
            said = Guess(one.name, None, "", "", f"{said.channel} is taken by another name")
        if said.channel is not None:
            taken.add(said.channel)
        found.append(said)
    for at, one in enumerate(heard):
        if found[at].channel is None and not found[at].asks and not math.isnan(one.size):
            channel, why = _by_size(one)
            if channel is not None and channel not in taken:
                taken.add(channel)
                found[at] = Guess(one.name, channel, "", why, "a guess from its numbers alone: check it")
    return found


def _by_size(heard: Heard) -> tuple[str | None, str]:
    if heard.high < -RUNNING_PA:
        return "inlet_pa", "large and negative, as suction in Pa is"
    if heard.low > RUNNING_PA and heard.high < 5000.0:
        return "filter_pa", "large and positive, as pressure in the bags in Pa is"
    if heard.low > 1.0 and heard.high < RUNNING_PA:
        return "motor_a", "between 1 and 60, as amperes are"
    return None, ""


def quoted(text: str) -> str:
    """The text as a TOML string, whatever characters a device put into it.

    >>> print(quoted('barn/"east"'))
    "barn/\\"east\\""
    """
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def sensor_lines(guesses: Iterable[Guess]) -> list[str]:
    """``[sensor.CHANNEL]`` tables for what was guessed, with the reasons as comments."""
    lines: list[str] = []
    for one in guesses:
        if one.channel is None:
            continue
        lines += ["", f"[sensor.{one.channel}]"]
        if one.raw != one.channel:
            lines.append(f"raw = {quoted(one.raw)}  # by {one.why}")
        if one.unit:
            lines.append(f'unit = "{one.unit}"')
        elif one.asks:
            lines.append(f'# unit = "..."  # {one.asks}')
        if one.unit and one.asks:
            lines.append(f"# {one.asks}")
    return lines


@dataclass(slots=True)
class Names:
    """Every name that was heard, in the order of its first value."""

    heard: dict[str, Heard] = field(default_factory=dict)

    def take(self, name: str, value: float) -> None:
        """One more value of a name; no more than MOST_NAMES are kept."""
        one = self.heard.get(name)
        if one is None:
            if len(self.heard) >= MOST_NAMES:
                return
            one = self.heard[name] = Heard(name)
        one.take(value)

    def table(self) -> list[str]:
        """One line for each name."""
        lines = [f"  {'name':<28} {'values':>7} {'least':>11} {'mean':>11} {'greatest':>11}"]
        for one in self.heard.values():
            unknown = f"  {one.unknown} of them no numbers" if one.unknown else ""
            if one.count == one.unknown:
                cells = f"{'–':>11} {'–':>11} {'–':>11}"
            else:
                cells = f"{one.low:>11.5g} {one.mean:>11.5g} {one.high:>11.5g}"
            lines.append(f"  {one.name:<28} {one.count:>7} {cells}{unknown}")
        return lines
