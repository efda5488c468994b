"""Draft: the answers so far, as the owner wrote them; its file, kept after every answer, and the configuration's,
written when its owner says so."""

from __future__ import annotations

import contextlib
import json
import os
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from daemon.errors import ConfigError

Answers = Mapping[str, str]
"""Name of a question -> the answer as written; "" is "not known" or "none", as the question says."""

LONGEST_DRAFT = 400_000
MOST_ITEMS = 120
LONGEST_ANSWER = 8_000
_VERSION = 1


@dataclass(frozen=True, slots=True)
class Unfinished:
    """Answers to a step (or to one of its items; ``index`` None: a new one) that was left in the middle."""

    step: str
    index: int | None
    answers: Answers


@dataclass(frozen=True, slots=True)
class Draft:
    """``answers`` of each step that is asked once, ``items`` of each step that is asked many times (runs, ports ...), the
    steps that the owner has ``passed``, and what was left ``unfinished``. Every change makes a new draft."""

    answers: Mapping[str, Answers] = field(default_factory=dict)
    items: Mapping[str, tuple[Answers, ...]] = field(default_factory=dict)
    passed: frozenset[str] = frozenset()
    unfinished: Unfinished | None = None

    def of(self, step: str) -> Answers:
        """The answers of a step that is asked once; empty before it was answered."""
        return self.answers.get(step, {})

    def list_of(self, step: str) -> tuple[Answers, ...]:
        """The items of a step that is asked many times."""
        return self.items.get(step, ())

    def with_answers(self, step: str, answers: Answers) -> Draft:
        """The step answered."""
        return replace(self, answers={**self.answers, step: dict(answers)}, unfinished=None)

    def with_item(self, step: str, index: int | None, item: Answers) -> Draft:
        """An item changed, or added where ``index`` is None. What names a changed item by its old name follows it."""
        rows = list(self.list_of(step))
        if index is None:
            return replace(self, items={**self.items, step: (*rows, dict(item))}, unfinished=None)
        before, rows[index] = rows[index], dict(item)
        changed = replace(self, items={**self.items, step: tuple(rows)}, unfinished=None)
        old, new = before.get("name", ""), item.get("name", "")
        return changed._renamed(step, old, new) if old and new and old != new else changed

    def without_item(self, step: str, index: int) -> Draft:
        """An item taken out."""
        rows = list(self.list_of(step))
        del rows[index]
        return replace(self, items={**self.items, step: tuple(rows)}, unfinished=None)

    def with_passed(self, step: str) -> Draft:
        """The owner has gone on from this step."""
        return replace(self, passed=self.passed | {step}, unfinished=None)

    def with_unfinished(self, step: str, index: int | None, answers: Answers) -> Draft:
        """A step left in the middle."""
        return replace(self, unfinished=Unfinished(step, index, dict(answers)))

    def _renamed(self, step: str, old: str, new: str) -> Draft:
        followers = {"runs": (("runs", "into"), ("ports", "into")), "sources": (("sensors", "source"),)}.get(step, ())
        items = dict(self.items)
        if any(row.get("name") == old for row in items.get(step, ())):
            return self  # another one still bears the name
        for where, key in followers:
            items[where] = tuple({**row, key: new} if row.get(key) == old else row for row in items.get(where, ()))
        return replace(self, items=items)


def to_json(draft: Draft) -> str:
    """The draft as text for its file."""
    left = draft.unfinished
    return json.dumps({
        "draft": _VERSION,
        "answers": draft.answers,
        "items": {step: list(rows) for step, rows in draft.items.items()},
        "passed": sorted(draft.passed),
        "unfinished": None if left is None else {"step": left.step, "index": left.index, "answers": left.answers},
    }, indent=1)


