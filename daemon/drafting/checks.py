"""One answer, or all answers of a step or an item, against the configuration's own models and the drawing as a whole."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass

from daemon.drafting.asking import WHOLE, Context, Question, Step, name_of
from daemon.drafting.draft import LONGEST_ANSWER, MOST_ITEMS, Answers, Draft
from daemon.drafting.whole import table_troubles, troubles

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
