"""The one grammar of readings, for a serial line and for a broker's message alike. Pure: text goes in, named values come out.

| form | example |
| --- | --- |
| object | ``{"inlet_pa":-2100.5,"bags":{"value":310,"unit":"Pa"},"em":{"a":9.4}}``: what lies deeper is named ``em.a`` |
| pairs | ``P1=-8.31 P2:1.22``, ``Pressure 1: 1.8 Pa``, ``inlet 1,8 Pa; bags 0,2 Pa``: ``=``, ``:`` or a blank between |
| columns | ``1,7;0,2`` or ``-2100.5<tab>310``: named in order by the owner |
| pattern | ``'{name}': state {value} {unit}`` or ``suction {P1}, bags {P2}``: anything else, in the owner's words |

A number may have a decimal point or a decimal comma and a unit behind it; a unit that nobody knows makes it no number at all,
for it would be off by a factor. Between two pairs or columns stand blanks, commas, semicolons, bars or tabs.
"""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Iterator, Mapping
from typing import NamedTuple

from analysis import units
from daemon.sources.fields import MOST_VALUES, Doubled, as_object, at_path, literal, plain_name

KINDS = ("pressure", "current", "temperature", "voltage", "power", "fraction", "concentration")
"""What sensors measure."""
DEEPEST = 6
"""No honest object has more objects within objects."""
LONGEST_UNIT, MOST_UNIT_WORDS = 32, 4
"""No unit is written longer; looking for one in every beginning of a long line would hold up its source."""
LONGEST_PATTERN_LINE = 1024
"""Longer lines are not held against a pattern [characters]."""


class Quantity(NamedTuple):
    """A number with the unit that stood behind it."""

    number: float
    unit: str


_NUMBER = r"[-+\u2212]?(?:[0-9]+(?:\.[0-9]*|,[0-9]+)?|[.,][0-9]+)(?:[eE][-+]?[0-9]+)?"
_BEGINS = re.compile(rf"({_NUMBER})(?![0-9.,:]*[0-9:])")
_SEPARATORS = re.compile(r"[,;|\t]")
_BETWEEN = re.compile(r"[,;|\s]+")
_WORD = re.compile(r"[^\s,;|]+")
_EQUALS = re.compile(r"\s*=\s*")
_COLON = re.compile(r"(?<=[A-Za-z0-9_)\]'\"%])\s*:\s*")
_BRACKET = re.compile(r"\s*[(\[]([^()\[\]]+)[)\]]$")
_QUOTES = "'\"()[]<>$ "
_PAIR = r"[A-Za-z_][A-Za-z0-9_./-]*=[-+0-9.eE]+"
_SIMPLE = re.compile(rf"[\s,;]*{_PAIR}(?:[\s,;]+{_PAIR})*[\s,;]*")
"""With something between the pairs: an e could be of a number or begin a name, and trying both would take for ever."""
_PLACE = re.compile(r"\{([^{}]+)\}")


@functools.lru_cache(maxsize=1024)
def unit_symbol(text: str) -> tuple[str, ...]:
    """The kinds of quantity that a unit so written measures, none if nobody knows it.

    >>> unit_symbol("inH2O"), unit_symbol("furlong")
    (('pressure',), ())
    """
    found: list[str] = []
    for kind in KINDS if 0 < len(text) <= LONGEST_UNIT else ():
        try:
            units.unit(text, kind)
            found.append(kind)
        except units.UnitError:
            continue
    return tuple(found)


@functools.cache
def _any_unit() -> str:
    """An expression that matches every unit that :func:`unit_symbol` knows, the longest first."""
    known = {symbol for kind in KINDS for symbol in units.UNITS[kind] if symbol}
    known |= {spelling for spelling in units.SPELLINGS if unit_symbol(spelling)}
    return "|".join(f"(?i:{re.escape(symbol)})" for symbol in sorted(known, key=len, reverse=True))


def number(text: str) -> float:
    """The number that a text writes, with a point or a comma; NaN if it writes none.

    >>> number("-8,31"), number("310."), number("1.234,5")
    (-8.31, 310.0, nan)
    """
    value = literal(text)
    if value == value or not text:
        return value
    whole = _BEGINS.fullmatch(text)
    return math.nan if whole is None else literal(text.replace("\u2212", "-").replace(",", "."))


