"""Where a key stands in a TOML file: ``tomllib`` gives values without places, and a message must say where."""

from __future__ import annotations

import re

_TABLE = re.compile(r"^\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"""^\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*'))*)\s*=""")
_PART = re.compile(r"""[A-Za-z0-9_-]+|"[^"]*"|'[^']*'""")

Path = tuple[str | int, ...]


def key_lines(text: str) -> dict[Path, int]:
    """Line number (from 1) of every table header and key, by key path; array tables carry their index.

    Keys inside an inline table stand on the line of the key that holds it. Keys inside multi-line strings may be
    mistaken for keys: the map serves messages only.

    >>> key_lines('[fan]\\nspeed = 1\\n[[port]]\\nname = "a"')[("port", 0, "name")]
    4
    """
    lines: dict[Path, int] = {}
    counts: dict[Path, int] = {}
    table: Path = ()
    for number, line in enumerate(text.splitlines(), start=1):
        header = _TABLE.match(line)
        if header:
            path = _resolve(_parts(header.group(2)), counts)
            if header.group(1) == "[[":
                index = counts.get(path, -1) + 1
                counts[path] = index
                path = (*path, index)
            table = path
            lines.setdefault(path, number)
            continue
        key = _KEY.match(line)
        if key:
            lines.setdefault((*table, *_parts(key.group(1))), number)
    return lines


def line_of(lines: dict[Path, int], path: Path) -> int | None:
    """The line of ``path``, else of its nearest enclosing key or table."""
    while path:
        if path in lines:
            return lines[path]
        path = path[:-1]
    return None


def _parts(dotted: str) -> Path:
    return tuple(part.strip("\"'") for part in _PART.findall(dotted))


def _resolve(parts: Path, counts: dict[Path, int]) -> Path:
    """A header below an array table belongs to that array's latest element."""
    path: Path = ()
    for at, part in enumerate(parts):
        path = (*path, part)
        if at < len(parts) - 1 and path in counts:
            path = (*path, counts[path])
    return path
