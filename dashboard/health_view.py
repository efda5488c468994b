"""The health of the daemon, its sources and its sensors, as data.

``tone`` and ``words`` sum it up; ``sensors``, ``sources`` and ``outlets`` have a tone and a state each, ``facts`` are pairs of
words, and ``told`` is what cannot be judged in this shop, and why. ``heard_s`` and ``frame_age_s`` are for programs.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from analysis.conditions import TEXTS, Condition
from analysis.readings import CHANNELS
from dashboard.now_view import QUALITY_WORDS, is_fitted
from dashboard.shapes import SERIES, Out, Screen, dig, number, place_words, sentence, shape_of, text, texts
from dashboard.snapshot import Document, Snapshot
from dashboard.words import day_and_time, duration, since, unbroken, whole

_COUNTERS = {"commits": "Writes to the store", "failed commits": "Writes to the store that failed"}


def health_out(snapshot: Snapshot, screen: Screen, open_pages: int) -> Out:
    """The health made from a snapshot."""
    silent_for = snapshot.silent_for()
    sensors = [_sensor(snapshot, name, screen) for name in CHANNELS]
    if snapshot.problem:
        tone, words = "wait", snapshot.problem
    elif silent_for is not None and snapshot.silent:
        tone, words = "silent", f"No word from the daemon since {since(snapshot.heard, snapshot.wall)}."
    elif dig(snapshot.daemon, "store_ok") is False:
        tone, words = "soon", f"Nothing is being recorded: {text(snapshot.daemon, 'store_words')}."
    elif lost := [sensor["channel"] for sensor in sensors if sensor["tone"] == "soon"]:
        named = f"{len(lost)} sensors give nothing" if len(lost) > 1 else f"a sensor gives nothing: {place_words(lost[0])}"
        tone, words = "soon", f"{named[:1].upper()}{named[1:]}."
    elif snapshot.t is None or snapshot.never_measured:
        tone, words = "wait", "Nothing has arrived yet."
    else:
        tone, words = "ok", "Everything works."
    clock = snapshot.clock
    read_t = snapshot.t if snapshot.measuring_now else number(snapshot.measuring, "since")  # frames come without readings too
    age = None if clock is None or read_t is None else max(0.0, clock - read_t)
    return {
        "tone": tone,
        "words": words,
        "heard_s": silent_for,
        "frame_age_s": age,
        "known": bool(snapshot.shop),
        "sensors": sensors,
        "sources": [_source(source, clock) for source in snapshot.sources],
        "outlets": [_outlet(outlet) for outlet in snapshot.outlets],
        "facts": _facts(snapshot, age, open_pages),
        "told": _told(snapshot),
        "shape": shape_of(
            [is_fitted(snapshot, name) for name in CHANNELS],
            [text(row, "name") for row in (*snapshot.sources, *snapshot.outlets)],
        ),
    }


def _told(snapshot: Snapshot) -> list[Out]:
    """What cannot be judged, by the daemon's own list where it gives one, else by what the detectors say."""
    listed = texts(snapshot.daemon, "cannot_judge")
    if not listed and not snapshot.detectors:
        listed = ["The daemon has not said yet what it can judge"]
    if listed:
        return [{"words": "", "shown": sentence(words)} for words in listed]
    names = {condition.value: TEXTS[condition].title for condition in Condition}
    found = {
        (names.get(text(claim, "condition"), text(claim, "condition")), sentence(text(claim, "reason")))
        for claim in snapshot.detectors
        if text(claim, "claim") == "not_yet_known"
    }
    return [{"words": words, "shown": shown or "Not yet known."} for words, shown in sorted(found)]


def _sensor(snapshot: Snapshot, name: str, screen: Screen) -> Out:
    fitted = is_fitted(snapshot, name)
    quality = text(snapshot.now, "quality", name)
    value = number(snapshot.now, "values", name)
    if not fitted:
        tone, state = "quiet", "not fitted"
    elif value is not None:
        tone, state = "ok", "good"
    elif quality:
        tone, state = "soon", QUALITY_WORDS.get(quality, quality)
    else:
        tone, state = "wait", "not yet known"
    shown = screen.channel(name, value, "–").shown
    return {"channel": name, "words": SERIES[name].words, "fitted": fitted, "tone": tone, "state": state, "shown": shown}