def quantity(text: str) -> float | Quantity:
    """The number in a text, with its unit where one stands behind it; NaN for anything else.

    >>> quantity("-905.2 Pa"), quantity("1,8"), quantity("5 furlongs")
    (Quantity(number=-905.2, unit='Pa'), 1.8, nan)
    """
    text = text.strip()
    value = number(text)
    if value == value:
        return value
    match = _BEGINS.match(text)
    if match is None:
        return math.nan
    unit = text[match.end():].strip()
    return Quantity(number(match[1]), unit) if unit_symbol(unit) else math.nan


def as_value(name: str, text: str) -> object:
    """What a device wrote for a name: text for times and gates, else a number."""
    return text if name == "t" or name.startswith("gate:") else quantity(text)


# -- objects ----------------------------------------------------------------------------------------------------------


def members(value: object, depth: int = 0) -> Iterator[tuple[str, object]]:
    """Every value in an object by its dotted path; ``{"value": 310, "unit": "Pa"}`` is one value of its holder's name.

    >>> dict(members({"em": {"a": 9.4}, "p": [1.0, 2.0], "bags": {"value": 310.0, "unit": "Pa"}}))
    {'em.a': 9.4, 'p.0': 1.0, 'p.1': 2.0, 'bags': Quantity(number=310.0, unit='Pa')}
    """
    pairs = value.items() if isinstance(value, Mapping) else enumerate(value) if isinstance(value, list) else ()
    twice = value.doubled if isinstance(value, Doubled) else ()
    for name, inner in pairs:
        if not isinstance(inner, dict | list):
            yield str(name), None if name in twice else inner
        elif depth >= DEEPEST:
            yield str(name), None
        else:
            if isinstance(inner, dict) and (whole := with_unit(inner)) is not None:
                yield str(name), whole
            else:
                for path, deeper in members(inner, depth + 1):
                    yield f"{name}.{path}", deeper


def with_unit(fields: Mapping[str, object]) -> object | None:
    """The value of an object that holds nothing but a ``value`` and perhaps its ``unit``, else None."""
    value = fields.get("value")
    unit = fields.get("unit", "")
    if value is None or isinstance(value, dict | list) or not isinstance(unit, str) or fields.keys() - {"value", "unit", "t"}:
        return None
    if isinstance(value, str):
        value = quantity(value)
    if not unit or not isinstance(value, float | int):
        return value
    return Quantity(float(value), unit) if unit_symbol(unit) else math.nan


def one_named(fields: dict[str, object]) -> dict[str, object]:
    """``{"name": "inlet", "value": -8.3, "unit": "Pa"}`` as the one value that it tells; any other object as it is."""
    name = fields.get("name")
    if not isinstance(name, str) or "value" not in fields or isinstance(fields, Doubled):
        return fields
    value = with_unit({key: fields[key] for key in ("value", "unit") if key in fields})
    made = {name: value if value is not None else math.nan}
    return {"t": fields["t"], **made} if "t" in fields else made


def at(value: object, path: str) -> object:
    """What stands at a dotted path in objects and lists, with its unit where one stands beside it; None if nothing does.

    >>> at({"em": [{"value": 9.5, "unit": "A"}]}, "em.0.value"), at({"bags": {"value": 3.1, "unit": "hPa"}}, "bags")
    (Quantity(number=9.5, unit='A'), Quantity(number=3.1, unit='hPa'))
    """
    holder: object = None
    steps = [path] if isinstance(value, Mapping) and path in value else path.split(".")
    for step in steps:
        holder = value
        if isinstance(value, list):
            value = value[int(step)] if step.isdecimal() and int(step) < len(value) else None
        else:
            value = at_path(value, step)
    if isinstance(value, dict):
        return with_unit(value)
    if steps[-1] == "value" and isinstance(holder, Mapping) and isinstance(holder.get("unit"), str):
        return with_unit({"value": value, "unit": holder["unit"]})
    return value


# -- pairs ------------------------------------------------------------------------------------------------------------


def pairs(text: str) -> dict[str, object] | str:
    """The named values of a line of pairs, or the reason why it is none.

    >>> pairs("P1:-8.31 P2:1.22"), pairs("Pressure 1: 1,8 Pa")
    ({'P1': -8.31, 'P2': 1.22}, {'Pressure 1': Quantity(number=1.8, unit='Pa')})
    """
    if _SIMPLE.fullmatch(text):
        tokens = (token.partition("=") for token in _BETWEEN.split(text) if token)
        return as_object([(name, value if name == "t" else literal(value)) for name, _, value in tokens])
    if "=" in text:
        signs = list(_EQUALS.finditer(text))
    else:
        signs = [sign for sign in _COLON.finditer(text) if _names(text[: sign.start()])]
    found = _joined(text, signs) if signs else _bare(text)
    if isinstance(found, str):
        return found
    return as_object(found) if found else "unknown form"


