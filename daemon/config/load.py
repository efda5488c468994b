"""Configuration file -> :class:`Config`. Every problem found is told at once, each with its place in the file."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import get_args

from pydantic import BaseModel, ValidationError

from analysis.air import standard_air
from analysis.run_state import RunThresholds
from daemon.config.config import Config
from daemon.config.drawing import build_air, build_design
from daemon.config.model import RunningTable, ShopFile
from daemon.config.sanity import air_problems
from daemon.config.secrets import inline_secrets
from daemon.config.sensors import build_sensors
from daemon.config.sources import source_problems
from daemon.config.toml_lines import Path as KeyPath
from daemon.config.toml_lines import key_lines, line_of
from daemon.errors import ConfigError

LARGEST_FILE = 1_000_000


def load(path: Path) -> Config:
    """Read and check a configuration. Raises :class:`ConfigError` with one sentence for each problem."""
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise ConfigError([f"{path}: cannot be read: {error.strerror or error}"]) from error
    if len(raw) > LARGEST_FILE:
        raise ConfigError([f"{path}: is {len(raw)} bytes long; a configuration has at most {LARGEST_FILE}"])
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        raise ConfigError([f"{path}: is not UTF-8 text: byte {error.start} is {raw[error.start]:#04x}"]) from error
    return parse(text, path)


def parse(text: str, path: Path) -> Config:
    """:func:`load` on a text; ``path`` names it in messages and is where relative paths start from."""
    try:
        tree = tomllib.loads(text)
    except ValueError as error:  # a TOMLDecodeError, or an integer of more than 4300 digits
        raise ConfigError([f"{path}: is not TOML: {error}"]) from error
    except RecursionError as error:
        raise ConfigError([f"{path}: is nested too deeply"]) from error
    lines = key_lines(text)
    try:
        file = ShopFile.model_validate(tree)
    except ValidationError as error:
        items = error.errors()
        told = [item for item in items if item["type"] != "too_short"] or items  # an element refused makes its list short
        raise ConfigError([sentence(path, lines, item) for item in told]) from error
    names = [source.name for source in file.source]
    problems = list(source_problems(file.source))
    sensors, found = build_sensors(file.sensor, frozenset(names))
    problems += found
    doubtful = list(air_problems(file))
    problems += doubtful
    air = standard_air() if doubtful else build_air(file.shop)
    design, errors, warnings = build_design(file, air)
    problems += errors
    if problems or design is None:
        raise ConfigError([_placed(path, lines, problem) for problem in problems])
    return Config(
        path=path,
        text=text,
        file=file,
        design=design,
        air=air,
        sensors=sensors,
        running=_thresholds(file.running, design.motor.full_load_a if design.motor else None),
        warnings=tuple(_placed(path, lines, warning) for warning in (*warnings, *inline_secrets(file))),
    )


def _thresholds(table: RunningTable, full_load_a: float | None) -> RunThresholds:
    given = {
        "on_a": table.on_current, "off_a": table.off_current, "on_pa": table.on_pressure,
        "off_pa": table.off_pressure, "settle_s": table.settle, "coast_s": table.coast,
    }
    return RunThresholds.for_motor(full_load_a, **{name: value for name, value in given.items() if value is not None})


_PLAIN = {
    "int_parsing": "a whole number is needed", "int_type": "a whole number is needed",
    "int_from_float": "a whole number is needed",
    "float_parsing": "a number is needed", "float_type": "a number is needed",
    "bool_parsing": "true or false is needed", "bool_type": "true or false is needed",
    "string_type": "a text in quotes is needed", "list_type": "a list in [ ] is needed", "tuple_type": "a list in [ ] is needed",
    "dict_type": "a table is needed", "model_type": "a table is needed", "model_attributes_type": "a table is needed",
}
"""For kinds of problems that the library would tell in a programmer's words."""