def from_json(text: str) -> Draft:
    """The draft in a file's text. Raises :class:`ConfigError` for a text that is none; what it says is not believed: every
    answer is checked anew when the configuration is made."""
    if len(text) > LONGEST_DRAFT:
        raise ConfigError([f"is {len(text)} characters long; a draft has at most {LONGEST_DRAFT}"])
    try:
        found: Any = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise ConfigError([f"is not the text of a draft: {error}"]) from error
    try:
        if found["draft"] != _VERSION:
            raise ConfigError([f"is a draft of version {found['draft']!r}; this program reads {_VERSION}"])
        left = found["unfinished"]
        return Draft(
            answers={_text(step): _answers(row) for step, row in found["answers"].items()},
            items={_text(step): tuple(map(_answers, rows[:MOST_ITEMS])) for step, rows in found["items"].items()},
            passed=frozenset(map(_text, found["passed"])),
            unfinished=None if left is None else Unfinished(
                _text(left["step"]), _index(left["index"]), _answers(left["answers"])
            ),
        )
    except (KeyError, TypeError, AttributeError) as error:
        raise ConfigError(["is not the text of a draft: a part is missing or of another kind"]) from error


def _text(value: object) -> str:
    if not isinstance(value, str) or len(value) > LONGEST_ANSWER:
        raise TypeError
    return value


def _index(value: object) -> int | None:
    if value is not None and (not isinstance(value, int) or isinstance(value, bool) or value < 0):
        raise TypeError
    return value


def _answers(row: Any) -> Answers:
    return {_text(name): _text(answer) for name, answer in row.items()}


def draft_path(shop: Path) -> Path:
    """Where the draft of a configuration is kept: beside it."""
    return shop.with_name(shop.name + ".draft")


def read_draft(shop: Path) -> Draft | None:
    """The draft that was left; None without one. Raises :class:`ConfigError` for a file that cannot be read as one."""
    path = draft_path(shop)
    try:
        with path.open("rb") as file:
            raw = file.read(4 * LONGEST_DRAFT + 1)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise ConfigError([f"{path}: cannot be read: {error.strerror or error}"]) from error
    try:
        return from_json(raw.decode("utf-8"))
    except (UnicodeDecodeError, ConfigError) as error:
        words = error.problems[0] if isinstance(error, ConfigError) else "is not text"
        raise ConfigError([f"{path}: {words}; move it away to begin anew"]) from error


def keep_draft(shop: Path, draft: Draft) -> None:
    """Write the draft. Raises :class:`ConfigError` where that is not possible."""
    _write(draft_path(shop), to_json(draft))


def forget_draft(shop: Path) -> None:
    """The configuration is written; the draft has done its work."""
    draft_path(shop).unlink(missing_ok=True)


def set_aside(shop: Path, now: datetime) -> Path | None:
    """Move an unwanted draft away under its date; None where there is none."""
    path = draft_path(shop)
    if not path.exists():
        return None
    aside = _dated(path, now)
    path.rename(aside)
    return aside


def publish(shop: Path, text: str, now: datetime) -> Path | None:
    """Write the configuration whole or not at all; a file that was there is kept under its date, whose path is returned.

    Only ``shop`` itself (where it is a link, what it leads to) and that copy are written. Raises :class:`ConfigError`.
    """
    target = Path(os.path.realpath(shop))
    if target.is_dir():
        raise ConfigError([f"{shop}: is a folder; name a file, such as {shop / 'shop.toml'}"])
    kept = None
    if target.exists():
        kept = _dated(target, now)
        try:
            kept.write_bytes(target.read_bytes())
            kept.chmod(target.stat().st_mode & 0o777)
        except OSError as error:
            raise ConfigError([f"{kept}: the older file cannot be kept: {error.strerror or error}"]) from error
    _write(target, text)
    return kept


def _dated(path: Path, now: datetime) -> Path:
    """A name with the date that nobody bears yet."""
    stem = f"{path.name}.{now:%Y-%m-%d-%H%M%S}"
    found = path.with_name(stem)
    number = 1
    while found.exists():
        number += 1
        found = path.with_name(f"{stem}-{number}")
    return found


def _write(path: Path, text: str) -> None:
    """All of it, or the old file stays: a new file beside it is filled, brought to the disk and put in its place."""
    try:
        mode = path.stat().st_mode & 0o777 if path.exists() else 0o644
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    except OSError as error:
        raise ConfigError([f"{path}: cannot be written: {error.strerror or error}"]) from error
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(name, mode)
        os.replace(name, path)
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except OSError as error:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise ConfigError([f"{path}: cannot be written: {error.strerror or error}"]) from error