def _names(before: str) -> bool:
    """Whether a colon stands behind a name: those in a time of day or in a log's mark join nothing."""
    words = _SEPARATORS.split(before)[-1].split()
    if not words:
        return False
    last = words[-1].strip(_QUOTES)
    return "[" not in last and (plain_name(last) or (last.isdigit() and len(words) > 1 and words[-2].strip(_QUOTES).isalpha()))


def _joined(text: str, signs: list[re.Match[str]]) -> list[tuple[str, object]] | str:
    """Pairs with a sign between name and value: each part between two signs holds a value, its unit and the next name."""
    name, named_unit = _name(text[: signs[0].start()])
    found: list[tuple[str, object]] = []
    ends = [sign.start() for sign in signs[1:]] + [len(text)]
    for sign, end in zip(signs, ends, strict=True):
        part = text[sign.end(): end]
        as_text = name == "t" or name.startswith("gate:")
        word = None if as_text else _BEGINS.match(part)
        if word is None or not _BETWEEN.match(f"{part} ", word.end()):
            word = _WORD.match(part)
        if not name or word is None:
            return "not a pair"
        pieces = _SEPARATORS.split(part[word.end():])
        left, following = pieces[1:], ("", "")
        if end < len(text) and left:
            following = _name(left.pop())
        elif end < len(text):
            pieces[0], following = _unit_and_name(pieces[0])
        unit = pieces[0].strip()
        strange = [*left, "" if unit_symbol(unit) else unit]
        if any(c.isdigit() for piece in strange for c in piece):
            return "not a pair"  # a number that belongs to nothing: whose is it?
        value = word[0].strip(_QUOTES)
        found.append((name, value if as_text else quantity(f"{value} {unit or named_unit}")))
        name, named_unit = following
    return found


def _name(text: str) -> tuple[str, str]:
    """The name at the end of a text, and the unit that stands in brackets behind it: the whole text from the last separator on
    where that is plain, else its last words from a letter on.
    """
    text = _SEPARATORS.split(text)[-1].strip()
    bracket = _BRACKET.search(text)
    unit = bracket[1] if bracket is not None and unit_symbol(bracket[1]) else ""
    if unit and bracket is not None:
        text = text[: bracket.start()]
    words = text.strip(_QUOTES).split()
    if plain_name(" ".join(words)):
        return " ".join(words), unit
    tails = (" ".join(words[at:]).strip(_QUOTES) for at in range(len(words) - 1, -1, -1))
    return next(filter(plain_name, tails), ""), unit


def _unit_and_name(text: str) -> tuple[str, tuple[str, str]]:
    """``Pa Filter pressure`` in two: the unit of the value before, and the next name."""
    words = text.split()
    for at in range(min(len(words) - 1, MOST_UNIT_WORDS), 0, -1):
        if unit_symbol(" ".join(words[:at])):
            return " ".join(words[:at]), _name(" ".join(words[at:]))
    at = len(words) - (2 if len(words) > 1 and words[-1].isdigit() else 1)
    return " ".join(words[:at]), _name(" ".join(words[at:]))


def _bare(text: str) -> list[tuple[str, object]] | str:
    """Names and numbers in turn, with nothing but blanks or commas between: ``inlet -8.31 Pa bags 1.22 Pa``."""
    found: list[tuple[str, object]] = []
    words = list(_words(text))
    values = [quantity(word) for word in words]
    plain = [isinstance(value, float) and value != value for value in values]
    name = ""
    at = 0
    while at < len(words):
        word, value = words[at], values[at]
        if plain[at]:
            if any(c.isdigit() for c in word) and not plain_name(word):
                return "unknown form"
            name = word if plain_name(word) else ""
        elif not name:
            return "not a pair" if found else "unknown form"
        else:
            behind = words[at + 1] if at + 1 < len(words) and plain[at + 1] else ""
            if isinstance(value, float) and unit_symbol(behind) and (at + 2 == len(words) or plain[at + 2]):
                value = Quantity(value, behind)
                at += 1
            found.append((name, value))
            name = ""
        at += 1
    return found


def _words(text: str) -> Iterator[str]:
    """The words of a line, numbers with decimal commas among them."""
    at = 0
    while (start := _BETWEEN.match(text, at)) or at < len(text):
        at = start.end() if start is not None else at
        number_ = _BEGINS.match(text, at)
        rest = _WORD.match(text, at if number_ is None else number_.end())
        end = max(0 if number_ is None else number_.end(), 0 if rest is None else rest.end())
        if end <= at:
            return
        yield text[at:end].strip(_QUOTES)
        at = end