def sentence(path: Path, lines: dict[KeyPath, int], item: object) -> str:
    """One problem that pydantic found (an item of ``ValidationError.errors()``) with its place in the file."""
    assert isinstance(item, dict)
    parts: list[str | int] = [part for part in item["loc"] if isinstance(part, str | int)]
    # A union of tables by "kind" puts the chosen kind into the location; the file knows no such key.
    cleaned = [part for at, part in enumerate(parts) if not (at == 2 and parts[0] in ("source", "outlet"))]
    where = _where(path, lines, tuple(cleaned))
    if item["type"] == "extra_forbidden":
        return f"{where}: is not a key that is known here{_known_instead(parts)}"
    return f"{where}: {_message(item)}"


def _known_instead(parts: list[str | int]) -> str:
    """The key nearest to an unknown one, in its own table or in another, else the keys of its table."""
    *table, key = parts
    here = _keys(ShopFile, table)
    close = difflib.get_close_matches(str(key), here, n=1, cutoff=0.6)
    if close:
        return f"; did you mean {close[0]!r}?"
    for name in ShopFile.model_fields:
        if name not in table and key in _keys(ShopFile, [name]):
            return f"; {key!r} belongs to [{name}]"
    return f"; known here: {', '.join(here)}" if here else "; look for a slip of the pen"


def _keys(model: type[BaseModel], table: list[str | int]) -> list[str]:
    """The keys of a table, looked up along its path in the model; none where the path leads nowhere."""
    found = [model]
    for part in table:
        if isinstance(part, int):
            continue
        inner = [
            one for each in found if part in each.model_fields for one in _models(each.model_fields[part].annotation)
        ]
        # The chosen kind of a [[source]] or [[outlet]] stands in the path; so does the name of a [sensor.NAME].
        kinds = [each for each in found if "kind" in each.model_fields]
        tagged = [each for each in kinds if part in get_args(each.model_fields["kind"].annotation)]
        found = tagged or inner or found
    return list(dict.fromkeys(key for each in found for key in each.model_fields)) if found != [model] or not table else []


def _models(annotation: object) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for argument in get_args(annotation) for model in _models(argument)]


def _message(item: dict[str, object]) -> str:
    kind, message, found = str(item["type"]), str(item["msg"]), item.get("input")
    context = item.get("ctx")
    if kind == "missing":
        return "is missing"
    if kind == "union_tag_invalid" and isinstance(context, dict):
        return f"kind is {context.get('tag')!r}; allowed: {context.get('expected_tags')}"
    if kind == "union_tag_not_found":
        return "has no kind"
    message = _PLAIN.get(kind) or message.removeprefix("Value error, ")
    message = re.sub(r"^Input should be (less|greater) than", r"must be \1 than", message)
    message = message[0].lower() + message[1:] if message[:1].isupper() and message[1:2].islower() else message
    shown = repr(found)
    if isinstance(found, dict | list | tuple) or len(shown) > 80 or shown in message:
        return message
    return f"{message} (found {shown})"


def _placed(path: Path, lines: dict[KeyPath, int], problem: str) -> str:
    """A sentence ``dotted.key[2].path: what`` (counted from 0) with its place in the file, in words."""
    key, separator, rest = problem.partition(": ")
    parts: list[str | int] = []
    for part in key.split(".") if separator else ():
        name, bracket, index = part.partition("[")
        parts.append(name)
        if bracket and index.rstrip("]").isdigit():
            parts.append(int(index.rstrip("]")))
    if not parts or " " in key:
        return f"{path}: {problem}"
    return f"{_where(path, lines, tuple(parts))}: {rest}"


def _where(path: Path, lines: dict[KeyPath, int], parts: tuple[str | int, ...]) -> str:
    line = line_of(lines, parts)
    return f"{path}{'' if line is None else f', line {line}'}: {dotted(parts)}"


def dotted(parts: Iterable[str | int]) -> str:
    """A key path in words: arrays count from 1, as people do.

    >>> dotted(("port", 0, "needs"))
    'port 1, needs'
    """
    words: list[str] = []
    for part in parts:
        if isinstance(part, int) and words:
            words[-1] = f"{words[-1]} {part + 1}"
        else:
            words.append(str(part))
    return ", ".join(words)
