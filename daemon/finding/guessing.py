"""What the values of a name probably are: a channel, its unit and its sign, with the reason. Pure: no port, no clock.

Three things count, in this order: what the device itself says (a channel's own name, a unit behind the number), words in the
name, and how the values moved when the fan was switched on. What cannot be is never proposed: a counter is no pressure, the
counts of a converter are no pascals, a value outside what is possible is another unit. What stays open is asked, not guessed.
"""

from __future__ import annotations

import itertools
import math
import re
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, field

from analysis import units
from analysis.readings import CHANNELS
from daemon.sources.grammar import unit_symbol

RUNNING_PA = 60.0
"""A fan that runs makes more than this somewhere: smaller sizes are another unit, or a fan at rest."""
MOST_VALUES = 2_000
"""So many values of a name are kept."""
MOVED_SDS = 6.0
"""A value moved with the fan if its median went so many standard deviations (of the mean of a few, at rest) away."""
FAN_PA = {"inlet_pa": (100.0, 8_000.0), "filter_pa": (10.0, 4_000.0), "pitot_pa": (5.0, 1_000.0)}
"""What a small collector makes at each tap while it runs (common practice, no source); it tells units apart."""
_WHOLE_COUNTS = 65_535.0


@dataclass(slots=True)
class Series:
    """All values of one name: ``topic`` of a broker or "", ``unit`` that came behind the numbers, ``on_from`` the first value
    after the fan was switched on (None: nobody switched it)."""

    name: str
    topic: str = ""
    unit: str = ""
    values: list[float] = field(default_factory=list)
    count: int = 0
    unknown: int = 0
    on_from: int | None = None

    def take(self, value: float) -> None:
        """One more."""
        self.count += 1
        if not math.isfinite(value):
            self.unknown += 1
        elif len(self.values) < MOST_VALUES:
            self.values.append(value)

    @property
    def off(self) -> list[float]:
        """The values before the fan was switched on."""
        return [] if self.on_from is None else self.values[: self.on_from]

    @property
    def on(self) -> list[float]:
        """The values with the fan on, all of them where nobody said when it was switched on."""
        return self.values[self.on_from or 0:]

    @property
    def moved(self) -> float | None:
        """By how much the value moved when the fan was switched on; 0 where it did not, None where nobody can say."""
        off, on = self.off, self.on
        if len(off) < 3 or len(on) < 3:
            return None
        step = statistics.median(on) - statistics.median(off)
        noise = max(statistics.stdev(off) / math.sqrt(3.0), 1e-3 * max(map(abs, off)), 1e-9)
        return step if abs(step) > MOVED_SDS * noise else 0.0

    @property
    def counts_up(self) -> bool:
        """Whether it is a clock or a counter: each value is above the last, by much the same; sometimes by more, as while the
        fan was switched on or nobody listened."""
        if len(self.values) < 4:
            return False
        steps = [b - a for a, b in itertools.pairwise(self.values)]
        middle = statistics.median(steps)
        leaps = sum(step > 5.0 * middle for step in steps)
        return min(steps) > 0.0 and min(steps) >= 0.2 * middle and leaps <= 1 + len(steps) // 6

    @property
    def whole(self) -> bool:
        """Whether it counts in whole numbers that a converter of up to 16 bits may give."""
        return len(self.values) >= 2 and all(value.is_integer() and 0.0 <= value <= _WHOLE_COUNTS for value in self.values)

    @property
    def size(self) -> float:
        """The largest size of a value with the fan on, NaN without any."""
        return max(map(abs, self.on), default=math.nan)


