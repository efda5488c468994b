"""The first run as the setup page asks for it: documents of plain values, and the few things that may be done.

The page knows nothing of drafts and files, and this knows nothing of pages. A document is made of text, numbers, truth values
and lists, so that whoever shows it needs none of our types.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from analysis.readings import CHANNELS
from daemon.config.summary import CAN_TELL
from daemon.drafting.asking import WHOLE, Context, Question, Step
from daemon.drafting.checks import check_step
from daemon.drafting.draft import Answers, Draft
from daemon.drafting.drawn import pieces
from daemon.drafting.files import forget_draft, keep_draft, publish, read_draft
from daemon.drafting.outcome import Outcome, outcome
from daemon.drafting.steps import STEPS, after, before, enough, first_open, step_named
from daemon.drafting.whole import Trouble, troubles
from daemon.finding.found import Found, rehearse, take_over
from daemon.finding.ports import serial_ports
from daemon.finding.search import BrokerPlace, Place, PortPlace, Search

Document = dict[str, Any]
MAIN = frozenset({"inlet_pa", "filter_pa", "motor_a"})
REVIEW = "review"


class SetupDesk:
    """One first run. Every method may be called from any thread; those that change something store the draft at once.

    ``shop`` is the one configuration that may be written. ``now`` dates the copy of an older one. A name that is not there
    raises LookupError, a file that cannot be written :class:`~daemon.errors.ConfigError`.
    """

    def __init__(
        self, shop: Path, search: Search | None = None, ports: Callable[[], list[str]] = serial_ports,
        now: Callable[[], datetime] = datetime.now,
    ) -> None:
        self.shop = shop
        self.ended = threading.Event()
        self.written = False
        self._search, self._ports, self._now = search or Search(), ports, now
        self._lock = threading.RLock()
        self._draft = read_draft(shop) or Draft()

    # What is shown

    def overview(self) -> Document:
        """The steps with how far each is, the shop's name, and the file that will be written."""
        with self._lock:
            draft = self._draft
        wrong, opened = {trouble.step for trouble in troubles(draft) if _wrong(trouble)}, first_open(draft)
        return {
            "shop": draft.of("shop").get("name", ""),
            "path": str(self.shop),
            "steps": [
                {"name": step.name, "title": step.title, "state": _state(step, draft, wrong)} for step in STEPS
            ],
            "begin": REVIEW if opened is None else opened.name,
            "written": self.written,
        }

    def step(self, name: str) -> Document:
        """A step: its questions, or its items with what can be done about them."""
        step, draft = _step(name), self._draft
        found = troubles(draft)
        here = [trouble.words for trouble in found if trouble.step == name and trouble.index is None and _wrong(trouble)]
        document: Document = {
            **_head(step),
            "troubles": here,
            "enough": enough(step, draft),
            "items": [_item(step, at, row, found) for at, row in enumerate(draft.list_of(name))],
            "fields": [] if step.many else self._fields(step, None, self._known(step, None), {}),
            "pieces": _pieces(draft) if name in ("runs", "ports") else [],
            "tells": "",
        }
        if name == "sensors":
            document["tells"] = CAN_TELL[frozenset(row.get("channel", "") for row in draft.list_of(name)) & MAIN]
        if name == "sources":
            document["search"] = self.search_state()
        return document

    def form(
        self, name: str, index: int | None, given: Answers | None = None, problems: Mapping[str, str] | None = None
    ) -> Document:
        """The questions about one item (``index`` None: a new one) or step, with the answers ``given`` so far."""
        step = _step(name)
        known = dict(self._known(step, index) if given is None else given)
        return {
            **_head(step),
            "index": index,
            "fresh": not known or set(known) == {"kind"},
            "problem": (problems or {}).get(WHOLE, ""),
            "fields": self._fields(step, index, known, problems or {}),
            "pieces": _pieces(self._draft) if name in ("runs", "ports") else [],
        }

    def _known(self, step: Step, index: int | None) -> Answers:
        draft, left = self._draft, self._draft.unfinished
        if step.many and index is not None and not 0 <= index < len(draft.list_of(step.name)):
            raise LookupError(f"there is no {step.item} {index + 1}")
        stored = draft.list_of(step.name)[index] if step.many and index is not None else {} if step.many else draft.of(step.name)
        if left is not None and left.step == step.name and left.index == index:
            return {**stored, **left.answers}
        return stored

    def _fields(self, step: Step, index: int | None, known: Answers, problems: Mapping[str, str]) -> list[Document]:
        """A field for each question that may be asked; suggestions fill what was not answered."""
        shown: dict[str, str] = {}
        fields = []
        for question in step.questions:
            context = Context(self._draft, shown, index)
            answer = known.get(question.name)
            if answer is None:
                answer = question.suggest(context) if question.suggest is not None else ""
            field = _field(question, context, answer, problems.get(question.name, ""))
            shown[question.name] = field["value"]
            kind = known.get("kind") if question.when is not None and question.when[0] == "kind" else None
            if kind is None or question.asked({"kind": kind}):
                fields.append(field)
        return fields

    def outcome(self) -> Document:
        """The file as it would be written, and what its check says."""
        draft = self._draft
        found = outcome(draft, self.shop)
        return {
            "path": str(self.shop),
            "good": found.good,
            "errors": _errors(found),
            "summary": list(found.summary),
            "notes": list(found.notes),
            "text": found.text,
            "mark": _mark(found.text),
            "exists": self.shop.exists(),
            "pieces": _pieces(draft),
        }

    def search_state(self) -> Document:
        """The ports that are there, and what a search hears or has heard."""
        return {
            "running": self._search.running,
            "words": self._search.words,
            "ports": self._ports(),
            "found": [_found(found) for found in self._search.found],
            "empty": not self._draft.list_of("sources"),
        }

    # What can be done

    def check(self, name: str, index: int | None, given: Answers) -> dict[str, str]:
        """What is wrong with these answers, by question; nothing is stored."""
        return dict(check_step(_step(name), given, self._draft, index).problems)

    def suggest(self, name: str, index: int | None, given: Answers) -> dict[str, str]:
        """What most would answer to the questions that are not among ``given``, after those answers."""
        step = _step(name)
        return {field["name"]: field["value"] for field in self._fields(step, index, given, {}) if field["name"] not in given}

    def save(self, name: str, index: int | None, given: Answers) -> dict[str, str]:
        """Take the answers into the draft; what is wrong with them by question, empty when they were taken."""
        step = _step(name)
        with self._lock:
            if step.many and index is not None:
                self._known(step, index)
            checked = check_step(step, given, self._draft, index)
            if checked.good:
                self._store(
                    self._draft.with_item(name, index, checked.answers) if step.many
                    else self._draft.with_answers(name, checked.answers).with_passed(name)
                )
        return dict(checked.problems)

    def remove(self, name: str, index: int) -> None:
        """Take an item out."""
        step = _step(name)
        with self._lock:
            if not step.many:
                raise LookupError(f"{name} has no items")
            self._known(step, index)
            self._store(self._draft.without_item(name, index))

    def pass_on(self, name: str) -> str:
        """Go on from a step with items; the sentence that says why not, "" when it was passed."""
        step = _step(name)
        with self._lock:
            if not enough(step, self._draft):
                return f"at least {step.least} {step.item} is needed before you go on"
            self._store(self._draft.with_passed(name))
        return ""

    def search(self, what: Mapping[str, str]) -> str:
        """Begin to listen at a ``port`` ("all": at every one), or at a ``broker`` with ``user``, ``password_file`` and
        ``ca_file``; the sentence that says why not, "" when it has begun."""
        places: list[Place]
        if what.get("broker"):
            secret = what.get("password_file", "").strip()
            places = [BrokerPlace(
                what["broker"].strip(), what.get("user", "").strip() or None,
                self.shop.parent / secret if secret else None, what.get("ca_file", "").strip() or None,
            )]
        elif what.get("port"):
            known = self._ports()
            if what["port"] != "all" and what["port"] not in known:
                return "that port is not there any more"
            places = [PortPlace(port) for port in known if what["port"] in ("all", port)]
        else:
            return "say where to listen: a port, or a broker"
        return "" if self._search.begin(places) else "it is listening already"

    def take(self, number: int) -> list[str]:
        """Take over what was found (counted from 0); what was left out of it."""
        with self._lock:
            if not 0 <= number < len(self._search.found):
                raise LookupError(f"nothing was found under {number + 1}")
            draft, left = take_over(self._draft, self._search.found[number])
            self._store(draft)
        return left

    def rehearse(self) -> None:
        """The simulator in place of sensors."""
        with self._lock:
            self._store(rehearse(self._draft))

    def write(self, mark: str, replace: bool) -> Document:
        """Write the file: ``mark`` names the text that the owner has seen, ``replace`` says that an older file may go aside.

        ``written``, ``words`` and, where an older file was kept, the name of its copy.
        """
        with self._lock:
            found = outcome(self._draft, self.shop)
            if not found.good:
                return {"written": False, "words": "something is still wrong; nothing was written", "kept": ""}
            if mark != _mark(found.text):
                return {"written": False, "words": "the answers have changed since: read the text again", "kept": ""}
            if self.shop.exists() and not replace:
                return {"written": False, "words": f"{self.shop} is there already: say that it may be replaced", "kept": ""}
            kept = publish(self.shop, found.text, self._now())
            forget_draft(self.shop)
            self.written = True
        return {"written": True, "words": f"{self.shop} is written", "kept": "" if kept is None else str(kept)}

    def end(self) -> None:
        """The owner has done with the page."""
        self.ended.set()

    def _store(self, draft: Draft) -> None:
        keep_draft(self.shop, draft)
        self._draft = draft


