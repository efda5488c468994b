"""The documents of the setup page, made from a draft: steps, questions, items, the drawing, and what the check says.

Nothing here changes a draft or remembers anything. A document is made of text, numbers, truth values and lists, so that
whoever shows it needs none of our types.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from analysis.readings import CHANNELS
from daemon.config.summary import CAN_TELL
from daemon.drafting.asking import WHOLE, Context, Question, Step
from daemon.drafting.draft import Answers, Draft
from daemon.drafting.outcome import Outcome, outcome, pieces
from daemon.drafting.steps import STEPS, after, before, enough, first_open, step_named
from daemon.drafting.whole import Trouble, troubles
from daemon.finding.found import Found

Document = dict[str, Any]
MAIN = frozenset({"inlet_pa", "filter_pa", "motor_a"})
REVIEW = "review"


def overview_document(draft: Draft, shop: Path, written: bool) -> Document:
    """The steps with how far each is, the shop's name, and the file that will be written."""
    wrong, opened = {trouble.step for trouble in troubles(draft) if _wrong(trouble)}, first_open(draft)
    return {
        "shop": draft.of("shop").get("name", ""),
        "path": str(shop),
        "steps": [
            {"name": step.name, "title": step.title, "state": _state(step, draft, wrong)} for step in STEPS
        ],
        "begin": REVIEW if opened is None else opened.name,
        "written": written,
    }


def step_document(draft: Draft, step: Step) -> Document:
    """A step: its questions, or its items with what can be done about them."""
    found = troubles(draft)
    here = [trouble.words for trouble in found if trouble.step == step.name and trouble.index is None and _wrong(trouble)]
    document: Document = {
        **_head(step),
        "troubles": here,
        "enough": enough(step, draft),
        "items": [_item(step, at, row, found) for at, row in enumerate(draft.list_of(step.name))],
        "fields": [] if step.many else field_documents(draft, step, None, known_answers(draft, step, None), {}),
        "pieces": _pieces(draft) if step.name in ("runs", "ports") else [],
        "tells": "",
    }
    if step.name == "sensors":
        document["tells"] = CAN_TELL[frozenset(row.get("channel", "") for row in draft.list_of(step.name)) & MAIN]
    return document


def form_document(
    draft: Draft, step: Step, index: int | None, given: Answers | None, problems: Mapping[str, str]
) -> Document:
    """The questions about one item (``index`` None: a new one) or step, with the answers ``given`` so far."""
    known = dict(known_answers(draft, step, index) if given is None else given)
    return {
        **_head(step),
        "index": index,
        "fresh": not known or set(known) == {"kind"},
        "problem": problems.get(WHOLE, ""),
        "fields": field_documents(draft, step, index, known, problems),
        "pieces": _pieces(draft) if step.name in ("runs", "ports") else [],
    }


def outcome_document(draft: Draft, shop: Path) -> Document:
    """The file as it would be written, and what its check says."""
    found = outcome(draft, shop)
    return {
        "path": str(shop),
        "good": found.good,
        "errors": _errors(found),
        "summary": list(found.summary),
        "notes": list(found.notes),
        "text": found.text,
        "mark": text_mark(found.text),
        "exists": shop.exists(),
        "pieces": _pieces(draft),
    }


def known_answers(draft: Draft, step: Step, index: int | None) -> Answers:
    """What was answered so far of an item or step, unfinished answers included.

    Raises LookupError for an item that is not there.
    """
    left = draft.unfinished
    if step.many and index is not None and not 0 <= index < len(draft.list_of(step.name)):
        raise LookupError(f"there is no {step.item} {index + 1}")
    stored = draft.list_of(step.name)[index] if step.many and index is not None else {} if step.many else draft.of(step.name)
    if left is not None and left.step == step.name and left.index == index:
        return {**stored, **left.answers}
    return stored


def field_documents(
    draft: Draft, step: Step, index: int | None, known: Answers, problems: Mapping[str, str]
) -> list[Document]:
    """A field for each question that may be asked; suggestions fill what was not answered."""
    shown: dict[str, str] = {}
    fields = []
    for question in step.questions:
        context = Context(draft, shown, index)
        answer = known.get(question.name)
        if answer is None:
            answer = question.suggest(context) if question.suggest is not None else ""
        field = _field(question, context, answer, problems.get(question.name, ""))
        shown[question.name] = field["value"]
        kind = known.get("kind") if question.when is not None and question.when[0] == "kind" else None
        if kind is None or question.asked({"kind": kind}):
            fields.append(field)
    return fields


def text_mark(text: str) -> str:
    """Names a text of a configuration, so that only what the owner has read is written."""
    return hashlib.sha256(text.encode()).hexdigest()


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


def found_document(found: Found) -> Document:
    """What a search heard at one place, with its rows and what each may be."""
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
