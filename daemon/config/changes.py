"""A change to a shop's drawing, in a file of its own: what is added, altered and taken out.

```toml
in_use = [["planer"], ["planer", "spindle"]]   # gates that stand open together; without it: each port alone
remove = ["shaving horse"]

[[change]]                                     # keys of a run or port that is there already
name = "main"
pipe = "D3034 8 in"

[[port]]                                       # new ports and runs, written as in the shop's file
name = "spindle"
...
```
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from analysis.duct.design import DuctDesign
from daemon.config.config import Config
from daemon.config.drawing import build_design
from daemon.config.ducting import PortTable, RunTable
from daemon.config.load import sentence
from daemon.config.quantities import StrictModel
from daemon.config.toml_lines import key_lines
from daemon.errors import ConfigError


class ChangeFile(StrictModel):
    """The change as written; each [[change]] is completed from the shop's file before it is checked."""

    in_use: tuple[tuple[str, ...], ...] = ()
    remove: tuple[str, ...] = ()
    change: tuple[dict[str, Any], ...] = ()
    run: tuple[RunTable, ...] = ()
    port: tuple[PortTable, ...] = ()


@dataclass(frozen=True, slots=True)
class PlannedChange:
    """The changed design, the gate sets to look at, and what is doubtful about the drawing."""

    design: DuctDesign
    in_use: tuple[tuple[str, ...], ...]
    warnings: tuple[str, ...]


def load_change(path: Path, config: Config) -> PlannedChange:
    """Read a change and lay it over the shop of ``config``. Raises :class:`ConfigError` with every problem found."""
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise ConfigError([f"{path}: cannot be read: {error.strerror or error}"]) from error
    except UnicodeDecodeError as error:
        raise ConfigError([f"{path}: is not UTF-8 text"]) from error
    return parse_change(text, path, config)


def parse_change(text: str, path: Path, config: Config) -> PlannedChange:
    """:func:`load_change` on a text; ``path`` names it in messages."""
    try:
        tree = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise ConfigError([f"{path}: is not TOML: {error}"]) from error
    shop_only = [f"[{name}]" for name in ("fan", "shop", "filter", "motor", "source") if name in tree]
    if shop_only:
        raise ConfigError([
            f"{path}: is a whole shop (it has {', '.join(shop_only)}) where a change is expected: a file with in_use, remove, "
            "[[change]], and the [[run]] and [[port]] that are new"
        ])
    lines = key_lines(text)
    try:
        change = ChangeFile.model_validate(tree)
    except ValidationError as error:
        raise ConfigError([sentence(path, lines, item) for item in error.errors()]) from error
    problems = [f"{path}: {problem}" for problem in _name_problems(change, config)]
    if problems:
        raise ConfigError(problems)
    written = tomllib.loads(config.text)
    tables: dict[str, list[Any]] = {}
    for kind, model in (("run", RunTable), ("port", PortTable)):
        tables[kind] = []
        for row in written[kind]:
            if row["name"] in change.remove:
                continue
            merged = dict(row)
            for index, alteration in enumerate(change.change):
                if alteration["name"] != row["name"]:
                    continue
                merged |= alteration
                try:
                    model.model_validate(merged)
                except ValidationError as error:
                    problems += [
                        sentence(path, lines, item | {"loc": ("change", index, *item["loc"])}) for item in error.errors()
                    ]
            if not problems:
                tables[kind].append(model.model_validate(merged))
        tables[kind] += getattr(change, kind)
    if problems:
        raise ConfigError(problems)
    file = config.file.model_copy(update={kind: tuple(rows) for kind, rows in tables.items()})
    design, errors, warnings = build_design(file, config.air)
    if errors or design is None:
        raise ConfigError([f"{path}: with this change, {_without_key(error)}" for error in errors])
    known_warnings = {_without_key(warning) for warning in _plain(config.warnings)}
    return PlannedChange(
        design,
        _gate_sets(change, design, path),
        tuple(words for words in map(_without_key, warnings) if words not in known_warnings),
    )


def _name_problems(change: ChangeFile, config: Config) -> Iterator[str]:
    known = [*config.design.run_names, *config.design.port_names]
    for gone in change.remove:
        if gone not in known:
            yield f"remove: there is no run or port {gone!r}{_meant(gone, known)}"
    for index, row in enumerate(change.change, start=1):
        name: Any = row.get("name")
        if not isinstance(name, str):
            yield f'change {index}: has no name; write name = "..." of the run or port to alter'
        elif name not in known:
            yield f"change {index}: there is no run or port {name!r} to alter{_meant(name, known)}"
        elif name in change.remove:
            yield f"change {index}: {name!r} is altered and removed; leave out one of them"
    for kind in ("run", "port"):
        for table in getattr(change, kind):
            if table.name in known and table.name not in change.remove:
                yield f"{kind} {table.name!r} is there already; alter it with [[change]], or give the new one another name"


def _gate_sets(change: ChangeFile, design: DuctDesign, path: Path) -> tuple[tuple[str, ...], ...]:
    if not change.in_use:
        return tuple((name,) for name in design.port_names)
    problems, sets = [], []
    for index, names in enumerate(change.in_use, start=1):
        for name in names:
            if name not in design.port_names:
                meant = _meant(name, list(design.port_names))
                problems.append(f"{path}: in_use {index}: after this change there is no port {name!r}{meant}")
        sets.append(tuple(name for name in design.port_names if name in names))
    if problems:
        raise ConfigError(problems)
    return tuple(dict.fromkeys(sets))


def _meant(name: str, known: list[str]) -> str:
    close = difflib.get_close_matches(name, known, n=1, cutoff=0.6)
    return f"; did you mean {close[0]!r}?" if close else f" (known: {', '.join(known)})"


def _without_key(problem: str) -> str:
    """A problem of the design without its key: places in the laid-over tables are nobody's lines."""
    key, separator, words = problem.partition(": ")
    return words if separator and " " not in key else problem


def _plain(warnings: tuple[str, ...]) -> Iterator[str]:
    """The loader's warnings without file and line."""
    for warning in warnings:
        _, _, rest = warning.partition(": ")
        yield rest
