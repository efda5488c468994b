"""Question and Step: what is asked, in which words, and into which key of the configuration the answer goes."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from analysis import units
from analysis.units import System
from daemon.config.quantities import StrictModel
from daemon.drafting.draft import Answers, Draft

Choice = tuple[str, str]
"""Value and words."""
ANY = "*"
"""In ``when``: any answer but an empty one."""
WHOLE = ""
"""The name under which a problem stands that belongs to no single question."""
YES_NO: tuple[Choice, ...] = (("yes", "yes"), ("no", "no"))


def plain(text: str) -> str:
    """One line, single spaces, nothing at its ends.

    >>> plain("  14   ft ")
    '14 ft'
    """
    return " ".join(text.split())


def listed(text: str) -> list[str]:
    """The parts of a list: one a line, or with commas or semicolons between them.

    >>> listed("2x elbow 90 r/D 1.5, elbow 45")
    ['2x elbow 90 r/D 1.5', 'elbow 45']
    """
    return [part for piece in re.split(r"[,;\n]", text) if (part := plain(piece))]


@dataclass(frozen=True, slots=True)
class Context:
    """Where a question stands: the draft, the answers given so far in this step or item, and the item's place (None: new)."""

    draft: Draft
    given: Answers
    index: int | None = None

    @property
    def system(self) -> System:
        """The units that the owner likes."""
        return "si" if self.given.get("units", self.draft.of("shop").get("units")) == "si" else "us"


@dataclass(frozen=True, slots=True)
class Question:
    """One question.

    ``name`` within its step; ``words`` as asked; ``key`` the path in the step's table that the answer goes to (() where it
    only steers other questions); ``help`` where to read it or what it is for. ``kind`` is "text", "lines" (several, one a
    line) or "choice". ``optional`` lets it be empty, and ``nothing`` says what that means. ``example`` in US and in SI units.
    ``choices`` closed, ``offers`` open; ``suggest`` the answer that most would give. ``tidy`` brings the text into form,
    ``check`` looks further than the table does; both raise ValueError with a sentence. ``value`` makes of the text what the table
    wants; it never raises. ``when`` names another question of
    the step and the answers to it with which this one is asked, ``unless`` one with which it is not.
    """

    name: str
    words: str
    key: tuple[str, ...] = ()
    help: str = ""
    kind: Literal["text", "lines", "choice"] = "text"
    optional: bool = False
    nothing: str = ""
    example: tuple[str, str] = ("", "")
    choices: Callable[[Context], Sequence[Choice]] | None = None
    offers: Callable[[Context], Sequence[str]] | None = None
    suggest: Callable[[Context], str] | None = None
    tidy: Callable[[str], str] = plain
    value: Callable[[str], Any] = str
    check: Callable[[str, Context], None] | None = None
    when: tuple[str, tuple[str, ...]] | None = None
    unless: tuple[str, str] | None = None

    def asked(self, given: Answers) -> bool:
        """Whether it is asked after the answers ``given``."""
        if self.unless is not None and given.get(self.unless[0], "") == self.unless[1]:
            return False
        if self.when is None:
            return True
        name, wanted = self.when
        answer = given.get(name, "")
        return answer in wanted or (ANY in wanted and answer != "")

    def sample(self, system: System) -> str:
        """The example in these units."""
        return self.example[1 if system == "si" else 0]


@dataclass(frozen=True, slots=True)
class Step:
    """Questions that belong together. ``many``: asked again for each ``item`` ("run"), ``least`` of them at least.

    ``table`` gives the configuration's own model for a set of answers, ``place`` the key of the whole file that it becomes. The
    answers go where their questions' keys say; ``more`` adds what does not follow from one answer alone.
    """

    name: str
    title: str
    lead: str
    place: str
    questions: tuple[Question, ...]
    table: Callable[[Answers], type[StrictModel]]
    more: Callable[[Answers, dict[str, Any]], None] = lambda answers, tree: None
    many: bool = False
    least: int = 0
    item: str = ""
    wanted: Callable[[Answers], bool] = lambda answers: True

    def question(self, name: str) -> Question | None:
        """The question of that name."""
        return next((question for question in self.questions if question.name == name), None)

    def asked(self, given: Answers) -> tuple[Question, ...]:
        """The questions that are asked with these answers, in order."""
        return tuple(question for question in self.questions if question.asked(given))

    def tree(self, answers: Answers) -> dict[str, Any]:
        """The table's plain values. What cannot be read is left for the model to refuse."""
        tree: dict[str, Any] = {}
        for question in self.asked(answers):
            if question.key and answers.get(question.name):
                *holders, last = question.key
                holder = tree
                for key in holders:
                    holder = holder.setdefault(key, {})
                holder[last] = question.value(answers[question.name])
        self.more(answers, tree)
        return tree


def choices(*found: Choice) -> Callable[[Context], Sequence[Choice]]:
    """Choices that are always the same."""
    return lambda _: found


def one_of(*texts: str) -> Callable[[Context], Sequence[str]]:
    """Offers that are always the same."""
    return lambda _: texts


def by_units(us: str, si: str) -> Callable[[Context], str]:
    """A suggestion in the owner's units."""
    return lambda context: si if context.system == "si" else us


def always(text: str) -> Callable[[Context], str]:
    """A suggestion that is always the same."""
    return lambda _: text


def quantity(kind: str, low: float = 0.0) -> Callable[[str, Context], None]:
    """A check for a quantity that has no key of its own in the table: more than ``low`` [SI]."""

    def check(text: str, _: Context) -> None:
        if not units.parse(text, kind) > low:
            raise ValueError(f"{text!r} must be more than {low:g}")

    return check


def number(text: str) -> float | str:
    """A number as the table wants it; the text itself where it is none, for the table to refuse."""
    try:
        return float(text)
    except ValueError:
        return text


def whole_number(text: str) -> int | str:
    """The same for a whole number."""
    try:
        return int(text)
    except ValueError:
        return text


def name_of(step: Step, key: tuple[str | int, ...], answers: Answers) -> str:
    """The question that a key of the step's table belongs to, :data:`WHOLE` for none that is asked."""
    fits = [
        question for question in step.asked(answers)
        if question.key and key[: len(question.key)] == question.key
    ]
    return max(fits, key=lambda question: len(question.key)).name if fits else WHOLE
