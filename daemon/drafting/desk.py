"""One first run: the draft, what may be done with it, and what a page shows of it. The terminal and the page ask through this
one desk, so that each goes on where the other stopped.

What is shown are frozen values (:class:`Form`, :class:`Listing`, :class:`Review`); nothing in them changes the draft.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from analysis.readings import CHANNELS
from daemon.config.summary import CAN_TELL
from daemon.drafting.asking import WHOLE, Choice, Context, Question, Step
from daemon.drafting.checks import Checked, Trouble, check_step, troubles
from daemon.drafting.draft import Answers, Draft, forget_draft, keep_draft, publish, read_draft
from daemon.drafting.outcome import Outcome, Piece, outcome, pieces
from daemon.drafting.steps import STEPS, after, before, enough, first_open, step_named
from daemon.finding.found import Found, rehearse, take_over
from daemon.finding.places import BrokerPlace, Place, PortPlace, Search, serial_ports

MAIN = frozenset({"inlet_pa", "filter_pa", "motor_a"})
REVIEW = "review"
_TOLD = (
    "kind", "into", "join", "at", "pipe", "length", "fittings", "hose", "hose_length", "needs", "source", "raw", "unit", "range",
    "device", "host",
)
"""What an item in a list says of itself."""


@dataclass(frozen=True, slots=True)
class Mark:
    """One step in the list of all: "done", "wrong" or "open"."""

    name: str
    title: str
    state: str


@dataclass(frozen=True, slots=True)
class Overview:
    """How far the first run is: the shop's name, the file that will be written, the steps, and where to begin."""

    shop: str
    path: Path
    steps: tuple[Mark, ...]
    begin: str
    written: bool

    def number(self, name: str) -> int:
        """The step's place in the list, from 1; one more than the last for the review."""
        names = [step.name for step in self.steps]
        return names.index(name) + 1 if name in names else len(names) + 1


@dataclass(frozen=True, slots=True)
class Field:
    """A question with the answer so far, what is wrong with it, and what it offers."""

    question: Question
    value: str
    problem: str
    choices: tuple[Choice, ...]
    offers: tuple[str, ...]
    sample: str

    @property
    def hint(self) -> str:
        """What is shown below the question in small print."""
        parts = [f"such as {self.sample}"] if self.sample and not self.value else []
        if self.question.optional and not self.choices:
            parts.append(f"empty: {self.question.nothing or 'none'}")
        return "; ".join(parts)


@dataclass(frozen=True, slots=True)
class Form:
    """The questions about a step, or about one of its items (``index`` None: a new one). ``own`` names the answers that its owner
    gave; ``fresh``: the others are suggestions that may still follow them."""

    step: Step
    index: int | None
    fields: tuple[Field, ...]
    own: tuple[str, ...]
    fresh: bool
    problem: str
    pieces: tuple[Piece, ...]

    @property
    def problems(self) -> list[Field]:
        """The fields that are wrong."""
        return [field for field in self.fields if field.problem]


@dataclass(frozen=True, slots=True)
class Item:
    """One run, port, source, sensor or way of telling."""

    index: int
    title: str
    words: str
    troubles: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Listing:
    """A step with many items; ``search`` where sensors can be looked for."""

    step: Step
    items: tuple[Item, ...]
    troubles: tuple[str, ...]
    enough: bool
    kinds: tuple[Choice, ...]
    pieces: tuple[Piece, ...]
    can_tell: str
    search: SearchState | None


@dataclass(frozen=True, slots=True)
class SearchState:
    """Looking for sensors: the ports that are there, and what was heard."""

    running: bool
    words: str
    ports: tuple[str, ...]
    found: tuple[Found, ...]


@dataclass(frozen=True, slots=True)
class Review:
    """The file as it would be written, what its check says, and what is wrong with the step to put it right at ("": none)."""

    path: Path
    found: Outcome
    mark: str
    exists: bool
    errors: tuple[tuple[str, str], ...]
    pieces: tuple[Piece, ...]


@dataclass(frozen=True, slots=True)
class Written:
    """What became of the wish to write the file: ``problem`` "" where it was written; ``kept`` the copy of an older one."""

    problem: str
    kept: Path | None = None


