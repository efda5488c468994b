"""The first run as the setup page asks for it: one draft, what may be shown of it, and the few things that may be done.

The page knows nothing of drafts and files, and this knows nothing of pages: what it shows are the plain values of
:mod:`daemon.cli.setup_documents`.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path

from daemon.cli.setup_documents import (
    Document,
    field_documents,
    form_document,
    found_document,
    known_answers,
    outcome_document,
    overview_document,
    step_document,
    text_mark,
)
from daemon.drafting.asking import Step
from daemon.drafting.checks import check_step
from daemon.drafting.draft import Answers, Draft
from daemon.drafting.files import forget_draft, keep_draft, publish, read_draft
from daemon.drafting.outcome import outcome
from daemon.drafting.steps import enough, step_named
from daemon.finding.found import rehearse, take_over
from daemon.finding.places import BrokerPlace, Place, PortPlace, Search, serial_ports


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
        return overview_document(draft, self.shop, self.written)

    def step(self, name: str) -> Document:
        """A step: its questions, or its items with what can be done about them."""
        document = step_document(self._draft, _step(name))
        if name == "sources":
            document["search"] = self.search_state()
        return document

    def form(
        self, name: str, index: int | None, given: Answers | None = None, problems: Mapping[str, str] | None = None
    ) -> Document:
        """The questions about one item (``index`` None: a new one) or step, with the answers ``given`` so far."""
        return form_document(self._draft, _step(name), index, given, problems or {})

    def outcome(self) -> Document:
        """The file as it would be written, and what its check says."""
        return outcome_document(self._draft, self.shop)

    def search_state(self) -> Document:
        """The ports that are there, and what a search hears or has heard."""
        return {
            "running": self._search.running,
            "words": self._search.words,
            "ports": self._ports(),
            "found": [found_document(found) for found in self._search.found],
            "empty": not self._draft.list_of("sources"),
        }

    # What can be done

    def check(self, name: str, index: int | None, given: Answers) -> dict[str, str]:
        """What is wrong with these answers, by question; nothing is stored."""
        return dict(check_step(_step(name), given, self._draft, index).problems)

    def suggest(self, name: str, index: int | None, given: Answers) -> dict[str, str]:
        """What most would answer to the questions that are not among ``given``, after those answers."""
        step = _step(name)
        fields = field_documents(self._draft, step, index, given, {})
        return {field["name"]: field["value"] for field in fields if field["name"] not in given}

    def save(self, name: str, index: int | None, given: Answers) -> dict[str, str]:
        """Take the answers into the draft; what is wrong with them by question, empty when they were taken."""
        step = _step(name)
        with self._lock:
            if step.many and index is not None:
                known_answers(self._draft, step, index)
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
            known_answers(self._draft, step, index)
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
            if mark != text_mark(found.text):
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
