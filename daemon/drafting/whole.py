"""What the configuration's own code says about the answers: about one table, and about the shop as a whole.

Nothing is judged here: :class:`~daemon.config.model.ShopFile` and :func:`~daemon.config.drawing.build_design` do it, and their
sentences are brought back to the question that they are about.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from pydantic import ValidationError

from analysis.air import standard_air
from daemon.config.drawing import build_air, build_design
from daemon.config.load import dotted, sentence
from daemon.config.model import ShopFile
from daemon.config.sanity import air_problems
from daemon.config.sensors import build_sensors
from daemon.config.sources import source_problems
from daemon.drafting.asking import Step, name_of
from daemon.drafting.draft import Answers, Draft
from daemon.drafting.steps import at_place
from daemon.drafting.tree import tree_of, with_stand_ins

Key = tuple[str | int, ...]
_NOWHERE = Path("answer")
_LATER = ("no port and no other run", "there is no port")
"""Beginnings of what is only wrong once everything has been drawn."""


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something wrong ("error") or doubtful ("warning"): ``step`` ("" for the file as a whole), ``index`` of the item (None
    where the step has none), ``question`` ("" for all of it), and the sentence."""

    severity: Literal["error", "warning"]
    step: str
    index: int | None
    question: str
    words: str


def table_troubles(step: Step, answers: Answers) -> list[tuple[Key, str]]:
    """What the step's own table refuses: its key and the sentence."""
    try:
        step.table(answers).model_validate(step.tree(answers))
    except ValidationError as error:
        return [(_key(item), _words(item)) for item in error.errors()]
    return []


def _key(item: Any) -> Key:
    return tuple(part for part in item["loc"] if isinstance(part, str | int))


def _words(item: Any) -> str:
    """The loader's own sentence, without file and key. ``item`` is one of pydantic's."""
    text = sentence(_NOWHERE, {}, item)
    key = [part for at, part in enumerate(item["loc"]) if not (at == 2 and item["loc"][0] in ("source", "outlet"))]
    return text.removeprefix(f"{_NOWHERE}: {dotted(key)}: ")


def troubles(draft: Draft, final: bool = False) -> list[Trouble]:
    """Everything that is wrong or doubtful with what was answered so far; with ``final`` also what is missing."""
    tree, made = tree_of(draft), frozenset[str]()
    if not final:
        tree, made = with_stand_ins(draft, tree)
    found = [
        _placed(draft, severity, key, words) for severity, key, words in _judged(tree)
        if not (key and key[0] in made) and (final or not words_are_early(words))
    ]
    return list(dict.fromkeys(found))


def words_are_early(words: str) -> bool:
    """Whether a sentence is only true of a finished drawing."""
    return any(early in words for early in _LATER)


def _judged(tree: dict[str, Any]) -> Iterator[tuple[Literal["error", "warning"], Key, str]]:
    try:
        file = ShopFile.model_validate(tree)
    except ValidationError as error:
        items = error.errors()
        items = [item for item in items if item["type"] != "too_short"] or items
        yield from (("error", _without_kind(_key(item)), _words(item)) for item in items)
        return
    names = [source.name for source in file.source]
    yield from (("error", *_split(problem)) for problem in source_problems(file.source))
    outlets = [outlet.name for outlet in file.outlet]
    for at, name in enumerate(outlets):
        if name in outlets[:at]:
            yield "error", ("outlet", at, "name"), f"two ways are named {name!r}; each needs a name of its own"
    for problem in build_sensors(file.sensor, frozenset(names))[1]:
        yield "error", *_split(problem)
    doubtful = list(air_problems(file))
    yield from (("error", *_split(problem)) for problem in doubtful)
    _, errors, warnings = build_design(file, standard_air() if doubtful else build_air(file.shop))
    yield from (("error", *_split(problem)) for problem in errors)
    yield from (("warning", *_split(problem)) for problem in warnings)


def _without_kind(key: Key) -> Key:
    """A union of tables by kind puts the chosen kind into the key; the file knows no such key."""
    return (*key[:2], *key[3:]) if key[:1] in (("source",), ("outlet",)) else key


def _split(problem: str) -> tuple[Key, str]:
    """``run[2].pipe: words`` -> its key and its words; a sentence without a key stands for the whole."""
    written, separator, rest = problem.partition(": ")
    if not separator or " " in written:
        return (), problem
    key: list[str | int] = []
    for part in written.split("."):
        name, bracket, index = part.partition("[")
        key.append(name)
        if bracket and index.rstrip("]").isdigit():
            key.append(int(index.rstrip("]")))
    return tuple(key), rest


def _placed(draft: Draft, severity: Literal["error", "warning"], key: Key, words: str) -> Trouble:
    step = at_place(str(key[0])) if key else None
    if step is None:
        return Trouble(severity, "", None, "", f"{dotted(key)}: {words}" if key else words)
    rest = key[1:]
    if not step.many:
        return Trouble(severity, step.name, None, name_of(step, rest, draft.of(step.name)), words)
    rows = draft.list_of(step.name)
    index = _index_of(step, rest, rows)
    if index is None:
        return Trouble(severity, step.name, None, "", words)
    return Trouble(severity, step.name, index, name_of(step, rest[1:], rows[index]), words)


def _index_of(step: Step, rest: Key, rows: Iterable[Answers]) -> int | None:
    """Which item a key is about; None for all of them."""
    known = list(rows)
    if not rest:
        return None
    if step.place == "sensor":
        return next((at for at, row in enumerate(known) if row.get("channel") == rest[0]), None)
    at = rest[0]
    if not isinstance(at, int):
        return None
    at -= 1 if step.place == "outlet" else 0  # the log stands before them
    return at if 0 <= at < len(known) else None