def _step(name: str) -> Step:
    step = step_named(name)
    if step is None:
        raise LookupError(f"there is no step {name[:40]!r}")
    return step


def _wrong(trouble: Trouble) -> bool:
    return trouble.severity == "error"


def _state(step: Step, draft: Draft, wrong: set[str]) -> str:
    return "wrong" if step.name in wrong else "done" if step.name in draft.passed and enough(step, draft) else "open"


def _head(step: Step) -> Document:
    following, earlier = after(step), before(step)
    return {
        "name": step.name, "title": step.title, "lead": step.lead, "many": step.many, "item": step.item, "least": step.least,
        "next": REVIEW if following is None else following.name, "back": "" if earlier is None else earlier.name,
        "kinds": [list(choice) for choice in _kinds(step)],
    }


def _kinds(step: Step) -> list[tuple[str, str]]:
    """What can be added to a step whose items are of several kinds."""
    question = step.question("kind")
    if question is None or question.choices is None:
        return []
    return list(question.choices(Context(Draft(), {})))


def _field(question: Question, context: Context, answer: str, problem: str) -> Document:
    choices = [] if question.choices is None else [list(choice) for choice in question.choices(context)]
    if choices and answer not in [value for value, _ in choices]:
        answer = "" if question.optional else choices[0][0]
    return {
        "name": question.name, "words": question.words, "help": question.help, "kind": question.kind, "value": answer,
        "problem": problem, "choices": choices, "optional": question.optional, "nothing": question.nothing,
        "offers": [] if question.offers is None else list(question.offers(context)),
        "sample": question.sample(context.system),
        "when": "" if question.when is None else question.when[0],
        "among": [] if question.when is None else list(question.when[1]),
        "unless": [] if question.unless is None else list(question.unless),
    }