@dataclass(frozen=True, slots=True)
class Guess:
    """What a name probably is. ``channel`` None: nothing is proposed, and ``asks`` says why not, or what the owner must say.

    ``unit`` and ``scale`` are those of the sensor's table ("" where the number brings its unit, or is SI); ``more`` further keys.
    """

    name: str
    topic: str
    channel: str | None
    unit: str = ""
    scale: float = 1.0
    why: str = ""
    asks: str = ""
    more: tuple[tuple[str, str | float], ...] = ()


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
_POWER = frozenset({"power", "apower", "watt", "watts", "w", "kw"})
_COUNTS = frozenset({"adc", "raw", "count", "counts", "analog"})
_NO_READING = frozenset({
    "time", "t", "ms", "millis", "uptime", "rssi", "heap", "free", "id", "seq", "count", "counter", "battery", "total", "energy",
    "factor", "pf", "freq", "frequency", "hz", "apparent", "reactive", "today", "yesterday", "wifi", "version", "state",
})
_UNIT_WORDS = {
    "pa": "Pa", "hpa": "hPa", "kpa": "kPa", "mbar": "mbar", "inwg": "inwg", "inwc": "inwc", "inh2o": "inwg", "iwg": "inwg",
    "iwc": "inwg", "mmwg": "mmwg", "mmh2o": "mmwg", "psi": "psi", "inhg": "inHg", "a": "A", "amp": "A", "amps": "A",
    "ma": "mA", "c": "C", "degc": "C", "f": "F", "degf": "F", "k": "K", "v": "V", "volt": "V", "volts": "V", "mv": "mV",
    "pct": "%", "percent": "%", "w": "W", "kw": "kW", "watt": "W", "watts": "W",
}
_SI = {"pressure": "Pa", "current": "A", "temperature": "C", "voltage": "V", "concentration": "ug/m3", "fraction": ""}
_PARTS = re.compile(r"[A-Z]?[a-z]+[0-9]*|[A-Z]+(?![a-z])|[A-Za-z]+[0-9]*[A-Za-z]*|[0-9]+")
_SAYS_NOTHING = re.compile(r"column_\d+|[A-Za-z]\d*|(?:ch|in|val|value|sensor|pressure|p)[_ ]?\d*", re.IGNORECASE)
_PIN = re.compile(r"A\d+")


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


def guess_all(heard: Sequence[Series]) -> list[Guess]:
    """A guess for each; a channel is given once. Names that say nothing come last, and are told apart by how they moved."""
    found = {id(one): _by_name(one, heard) for one in heard}
    taken: set[str] = set()
    for one in heard:
        guess = found[id(one)]
        if guess.channel in taken:
            found[id(one)] = _none(one, f"{guess.channel} is taken by another name")
        elif guess.channel is not None:
            taken.add(guess.channel)
    for one in sorted(heard, key=lambda series: -abs(series.moved or 0.0)):
        guess = found[id(one)]
        if guess.channel is None and not guess.asks:
            found[id(one)] = guess = _by_numbers(one, taken)
            if guess.channel is not None:
                taken.add(guess.channel)
    return [found[id(one)] for one in heard]


def _none(series: Series, asks: str = "") -> Guess:
    return Guess(series.name, series.topic, None, asks=asks)


def _by_name(series: Series, heard: Sequence[Series]) -> Guess:
    """From a channel's own name, or words in the name (or, where it says nothing, in its topic)."""
    last = series.name.rsplit("/", 1)[-1].rsplit(".", 1)[-1]
    if not series.values:
        return _none(series, "no numbers came")
    if last in CHANNELS:
        return _measured(series, last, "", "its name")
    words = parts(series.name)
    if not set(words) & {word for _, known in _WORDS for word in known} and series.topic and series.name != series.topic:
        words = parts(series.topic) + words
    pairs = {a + b for a, b in itertools.pairwise(words)}
    if series.counts_up:
        return _none(series, "it counts up steadily: a clock or a counter")
    if series.whole and not series.unit and (set(words) & _COUNTS or _PIN.fullmatch(series.name)):
        return _none(series, "whole numbers, as a converter counts: two known pressures give their scale (ductwarden calibrate)")
    if (set(words) & _POWER and "factor" not in words) or unit_symbol(series.unit) == ("power",):
        return _by_power(series, heard)
    if set(words) & _NO_READING:
        return _none(series, "its name says that it is no reading of the unit")
    channel = next((c for c, known in _WORDS if known & (set(words) | pairs)), None)
    if channel is None:
        return _none(series)
    kind = CHANNELS[channel].kind
    unit = next((_UNIT_WORDS[w] for w in reversed(words) if kind in unit_symbol(_UNIT_WORDS.get(w, ""))), "")
    word = next(w for w in (*words, *pairs) if w in dict(_WORDS)[channel])
    return _measured(series, channel, unit, f"the word {word!r} in its name")


