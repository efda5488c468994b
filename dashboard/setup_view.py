"""The first run as pages see it: what a desk hands over, checked and typed, and the drawing of the ducts as it grows.

Whoever serves the page brings the desk along (:class:`SetupDesk`): it holds the answers and writes the file. Its documents are
plain values; here they become models that a template can rely on.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Protocol

from markupsafe import Markup
from pydantic import BaseModel, ConfigDict

from dashboard.duct_map import drawing
from dashboard.duct_tree import NARROW, tree_drawing
from dashboard.duct_view import PieceOut
from dashboard.shapes import Quantity

Document = dict[str, Any]
Answers = Mapping[str, str]
LONGEST_WORDS = 34
"""Characters of a piece's measures that the drawing has room for."""


class SetupDesk(Protocol):
    """What the page asks of whoever holds the answers. LookupError: there is no such step or item."""

    def overview(self) -> Document: ...
    def step(self, name: str) -> Document: ...
    def form(
        self, name: str, index: int | None, given: Answers | None = None, problems: Mapping[str, str] | None = None
    ) -> Document: ...
    def check(self, name: str, index: int | None, given: Answers) -> dict[str, str]: ...
    def suggest(self, name: str, index: int | None, given: Answers) -> dict[str, str]: ...
    def save(self, name: str, index: int | None, given: Answers) -> dict[str, str]: ...
    def remove(self, name: str, index: int) -> None: ...
    def pass_on(self, name: str) -> str: ...
    def search(self, what: Mapping[str, str]) -> str: ...
    def search_state(self) -> Document: ...
    def take(self, number: int) -> list[str]: ...
    def rehearse(self) -> None: ...
    def outcome(self) -> Document: ...
    def write(self, mark: str, replace: bool) -> Document: ...
    def end(self) -> None: ...


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class StepMark(_Strict):
    """One step in the list of all: "done", "wrong" or "open"."""

    name: str
    title: str
    state: str


class OverviewOut(_Strict):
    """Where the first run stands."""

    shop: str
    path: str
    steps: list[StepMark]
    begin: str
    written: bool

    def number(self, name: str) -> int:
        """The step's place in the list, from 1; one more than the last for the review."""
        names = [step.name for step in self.steps]
        return names.index(name) + 1 if name in names else len(names) + 1


class FieldOut(_Strict):
    """One question. ``when``/``among``: asked only with these answers to another one; ``unless``: not with that one."""

    name: str
    words: str
    help: str
    kind: str
    value: str
    problem: str
    choices: list[tuple[str, str]]
    offers: list[str]
    optional: bool
    nothing: str
    sample: str
    when: str
    among: list[str]
    unless: list[str]

    @property
    def hint(self) -> str:
        """What stands under the question in small print."""
        parts = [f"such as {self.sample}"] if self.sample and not self.value else []
        if self.optional and not self.choices:
            parts.append(f"empty: {self.nothing or 'none'}")
        return "; ".join(parts)


class PieceIn(_Strict):
    """A run or port of the draft."""

    name: str
    into: str
    kind: str
    join: str
    length_m: float
    hose_m: float
    diameter_m: float
    words: str
    more: str


class ItemOut(_Strict):
    """One run, port, source, sensor or way of telling."""

    index: int
    title: str
    words: str
    troubles: list[str]


class HeardOut(_Strict):
    """One name that was heard."""

    name: str
    count: int
    spread: str
    channel: str
    words: str
    why: str
    asks: str
    reading: str


class FoundOut(_Strict):
    """What was heard at one place."""

    where: str
    said: str
    remarks: list[str]
    usable: bool
    rows: list[HeardOut]


class SearchOut(_Strict):
    """Looking for sensors."""

    running: bool
    words: str
    ports: list[str]
    found: list[FoundOut]
    empty: bool


class _Head(_Strict):
    name: str
    title: str
    lead: str
    many: bool
    item: str
    least: int
    next: str
    back: str
    kinds: list[tuple[str, str]]


class StepOut(_Head):
    """A step that is asked once, or the list of one with many items."""

    troubles: list[str]
    enough: bool
    items: list[ItemOut]
    fields: list[FieldOut]
    pieces: list[PieceIn]
    tells: str
    search: SearchOut | None = None


class FormOut(_Head):
    """The questions about one item, or about a step that was answered wrongly."""

    index: int | None
    fresh: bool
    problem: str
    fields: list[FieldOut]
    pieces: list[PieceIn]

    @property
    def problems(self) -> list[tuple[str, str, str]]:
        """Name, question and what is wrong, of every field that is wrong."""
        return [(field.name, field.words, field.problem) for field in self.fields if field.problem]


class ErrorOut(_Strict):
    """Something that must be put right, and at which step."""

    words: str
    step: str


class OutcomeOut(_Strict):
    """The file as it would be written, with what its check says."""

    path: str
    good: bool
    errors: list[ErrorOut]
    summary: list[str]
    notes: list[str]
    text: str
    mark: str
    exists: bool
    pieces: list[PieceIn]


class WrittenOut(_Strict):
    """What became of the wish to write it."""

    written: bool
    words: str
    kept: str


def ducts(pieces: Sequence[PieceIn]) -> tuple[Markup, Markup] | None:
    """The drawing for a wide and for a narrow screen; None while nothing is drawn."""
    if not pieces:
        return None
    drawn = [_piece(piece) for piece in pieces]
    short = [piece.model_copy(update={"words": ""}) for piece in drawn]  # the list below has all of it
    return drawing(drawn, 1040, "wide"), tree_drawing(short, NARROW, "narrow")


def _piece(piece: PieceIn) -> PieceOut:
    nothing = Quantity()
    return PieceOut(
        name=_cut(piece.name),
        into=_cut(piece.into),
        kind=piece.kind,
        join=piece.join,
        length_m=piece.length_m,
        hose_m=piece.hose_m,
        diameter_m=piece.diameter_m,
        size="",
        length="",
        is_open=None,
        flow=nothing,
        velocity=nothing,
        carrying=nothing,
        needs=nothing,
        tone="quiet",
        words=_cut(piece.more),
        air=_cut(piece.words),
    )


def _cut(words: str) -> str:
    """Names may be sixty characters long; two that are cut alike would be one piece, so each keeps its end."""
    if len(words) <= LONGEST_WORDS:
        return words
    return f"{words[: LONGEST_WORDS - 9]}…{words[-8:]}"
