"""What the configuration's own code says about the answers: about one answer, a step or an item, and the whole shop.

Nothing is judged here: :class:`~daemon.config.model.ShopFile` and :func:`~daemon.config.drawing.build_design` do it, and their
sentences are brought back to the question that they are about.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator, Mapping
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
from daemon.drafting.asking import WHOLE, Context, Question, Step, name_of
from daemon.drafting.draft import LONGEST_ANSWER, MOST_ITEMS, Answers, Draft
from daemon.drafting.steps import at_place, tree_of, with_stand_ins

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


LONGEST_LINE = 300


@dataclass(frozen=True, slots=True)
class Checked:
    """The answers in form, and what is wrong with them by question (:data:`WHOLE`: with the step or item)."""

    answers: Answers
    problems: Mapping[str, str]

    @property
    def good(self) -> bool:
        """Nothing is wrong."""
        return not self.problems


def read_answer(step: Step, question: Question, text: str, context: Context) -> str:
    """The answer in form. Raises ValueError with a sentence that says what is wrong with it and what is allowed."""
    lines = question.kind == "lines"
    text = text.replace("\r\n", "\n").replace("\r", "\n") if lines else text
    _printable(text, lines)
    if not text.strip():
        if question.optional:
            return ""
        if question.kind == "choice":
            raise ValueError("choose one")
        sample = question.sample(context.system)
        raise ValueError(f"an answer is needed here{f', such as {sample}' if sample else ''}")
    if question.kind == "choice" and question.choices is not None:
        return _chosen(text, question, context)
    written = question.tidy(text)
    try:
        if question.check is not None:
            question.check(written, context)
        if question.key:
            given = {**context.given, question.name: written}
            refused = [words for key, words in table_troubles(step, given) if key[: len(question.key)] == question.key]
            if refused:
                raise ValueError("; ".join(dict.fromkeys(refused)))
    except ValueError as error:
        words, sign, _ = str(error).partition(" has no unit; write for example ")
        if sign and question.sample(context.system):
            # The same sentence with an example of this very question, in the owner's units.
            raise ValueError(f"{words}{sign}{question.sample(context.system)!r}") from error
        raise
    return written


def _chosen(text: str, question: Question, context: Context) -> str:
    assert question.choices is not None
    offered = question.choices(context)
    wanted = text.strip()
    for value, _ in offered:
        if wanted == value or " ".join(wanted.split()) == value:
            if question.check is not None:
                question.check(value, context)
            return value
    if not offered:
        raise ValueError("there is nothing to choose from yet")
    raise ValueError(f"{wanted!r} is not one of {', '.join(value for value, _ in offered if value)}")


def _printable(text: str, lines: bool) -> None:
    """Refuse what no name or measure holds: control characters, line ends within a line, halves of characters, endless text."""
    if len(text) > (LONGEST_ANSWER if lines else LONGEST_LINE):
        raise ValueError(f"is {len(text)} characters long; at most {LONGEST_ANSWER if lines else LONGEST_LINE} are taken")
    allowed = "\t\n" if lines else "\t"
    for character in text:
        if unicodedata.category(character) in ("Cc", "Cs", "Zl", "Zp") and character not in allowed:
            raise ValueError(f"holds a character that cannot be written here ({character!r})")


def check_step(step: Step, given: Answers, draft: Draft, index: int | None = None) -> Checked:
    """Everything about a step's or an item's answers. Answers to questions that are not asked are dropped."""
    answers: dict[str, str] = {}
    problems: dict[str, str] = {}
    for question in step.questions:
        if not question.asked(answers):
            continue
        text = given.get(question.name, "")
        try:
            answers[question.name] = read_answer(step, question, text, Context(draft, answers, index))
        except ValueError as error:
            problems[question.name] = str(error)
            answers[question.name] = text
    if not problems and step.many and index is None and len(draft.list_of(step.name)) >= MOST_ITEMS:
        problems[WHOLE] = f"there are {MOST_ITEMS} already; more are not taken"
    if not problems:
        problems = _together(step, answers, draft, index)
    return Checked(answers, problems)


def _together(step: Step, answers: Answers, draft: Draft, index: int | None) -> dict[str, str]:
    """What only shows when the answers stand together, and with the rest of the shop."""
    if not step.wanted(answers):
        return {}
    found: dict[str, str] = {}
    for key, words in table_troubles(step, answers):
        found.setdefault(name_of(step, key, answers), words)
    if found:
        return found
    if step.many:
        changed = draft.with_item(step.name, index, answers)
        place = len(draft.list_of(step.name)) if index is None else index
    else:
        changed, place = draft.with_answers(step.name, answers), None
    label = f"{step.item} {answers.get('name', '')!r}"
    known = {trouble.words for trouble in troubles(draft)} if step.many else set()
    for trouble in troubles(changed):
        if trouble.severity != "error":
            continue
        if trouble.step == step.name and trouble.index == place:
            found.setdefault(trouble.question, trouble.words)
        elif step.many and label in trouble.words and trouble.words not in known:
            found.setdefault(WHOLE, trouble.words)  # it spoils what another item says, such as two that join straight on
    return found