def _item(step: Step, at: int, row: Answers, found: list[Trouble]) -> Document:
    told = (
        "kind", "into", "join", "pipe", "length", "fittings", "hose", "hose_length", "needs", "source", "raw", "unit", "range",
        "device", "host",
    )
    words = [row[key] for key in told if row.get(key) and not (key == "join" and row.get("into") == "fan")]
    channel = CHANNELS.get(row.get("channel", ""))
    if channel is not None:
        words.insert(0, channel.name)
    return {
        "index": at,
        "title": row.get("name") or (f"{step.item} {at + 1}" if channel is None else channel.words.capitalize()),
        "words": ", ".join(words),
        "troubles": [trouble.words for trouble in found if trouble.step == step.name and trouble.index == at and _wrong(trouble)],
    }


def _pieces(draft: Draft) -> list[Document]:
    return [
        {"name": piece.name, "into": piece.into, "kind": piece.kind, "join": piece.join, "length_m": piece.length_m,
         "hose_m": piece.hose_m, "diameter_m": piece.diameter_m, "words": piece.words, "more": piece.more}
        for piece in pieces(draft)
    ]


def _found(found: Found) -> Document:
    return {
        "where": found.where, "said": found.said, "remarks": list(found.remarks), "usable": found.source is not None,
        "rows": [
            {"name": row.name, "count": row.count, "spread": row.spread, "channel": row.channel, "words": row.words,
             "why": row.why, "asks": row.asks, "reading": row.reading}
            for row in found.rows
        ],
    }


def _errors(found: Outcome) -> list[Document]:
    """What is wrong, with the step to put it right at ("" where none is known)."""
    placed = [trouble for trouble in found.troubles if _wrong(trouble)]
    if placed:
        return [{"words": _placed_words(trouble), "step": trouble.step} for trouble in placed]
    return [{"words": words, "step": ""} for words in found.errors]


def _placed_words(trouble: Trouble) -> str:
    step = step_named(trouble.step)
    if step is None:
        return trouble.words
    if trouble.words == "is missing":
        return f"{step.title}: not answered yet"
    number = "" if trouble.index is None else f" {trouble.index + 1}"
    return f"{step.title}{number}: {trouble.words}"


def _mark(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()

