"""The configuration file as text: the tree of the answers with a comment where a reader would ask what a line means.

Comments are this program's own words and numbers only: nothing that an owner or a device wrote ever stands behind a ``#``, so
that no name can end a comment and begin a line of its own.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from daemon.drafting.draft import Answers, Draft
from daemon.drafting.steps import Tree, tree_of

_BARE = re.compile(r"^[A-Za-z0-9_-]+$")
_COLUMN = 34


def quoted(text: str) -> str:
    """The text as a TOML string, whatever characters a device put into it.

    >>> print(quoted('barn/"east"'))
    "barn/\\"east\\""
    """
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def value_text(value: Any) -> str:
    """A plain value as TOML.

    >>> print(value_text(["a", 1.5, True, {"at": 'the "old" one'}]))
    ["a", 1.5, true, { at = "the \\"old\\" one" }]
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, float) and not math.isfinite(value):
        return "nan" if value != value else "inf" if value > 0 else "-inf"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key_text(key)} = {value_text(one)}" for key, one in value.items()) + " }"
    if isinstance(value, Sequence):
        return f"[{', '.join(map(value_text, value))}]"
    raise TypeError(f"{type(value).__name__} has no place in a configuration")


def key_text(key: str) -> str:
    """A key as TOML: bare where it may be, else quoted."""
    return key if _BARE.match(key) else quoted(key)


def shop_toml(draft: Draft) -> str:
    """The whole file for a draft. It is text that :func:`daemon.config.load.parse` reads back to the same tree; whether it is
    accepted is for that function to say."""
    return "\n".join(_lines(draft, tree_of(draft))) + "\n"


def _lines(draft: Draft, tree: Tree) -> Iterator[str]:
    yield "# The shop as its owner described it. Every length, pressure and flow is written with its unit; change what you like,"
    yield "# then let \"ductwarden check\" read it again. Other tables and keys: see README.md and \"ductwarden check --schema\"."
    for key, words in _ORDER:
        if key in tree:
            yield from _table(key, tree[key], draft, words)
        elif key in _ABSENT:
            yield from _absent(key, draft)


_ORDER: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("shop", ()),
    ("material", ()),
    ("fan", ()),
    ("motor", ()),
    ("filter", ()),
    ("separator", ()),
    ("run", ('Runs carry air towards the fan. "into" names the run that this one flows into; "fan" is the fan inlet.',)),
    ("port", ("Ports end the runs: the opening, its hose, its gate, and how much air the machine needs.",)),
    ("discharge", ("What the air passes after the fan, in its order.",)),
    ("source", ("Where readings come from.",)),
    ("sensor", ("What is fitted. A channel without a unit is sent in SI.",)),
    ("alarm", ("The motor is a guess: it raises no overload alarm.",)),
    ("outlet", ("Who gets notices.",)),
    ("notices", ()),
    ("store", ()),
    ("dashboard", ()),
)
_ABSENT = ("material", "motor", "separator", "notices", "store")

_REMARKS: dict[tuple[str, ...], str] = {
    ("shop", "units"): '"us" or "si": what the screen shows first',
    ("shop", "altitude"): "thin air weighs less",
    ("shop", "hours"): "local time; running outside these hours raises an alarm",
    ("fan", "points"): "flow, static pressure, shaft power",
    ("fan", "at_speed"): "the speed that the points hold at",
    ("fan", "speed"): "the speed that it turns at",
    ("motor", "service_factor"): "how far it may be loaded beyond its rating",
    ("run", "join"): "how it meets the run that it flows into",
    ("run", "pipe"): "standard and nominal size",
    ("filter", "side"): "of the fan",
    ("separator", "side"): "of the fan",
    ("port", "entry"): "the opening: its shape, or its loss in velocity pressures",
    ("port", "needs"): "what the machine needs",
    ("sensor", "raw"): "its name in what is sent",
    ("sensor", "unit"): "the unit that it is sent in",
    ("sensor", "range"): "readings outside are not believed",
    ("source", "checksum"): "a line without a good *HH is dropped",
    ("outlet", "urls_file"): "one address a line; readable by nobody else",
    ("outlet", "at_least"): '"plan", "soon" or "stop": nothing less urgent',
    ("dashboard", "host"): "0.0.0.0: every address of this computer",
    ("dashboard", "password_file"): "its text is made by: python -m dashboard password",
}