# -- columns ----------------------------------------------------------------------------------------------------------


def columns(text: str, names: tuple[str, ...]) -> dict[str, object] | str:
    """The values of a line of bare numbers by position, or the reason why it is none. ``"-"`` skips one.

    The separator is the one that gives as many cells as there are names, so that ``1,7 0,2`` is two numbers with decimal commas.

    >>> columns("1,7;0,2", ("inlet", "bags")), columns("1,7,0,2", ("inlet", "bags"))
    ({'inlet': 1.7, 'bags': 0.2}, 'column count')
    """
    for cells in cut(text):
        if len(cells) == len(names):
            return {name: as_value(name, cell.strip()) for name, cell in zip(names, cells, strict=True) if name != "-"}
    return "column count"


def cut(text: str) -> Iterator[list[str]]:
    """The line in cells, by each separator that it may mean, the likeliest first."""
    text = text.strip("[] ")
    for separator in (";", "\t", "|"):
        if separator in text:
            yield text.split(separator)
            if separator == "\t":
                yield text.split()
            return
    if "," in text:
        yield text.split(",")
        cells = re.split(r",\s+|\s+", text)
        if all(number(cell) == number(cell) for cell in cells):
            yield cells
    else:
        yield text.split()


# -- patterns ---------------------------------------------------------------------------------------------------------


class Pattern:
    """The owner's own form: text with ``{P1}`` for the number called P1, ``{*}`` for anything, and, where a line tells one value
    by its name, ``{name}``, ``{value}`` and perhaps ``{unit}``. Blanks stand for any blanks; the pattern may begin anywhere.

    >>> Pattern("'{name}': state {value} {unit} with").read("[D]: 'Inlet': state -905.2 Pa with 1 decimal")
    {'Inlet': Quantity(number=-905.2, unit='Pa')}
    >>> Pattern("suction {P1}, bags {P2}").read("12:01 suction -8,31 Pa, bags 1,22 Pa")
    {'P1': Quantity(number=-8.31, unit='Pa'), 'P2': Quantity(number=1.22, unit='Pa')}
    """

    def __init__(self, text: str) -> None:
        self.places: list[str] = []
        found = ""
        at = 0
        for place in _PLACE.finditer(text):
            found += _literal(text[at: place.start()]) + self._place(place[1].strip())
            at = place.end()
        found += _literal(text[at:])
        named = [place for place in self.places if place != "unit"]
        if "{" in _PLACE.sub("", text) or "}" in _PLACE.sub("", text):
            raise ValueError(f"pattern {text!r}: each place is one name in braces, such as {{P1}}")
        if not named or len(self.places) != len(set(self.places)):
            raise ValueError(f"pattern {text!r}: it names no value, or one twice; write for example 'suction {{P1}} bags {{P2}}'")
        if ("name" in named) != ("value" in named) or ("name" in named and len(named) != 2):
            raise ValueError(f"pattern {text!r}: {{name}} and {{value}} belong together, alone")
        if len(re.findall(r"\{\*\}", text)) > 3:
            raise ValueError(f"pattern {text!r}: at most three {{*}} are allowed")
        self._read = re.compile(found)

    def _place(self, name: str) -> str:
        if name == "*":
            return ".*?"
        self.places.append(name)
        if name == "name":
            return r"([^'\":=;,|]{1,64}?)"
        if name == "unit":
            return r"(\S+(?: w\.g\.)?)"
        if name == "t" or name.startswith("gate:"):
            return r"([^\s,;|]+)"
        behind = "" if name == "value" else rf"(?:\s*(?:{_any_unit()})(?![^\W_]))?"
        return rf"({_NUMBER}{behind}|nan)(?![0-9])"

    def read(self, text: str) -> dict[str, object] | str:
        """The values in a line, or the reason why it does not fit."""
        if len(text) > LONGEST_PATTERN_LINE:
            return "too long"
        found: list[tuple[str, object]] = []
        for match in self._read.finditer(text):
            values = dict(zip(self.places, match.groups(), strict=True))
            unit = values.pop("unit", "")
            if "name" in values:
                values = {values["name"].strip(): values["value"]}
            for name, value in values.items():
                found.append((name, as_value(name, f"{value} {unit}".strip() if unit else value)))
            if len(found) > MOST_VALUES:
                break
        return as_object(found) if found else "does not fit the pattern"


def _literal(text: str) -> str:
    return r"\s+".join(re.escape(piece) for piece in re.split(r"\s+", text))