class SetupDesk:
    """One first run. Every method may be called from any thread; those that change something store the draft at once.

    ``shop`` is the one configuration that may be written. ``now`` dates the copy of an older one. A name that is not there
    raises LookupError, a file that cannot be written :class:`~daemon.errors.ConfigError`.
    """

    def __init__(
        self, shop: Path, search: Search | None = None, ports: Callable[[], list[str]] = serial_ports,
        now: Callable[[], datetime] = datetime.now, draft: Draft | None = None,
    ) -> None:
        self.shop = shop
        self.ended = threading.Event()
        self.written = False
        self.listening, self.ports, self._now = search or Search(), ports, now
        self._lock = threading.RLock()
        self.draft = draft or read_draft(shop) or Draft()

    # What is shown

    def overview(self) -> Overview:
        """The steps with how far each is."""
        draft = self.draft
        wrong, opened = {one.step for one in _errors(draft)}, first_open(draft)
        marks = tuple(Mark(step.name, step.title, _state(step, draft, wrong)) for step in STEPS)
        return Overview(draft.of("shop").get("name", ""), self.shop, marks, opened.name if opened else REVIEW, self.written)

    def step(self, name: str) -> Step:
        """The step of that name."""
        step = step_named(name)
        if step is None:
            raise LookupError(f"there is no step {name[:40]!r}")
        return step

    def listing(self, name: str) -> Listing:
        """A step's items, and what can be done about them."""
        step, draft = self.step(name), self.draft
        rows, wrong = draft.list_of(name), [one for one in _errors(draft) if one.step == name]
        fitted = frozenset(row.get("channel", "") for row in rows) & MAIN
        kind = step.question("kind")
        return Listing(
            step, tuple(_item(step, at, row, wrong) for at, row in enumerate(rows)),
            tuple(one.words for one in wrong if one.index is None), enough(step, draft),
            () if kind is None or kind.choices is None else tuple(kind.choices(Context(Draft(), {}))), self._pieces(step),
            CAN_TELL[fitted] if name == "sensors" else "", self.search_state() if name == "sources" else None,
        )

    def form(
        self, name: str, index: int | None, given: Answers | None = None, problems: Mapping[str, str] | None = None
    ) -> Form:
        """The questions about an item or step, with the answers ``given`` (else what is stored of them)."""
        step, problems = self.step(name), problems or {}
        stored, left = self._known(step, index)
        known = {**stored, **left} if given is None else given
        return Form(
            step, index, self._fields(step, index, known, problems), tuple(left),
            not stored and (given is None or set(given) == {"kind"}), problems.get(WHOLE, ""), self._pieces(step),
        )

    def review(self) -> Review:
        """The file as it would be written, and what its check says."""
        found = outcome(self.draft, self.shop)
        placed = [one for one in found.troubles if one.severity == "error"]
        errors = [(_placed_words(one), one.step) for one in placed] or [(words, "") for words in found.errors]
        return Review(self.shop, found, _mark(found.text), self.shop.exists(), tuple(errors), tuple(pieces(self.draft)))

    def search_state(self) -> SearchState:
        """The ports that are there, and what a search hears or has heard."""
        search = self.listening
        return SearchState(search.running, search.words, tuple(self.ports()), search.found)

    # What can be done

    def check(self, name: str, index: int | None, given: Answers, own: Sequence[str] = ()) -> dict[str, str]:
        """What is wrong with these answers, by question. Those that are the owner's ``own`` are kept as a step left
        in the middle, so that whoever comes back finds them."""
        step = self.step(name)
        answers = {question: given[question] for question in own if question in given and step.question(question)}
        with self._lock:
            self._known(step, index)
            if answers:
                self.store(self.draft.with_unfinished(name, index, answers))
        return dict(check_step(step, given, self.draft, index).problems)

    def suggest(self, name: str, index: int | None, given: Answers) -> dict[str, str]:
        """What most would answer to the questions that are not among ``given``, after those answers."""
        fields = self._fields(self.step(name), index, given, {})
        return {field.question.name: field.value for field in fields if field.question.name not in given}

    def save(self, name: str, index: int | None, given: Answers) -> Checked:
        """Take the answers into the draft, where nothing is wrong with them."""
        step = self.step(name)
        with self._lock:
            self._known(step, index)
            checked = check_step(step, given, self.draft, index)
            if checked.good:
                self.store(
                    self.draft.with_item(name, index, checked.answers) if step.many
                    else self.draft.with_answers(name, checked.answers).with_passed(name)
                )
        return checked

    def remove(self, name: str, index: int) -> None:
        """Take an item out."""
        step = self.step(name)
        with self._lock:
            if not step.many:
                raise LookupError(f"{name} has no items")
            self._known(step, index)
            self.store(self.draft.without_item(name, index))

    def pass_on(self, name: str) -> str:
        """Go on from a step with items; the sentence that says why not, "" when it was passed."""
        step = self.step(name)
        with self._lock:
            if not enough(step, self.draft):
                return f"at least {step.least} {step.item} is needed before you go on"
            self.store(self.draft.with_passed(name))
        return ""

    def search(self, what: Mapping[str, str]) -> str:
        """Begin to listen at a ``port`` ("all": at every one), or at a ``broker`` with ``user``, ``password_file`` and
        ``ca_file``, or again where it was (``fan`` "on"); the sentence that says why not, "" when it has begun."""
        places: list[Place] = []
        if what.get("fan") == "on":
            if not self.listening.found:
                return "nothing was heard yet; listen with the fan off first"
        elif what.get("broker"):
            secret = what.get("password_file", "").strip()
            places = [BrokerPlace(
                what["broker"].strip(), what.get("user", "").strip() or None,
                self.shop.parent / secret if secret else None, what.get("ca_file", "").strip() or None,
            )]
        elif what.get("port"):
            known = self.ports()
            if what["port"] != "all" and what["port"] not in known:
                return "that port is not there any more"
            places = [PortPlace(port) for port in known if what["port"] in ("all", port)]
        else:
            return "say where to listen: a port, or a broker"
        return "" if self.listening.begin(places) else "it is listening already"

    def take(self, number: int) -> list[str]:
        """Take over what was found (counted from 0); what was left out of it."""
        with self._lock:
            if not 0 <= number < len(self.listening.found):
                raise LookupError(f"nothing was found under {number + 1}")
            draft, left = take_over(self.draft, self.listening.found[number])
            self.store(draft)
        return left

    def rehearse(self) -> None:
        """The simulator in place of sensors."""
        with self._lock:
            self.store(rehearse(self.draft))

    def write(self, mark: str, replace: bool) -> Written:
        """Write the file: ``mark`` names the text that the owner has seen, ``replace`` says that an older file may go aside."""
        with self._lock:
            found = outcome(self.draft, self.shop)
            if not found.good:
                return Written("something is still wrong; nothing was written")
            if mark != _mark(found.text):
                return Written("the answers have changed since: read the text again")
            if self.shop.exists() and not replace:
                return Written(f"{self.shop} is there already: say that it may be replaced")
            kept = publish(self.shop, found.text, self._now())
            forget_draft(self.shop)
            self.written = True
        return Written("", kept)

    def end(self) -> None:
        """The owner has done with the page."""
        self.ended.set()

    def store(self, draft: Draft) -> None:
        """Take a changed draft, and keep it in its file."""
        keep_draft(self.shop, draft)
        self.draft = draft

    def _known(self, step: Step, index: int | None) -> tuple[Answers, Answers]:
        """What is stored of an item or step, and the answers to it that were left in the middle."""
        left = self.draft.unfinished
        rows = self.draft.list_of(step.name)
        if step.many and index is not None and not 0 <= index < len(rows):
            raise LookupError(f"there is no {step.item} {index + 1}")
        stored = self.draft.of(step.name) if not step.many else {} if index is None else rows[index]
        here = left is not None and left.step == step.name and left.index == index
        return stored, left.answers if left is not None and here else {}

    def _fields(self, step: Step, index: int | None, known: Answers, problems: Mapping[str, str]) -> tuple[Field, ...]:
        """A field for each question that may be asked; suggestions fill what was not answered."""
        shown: dict[str, str] = {}
        fields = []
        kind = known.get("kind")
        for question in step.questions:
            context = Context(self.draft, shown, index)
            answer = known.get(question.name)
            if answer is None:
                answer = question.suggest(context) if question.suggest is not None else ""
            choices = () if question.choices is None else tuple(question.choices(context))
            if choices and answer not in [value for value, _ in choices]:
                answer = "" if question.optional else choices[0][0]
            shown[question.name] = answer
            by_kind = question.when is not None and question.when[0] == "kind"
            if not by_kind or kind is None or question.asked({"kind": kind}):
                offers = () if question.offers is None else tuple(question.offers(context))
                problem = problems.get(question.name, "")
                fields.append(Field(question, answer, problem, choices, offers, question.sample(context.system)))
        return tuple(fields)

    def _pieces(self, step: Step) -> tuple[Piece, ...]:
        return tuple(pieces(self.draft)) if step.name in ("runs", "ports") else ()