def _table(key: str, table: Any, draft: Draft, words: Sequence[str]) -> Iterator[str]:
    if key == "sensor":
        for at, (channel, row) in enumerate(table.items()):
            yield ""
            if at == 0:
                yield from (f"# {line}" for line in words)
            yield f"[sensor.{key_text(channel)}]"
            yield from _keys(key, row, seen=at > 0)
        return
    rows = table if isinstance(table, list) else [table]
    for at, row in enumerate(rows):
        yield ""
        if at == 0:
            yield from (f"# {line}" for line in words)
            yield from _notes(key, draft)
        yield f"[[{key}]]" if isinstance(table, list) else f"[{key}]"
        yield from _keys(key, row, seen=at > 0)


def _keys(table: str, row: Mapping[str, Any], seen: bool) -> Iterator[str]:
    """The keys of one table; sub-tables that grow long come last. Remarks stand at the first of several."""
    for key, value in row.items():
        if table == "source" and key == "topics":
            continue
        if table == "fan" and key == "points":
            yield f"points = [                       # {_REMARKS['fan', 'points']}"
            yield from (f"  {value_text(point)}," for point in value)
            yield "]"
            continue
        line = f"{key_text(key)} = {value_text(value)}"
        remark = None if seen else _REMARKS.get((table, key))
        yield f"{line:<{_COLUMN - 2}}  # {remark}" if remark else line
    if table == "source" and "topics" in row:
        yield "[source.topics]"
        yield from (f"{key_text(topic)} = {value_text(carries)}" for topic, carries in row["topics"].items())


def _notes(key: str, draft: Draft) -> Iterator[str]:
    """What must be known about a table because of how its answers came about."""
    answers = draft.of(key)
    if key == "fan" and answers.get("how") == "wheel":
        yield "# No curve was known: it is made from the wheel, its speed and the motor, and good to about 20 %. Points from its"
        yield "# maker, points = [{ flow = ..., static = ..., power = ... }], or a baseline tour make every answer sharper."
    if key == "fan" and answers.get("how") == "unknown":
        yield "# Nothing was known of the fan: a usual wheel for its motor, good to about 35 %. Its real wheel, points from its"
        yield "# maker or a baseline tour make every answer sharper."
    if key == "motor":
        yield "# A guess: its plate was not read." if answers.get("known") == "no" else "# From its plate."
    if key == "filter":
        yield from _filter_notes(answers)


def _filter_notes(answers: Answers) -> Iterator[str]:
    if answers.get("area_by") == "bags":
        yield "# The area is reckoned from the number and the size of the bags."
    if answers.get("drop_known") == "no":
        yield "# The drop of clean bags was not known: a guess from the cloth, wide by 60 %. Until a baseline tour with clean"
        yield "# bags, or the first hours after a cleaning, how far the bags are loaded is not known, nor how much air it costs."


def _absent(key: str, draft: Draft) -> Iterator[str]:
    """A table that was not asked for or is not there, as a comment that shows how to write it."""
    if key == "material":
        yield from ("", "# [material]                      # velocities that carry chips; these are taken if nothing is written",
                    '# main_velocity = "3500 fpm"', '# branch_velocity = "4000 fpm"')
    elif key == "motor" and draft.of("motor").get("known") == "no":
        yield from ("", "# The motor's plate was not known: an overload cannot be recognised, nor the current compared.",
                    "# [motor]", '# power = "2 hp"', "# phases = 1", '# voltage = "230 V"', '# full_load_current = "11.2 A"')
    elif key == "separator" and draft.of("separator").get("fitted") == "unknown":
        yield from ("",
                    "# There is a separator whose loss is not known. Until it is written the ducts seem longer than they are.",
                    "# [separator]", '# drop = { pressure = "2 inwg", at = "700 cfm" }')
    elif key == "notices":
        yield from ("", "# [notices]", '# quiet_hours = ["21:00", "06:30"]', '# digest_day = "monday"')
    elif key == "store":
        yield from ("", "# [store]                         # where what was seen is kept; these are taken if nothing is written",
                    '# file = "ductwarden.db"', '# keep_raw = "90 days"')