def _by_power(series: Series, heard: Sequence[Series]) -> Guess:
    """Watts: a current, if the voltage is known."""
    if any(CHANNELS["motor_a"].kind in unit_symbol(one.unit) or "current" in parts(one.name) for one in heard):
        return _none(series, "power; the current itself is there")
    if series.moved == 0.0:
        return _none(series, "power, but it did not move when the fan was switched on")
    volts = next((one for one in heard if {"volt", "voltage"} & set(parts(one.name)) and 80.0 < one.size < 500.0), None)
    unit = "" if series.unit else "kW" if "kw" in parts(series.name) else "W"
    if volts is None:
        return _none(series, f'power: write unit = "{unit or "W"}" and the voltage, voltage = "230 V" (three-phase: phases = 3)')
    return Guess(
        series.name, series.topic, "motor_a", unit, 1.0, "power, over the voltage that it tells as well",
        "good to about 15 %: the power factor is taken as 0.85", (("voltage", f"{volts.on[-1]:.0f} V"),),
    )


def _measured(series: Series, channel: str, unit: str, why: str) -> Guess:
    """The guess with what the numbers say about unit and sign; none where they cannot be that channel."""
    info = CHANNELS[channel]
    if series.unit:
        if info.kind not in unit_symbol(series.unit):
            return _none(series, f"by {why} it would be {info.words}, but it is sent in {series.unit}")
        unit, why = "", f"{why}, with its unit"
    said = series.unit or unit
    asks = ""
    moved = series.moved
    if channel in FAN_PA and not said and last_word(series.name) != "pa":
        unit, asks = _unit_by_size(series, channel)
        if asks:
            return _none(series, f"{info.words} by {why}; {asks}")
    symbol = said or unit
    low, high = (units.to_si(v, symbol, info.kind) if symbol else v for v in (min(series.on), max(series.on)))
    scale, turned = _sign(series, channel, (low + high) / 2.0)
    if scale < 0.0:
        low, high = -high, -low
    if not (info.low <= low and high <= info.high):
        fits = [one for one in units.UNITS[info.kind] if one and _possible(series, one, channel)]
        if said or not fits:
            now = f"{series.on[-1]:g} {symbol or _SI[info.kind]}"
            return _none(series, f"by {why} it would be {info.words}, but {now} is not possible")
        factors = {units.UNITS[info.kind][one].factor for one in fits}
        if len(factors) > 1:
            now = f"{series.on[-1]:g} {_SI[info.kind]}"
            return _none(series, f"{info.words} by {why}, but {now} is not possible: which unit is it?")
        unit, asks = fits[0], f"{series.on[-1]:g} {_SI[info.kind]} would not be possible"
    if unit and units.unit(unit, info.kind).factor == 1.0 and units.unit(unit, info.kind).offset == 0.0:
        unit = ""
    if moved == 0.0 and channel in ("inlet_pa", "filter_pa", "motor_a"):
        asks = "it did not move when the fan was switched on: is its tube (or its clamp) in place?"
    return Guess(series.name, series.topic, channel, unit, scale, why, "; ".join(filter(None, (asks, turned))))


def _possible(series: Series, symbol: str, channel: str) -> bool:
    info = CHANNELS[channel]
    return all(info.low <= units.to_si(value, symbol, info.kind) <= info.high for value in (min(series.on), max(series.on)))