def neighbour(step: Step, forward: bool) -> str:
    """The name of the step after (the review behind the last) or before ("" before the first)."""
    other = after(step) if forward else before(step)
    return other.name if other is not None else REVIEW if forward else ""


def _mark(text: str) -> str:
    """Names a text of a configuration, so that only what the owner has read is written."""
    return hashlib.sha256(text.encode()).hexdigest()


def _errors(draft: Draft) -> list[Trouble]:
    return [one for one in troubles(draft) if one.severity == "error"]


def _state(step: Step, draft: Draft, wrong: set[str]) -> str:
    return "wrong" if step.name in wrong else "done" if step.name in draft.passed and enough(step, draft) else "open"


def _item(step: Step, at: int, row: Answers, wrong: Sequence[Trouble]) -> Item:
    words = [row[key] for key in _TOLD if row.get(key) and not (key == "join" and row.get("into") == "fan")]
    channel = CHANNELS.get(row.get("channel", ""))
    if channel is not None:
        words.insert(0, channel.name)
    title = row.get("name") or (f"{step.item} {at + 1}" if channel is None else channel.words.capitalize())
    return Item(at, title, ", ".join(words), tuple(one.words for one in wrong if one.index == at))


def _placed_words(trouble: Trouble) -> str:
    step = step_named(trouble.step)
    if step is None:
        return trouble.words
    if trouble.words == "is missing":
        return f"{step.title}: not answered yet"
    number = "" if trouble.index is None else f" {trouble.index + 1}"
    return f"{step.title}{number}: {trouble.words}"