def _source(source: Document, clock: float | None) -> Out:
    last = number(source, "last_t")
    return {
        "name": text(source, "name", default="source"),
        "kind": text(source, "kind"),
        "tone": "ok" if source.get("connected") is True else "soon",
        "state": text(source, "state", default="not known"),
        "samples": _count(source, "samples"),
        "opened": _count(source, "opened"),
        "dropped": _count(source, "dropped"),
        "label": _label(text(source, "name", default="source"), text(source, "kind")),
        "samples_shown": whole(_count(source, "samples")),
        "opened_shown": _times(_count(source, "opened")),
        "last": "never" if last is None else day_and_time(last) if clock is None else f"{duration(clock - last)} ago",
        "last_error": unbroken(text(source, "last_error")),
        "refused": _counts(source, "refused"),
        "unknown": _counts(source, "unknown_channels"),
    }


def _outlet(outlet: Document) -> Out:
    error = text(outlet, "last_error")
    down = outlet.get("connected") is False
    return {
        "name": text(outlet, "name", default="outlet"),
        "kind": text(outlet, "kind"),
        "tone": "soon" if down or (error and _count(outlet, "queued")) else "ok",
        "state": text(outlet, "state", default="not known"),
        "label": _label(text(outlet, "name", default="outlet"), text(outlet, "kind")),
        "delivered": _count(outlet, "delivered"),
        "waiting": _count(outlet, "queued"),
        "lost": sum(_count(outlet, key) for key in ("dropped", "stale", "refused")),
        "last": "never" if number(outlet, "last_delivered_t") is None else day_and_time(number(outlet, "last_delivered_t")),
        "last_error": error,
    }


def _count(document: Document, key: str) -> int:
    return int(number(document, key) or 0)


def _counts(document: Document, key: str) -> list[Out]:
    found = dig(document, key)
    if not isinstance(found, Mapping):
        return []
    counts = [
        {"words": str(words), "count": int(count), "shown": whole(count)}
        for words, count in found.items()
        if isinstance(count, int)
    ]
    return sorted(counts, key=lambda row: -int(row["count"]))


def _facts(snapshot: Snapshot, age: float | None, open_pages: int) -> list[Out]:
    daemon = snapshot.daemon
    silent = snapshot.silent_for()
    pace = number(daemon, "pace")
    found = [
        ("Version", text(daemon, "version")),
        ("Daemon last heard", "" if silent is None else f"{duration(silent)} ago"),
        ("Age of the latest reading", "" if age is None else duration(age)),
        ("Shop time", "" if snapshot.clock is None else day_and_time(snapshot.clock)),
        ("This computer's clock", day_and_time(snapshot.wall)),
        ("Pace", "" if pace is None or pace == 1 else f"{pace:g} times as fast as real time"),
        ("Running since", _started(daemon)),
        ("Seconds of readings", whole(number(daemon, "frames"))),
        ("Memory", _bytes(number(daemon, "memory_bytes"))),
        ("Database", text(daemon, "store_words")),
        ("Size of the database", _bytes(number(daemon, "store_bytes"))),
        ("Room on the disk", _bytes(number(daemon, "disk_free_bytes"))),
        ("Pages open", str(open_pages)),
    ]
    counters = dig(daemon, "counters")
    if isinstance(counters, Mapping):
        found += [
            (counter_words(str(name)), whole(number(counters, name)))
            for name, count in counters.items()
            if isinstance(count, int | float)
        ]
    return [{"words": words, "shown": shown} for words, shown in found if shown]


def _started(daemon: Document) -> str:
    started = number(daemon, "started_wall_t")
    return "" if started is None else day_and_time(started)


def counter_words(name: str) -> str:
    """A counter of the daemon in plain words; channels by theirs.

    >>> counter_words("motor_a out of range"), counter_words("commits"), counter_words("late readings")
    ('Motor current: out of range', 'Writes to the store', 'Late readings')
    """
    words = _COUNTERS.get(name)
    if words is None:
        channel, _, reason = name.partition(" ")
        words = f"{place_words(channel)}: {reason}" if channel in SERIES and reason else name
    return words[:1].upper() + words[1:]


def _label(name: str, kind: str) -> str:
    """A name with its kind, which is said once where both are the same."""
    return name if not kind or kind == name else f"{name} ({kind})"


def _times(count: int) -> str:
    return {0: "not yet", 1: "once", 2: "twice"}.get(count, f"{whole(count)} times")


def _bytes(value: float | None) -> str:
    """A number of bytes as a person would say it.

    >>> _bytes(1_240_000_000), _bytes(None)
    ('1.2 GB', '')
    """
    if value is None:
        return ""
    power = min(3, int(math.log10(value) // 3)) if value >= 1 else 0
    return f"{value / 1000**power:.{0 if power < 2 else 1}f} {('B', 'kB', 'MB', 'GB')[power]}"
