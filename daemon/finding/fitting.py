"""Lines that were heard, put into the shop's own file: its other lines and comments stay as they are."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from daemon.config.load import parse
from daemon.drafting.draft import publish
from daemon.errors import ConfigError

_HEADER = re.compile(r"^\s*\[(\[?)\s*([A-Za-z0-9_.\"-]+)\s*\]\]?")


def fitted(text: str, lines: list[str], source: Mapping[str, Any], channels: frozenset[str]) -> str:
    """The file's text with these lines in it.

    A [[source]] for the same device or broker gives way, and so does a simulator, which cannot stand beside another source; so do
    the tables of the same sensors. Where the new source takes the name of another one, it gets a name of its own.
    """
    tables = _tables(text)
    kept: list[str] = []
    names: set[str] = set()
    dropping = False
    for header, body in tables:
        name = header.strip('"')
        if name == "source":
            dropping = _replaced(body, source)
        elif name.startswith("source."):
            pass  # belongs to the source above
        else:
            dropping = name.startswith("sensor.") and name.removeprefix("sensor.").strip('"') in channels
        if not dropping:
            kept.append(body)
            if name == "source" and (found := re.search(r'^name\s*=\s*"([^"]*)"', body, re.M)):
                names.add(found[1])
    wanted = str(source["name"])
    free = next(name for name in (wanted, *(f"{wanted} {number}" for number in range(2, 1000))) if name not in names)
    added = [re.sub(r"^name = .*", f'name = "{free}"', line) if line.startswith("name = ") else line for line in lines]
    return "".join(kept).rstrip("\n") + "\n\n" + "\n".join(added) + "\n"


def _tables(text: str) -> list[tuple[str, str]]:
    """The file cut at its table headers: name of the table ("" before the first) and its text, header included. Comments that
    stand directly above a header go with it."""
    found: list[tuple[str, list[str]]] = [("", [])]
    above: list[str] = []
    open_text = ""
    for line in text.splitlines(keepends=True):
        header = None if open_text else _HEADER.match(line)
        if header is not None:
            found.append((header[2], [*above, line]))
            above = []
            continue
        if not open_text and line.lstrip().startswith("#"):
            above.append(line)
            continue
        found[-1][1].extend([*above, line])
        above = []
        for quote in ('"""', "\'\'\'"):
            if line.count(quote) % 2 and open_text in ("", quote):
                open_text = "" if open_text else quote
    found[-1][1].extend(above)
    return [(name, "".join(lines)) for name, lines in found]


def _replaced(body: str, source: Mapping[str, Any]) -> bool:
    if re.search(r'^kind\s*=\s*"simulator"', body, re.M):
        return True
    key = "device" if source["kind"] == "serial" else "host"
    found = re.search(rf'^{key}\s*=\s*"([^"]*)"', body, re.M)
    return found is not None and found[1] == source[key]


def fit(shop: Path, lines: list[str], source: Mapping[str, Any], channels: frozenset[str]) -> Path | None:
    """Write the lines into the file where it is a good configuration with them; the older file is kept, its path returned.

    Raises :class:`~daemon.errors.ConfigError`, and writes nothing, where the check refuses it.
    """
    try:
        text = fitted(shop.read_text(encoding="utf-8"), lines, source, channels)
    except OSError as error:
        raise ConfigError([f"{shop}: cannot be read: {error.strerror or error}"]) from error
    parse(text, shop)
    return publish(shop, text, datetime.now())