def _unit_by_size(series: Series, channel: str) -> tuple[str, str]:
    """The unit of a pressure that brings none, or what must be asked."""
    step = series.moved
    size = abs(step) if step else series.size
    if size >= RUNNING_PA:
        return "", ""
    if step is None:
        return "", f"{series.on[-1]:g} is either a fan at rest, or another unit than Pa: switch the fan on, or name the unit"
    if step == 0.0:
        return "", "it did not move when the fan was switched on"
    low, high = FAN_PA[channel]
    fits = [one for one in ("inwg", "hPa", "kPa", "mmwg") if low <= units.to_si(size, one, "pressure") <= high]
    if len(fits) == 1:
        return fits[0], ""
    return "", f"it moves by {size:.3g} with the fan: which unit is it ({', '.join(fits) or 'none that is known fits'})?"


def _sign(series: Series, channel: str, middle_si: float) -> tuple[float, str]:
    """Scale 1 or -1, with the reason: suction is negative inside, pressure in the bags positive."""
    wanted = {"inlet_pa": -1.0, "filter_pa": 1.0, "pitot_pa": 1.0}.get(channel)
    if wanted is None:
        return 1.0, ""
    moved = series.moved
    if moved:
        if moved * wanted < 0.0:
            way = "rises" if moved > 0.0 else "falls"
            return -1.0, f"it {way} when the fan starts, so its sign is turned: its two tubes may be exchanged"
        return 1.0, ""
    if moved is None and abs(middle_si) > RUNNING_PA and middle_si * wanted < 0.0:
        return -1.0, "its sign is turned: " + ("suction as a positive number" if wanted < 0.0 else "its tubes may be exchanged")
    return 1.0, ""


def _by_numbers(series: Series, taken: set[str]) -> Guess:
    """A name that says nothing: by its unit, and by what it did when the fan was switched on (or, weaker, by its size)."""
    if not _SAYS_NOTHING.fullmatch(series.name.rsplit("/", 1)[-1]):
        return _none(series)
    kind = next(iter(unit_symbol(series.unit)), "")
    moved = series.moved
    if moved == 0.0:
        return _none(series, "it did not move when the fan was switched on")
    if series.whole and not series.unit:
        return _none(series, "whole numbers, perhaps the counts of a converter; name it yourself")
    if kind == "current":
        channel = "motor_a"
    elif kind not in ("", "pressure"):
        return _none(series, f"it is sent in {series.unit}; name it yourself")
    elif moved is None:
        low, high = min(series.on), max(series.on)
        si = [units.to_si(value, series.unit, kind) if series.unit else value for value in (low, high)]
        if si[1] < -RUNNING_PA:
            channel, why = "inlet_pa", "large and negative, as suction is"
        elif si[0] > RUNNING_PA and si[1] < 5000.0:
            channel, why = "filter_pa", "large and positive, as pressure in the bags is"
        elif low > 1.0 and high < RUNNING_PA and not kind:
            channel, why = "motor_a", "between 1 and 60, as amperes are"
        else:
            return _none(series, "its name says nothing: switch the fan on to see what it does, or name it yourself")
        if channel in taken:
            return _none(series, f"{channel} is taken by another name")
        return Guess(series.name, series.topic, channel, "", 1.0, why, "a guess from its numbers alone: check it")
    elif moved < 0.0:
        channel = "inlet_pa"
    elif kind == "pressure" or abs(moved) >= RUNNING_PA:
        if "inlet_pa" not in taken:
            return _none(series, f"it rises by {moved:.4g} with the fan: the bags, or suction with its tubes exchanged? Name it")
        channel = "filter_pa"
    elif "inlet_pa" in taken and "filter_pa" in taken:
        channel = "motor_a"
    else:
        return _none(series, f"it rises by {moved:.3g} with the fan: filter pressure in another unit, or motor current? Name it")
    if channel in taken:
        return _none(series, f"{channel} is taken by another name")
    step = moved or 0.0
    return _measured(series, channel, "", f"it {'rises' if step > 0.0 else 'falls'} by {abs(step):.4g} with the fan")


def last_word(name: str) -> str:
    """The last word of a name."""
    return (parts(name) or [""])[-1]
