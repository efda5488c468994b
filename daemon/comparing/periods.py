"""What lies before and what after: two spans as written, or the time around a journal entry."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

from analysis.events import EventKind
from daemon.comparing.reading import Span
from daemon.errors import CompareError
from daemon.store.codec import JournalEntry
from daemon.store.reader import Reader

WORK_S = 12.0 * 3600.0
"""The hours before the entry count to neither side: the owner writes it down when the pipe is cut already."""
SIDE_S = 21.0 * 86400.0
"""How far a side reaches from the entry, where no other change of the ducts comes first."""
_CHANGES = (EventKind.ADDED_RUN.value, EventKind.CHANGED.value)


def read_span(text: str, where: str) -> Span:
    """``2026-03-01..2026-03-07`` or with times, local; a last day counts whole. Raises :class:`CompareError`."""
    first, dots, last = text.partition("..")
    if not dots:
        raise CompareError(f"{where}: {text!r} is no period; write it as 2026-03-01..2026-03-07 or with times")
    start, end = _moment(first.strip(), where, False), _moment(last.strip(), where, True)
    if not start < end:
        raise CompareError(f"{where}: {text!r} ends before it begins")
    return Span(start, end)


def _moment(text: str, where: str, whole_day: bool) -> float:
    try:
        found = datetime.fromisoformat(text)
    except ValueError as error:
        raise CompareError(f"{where}: {text!r} is no date; write it as 2026-03-01 or 2026-03-01T09:00") from error
    if whole_day and len(text) <= 10:
        found += timedelta(days=1)
    return found.astimezone().timestamp()


def entry_of(reader: Reader, number: int | None) -> JournalEntry:
    """The entry of that number, or the latest added run. Raises :class:`CompareError` where there is none."""
    if number is None:
        found = reader.last_event(EventKind.ADDED_RUN.value)
        if found is None:
            raise CompareError(
                "the journal has no entry of an added run; write one (ductwarden journal SHOP added_run), or say what to"
                " compare: --before and --after, --entry, --baselines, or recordings")
        return found
    for entry in reader.journal(limit=100_000):
        if entry.id == number:
            return entry
    raise CompareError(f"the journal has no entry {number}; ductwarden journal SHOP lists them")


def around(reader: Reader, entry: JournalEntry, side_s: float = SIDE_S) -> tuple[Span, Span]:
    """The time before and after an entry, up to the changes of the ducts that stand next to it in the journal."""
    before, after = entry.t - WORK_S - side_s, entry.t + side_s
    for other in reader.journal(before, after, kinds=_CHANGES):
        if other.id == entry.id or other.t == entry.t:
            continue
        if other.t < entry.t:
            before = max(before, other.t)
        else:
            after = min(after, other.t - WORK_S)
    return Span(before, min(entry.t - WORK_S, entry.t)), Span(entry.t, max(after, entry.t + 1.0))


def span_words(span: Span, moment: Callable[[float], str] | None = None) -> str:
    """``2026-03-01 08:00 to 2026-03-07 17:00``."""
    told = moment or local_words
    return f"{told(span.start)} to {told(span.end)}"


def local_words(t: float) -> str:
    """Date and time by the computer's own zone."""
    return datetime.fromtimestamp(t).astimezone().strftime("%Y-%m-%d %H:%M")
