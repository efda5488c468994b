"""What sources need to know beyond their own tables: how words are read, how a lost peer is tried again.

A setting that cannot work raises ``ValueError`` with a sentence that says what was found and what is allowed. Nothing here opens
anything.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from daemon.sources.grammar import Pattern


def _need(good: bool, sentence: str) -> None:
    if not good:
        raise ValueError(sentence)


def _positive(name: str, value: float) -> None:
    _need(math.isfinite(value) and value > 0.0, f"{name} is {value}; it must be a number above 0")


@dataclass(frozen=True, slots=True)
class RetrySettings:
    """How long to wait before a lost port or broker is tried again: ``first_s``, doubling, at most ``cap_s``."""

    first_s: float = 0.5
    cap_s: float = 60.0

    def __post_init__(self) -> None:
        _positive("the first pause", self.first_s)
        _need(self.cap_s >= self.first_s, f"the longest pause is {self.cap_s}; it must be at least {self.first_s}")


class Expected(NamedTuple):
    """In which unit ("" for SI) the sensor that listens to a name wants its numbers."""

    kind: str
    unit: str


@dataclass(frozen=True, slots=True)
class WireSettings:
    """How the words of a device are read: the form of a line, the names it may use, and whose clock counts.

    ``columns`` names the fields of a bare line of numbers in order: ``"-"`` skips one, ``"t"`` is the time stamp,
    ``"gate:planer"`` a gate. ``pattern`` is the owner's own form (:class:`daemon.sources.grammar.Pattern`). A number that comes
    with a unit is turned into the unit of ``units``. ``known`` holds the device's names that some sensor of the configuration
    listens to, ``ports`` the ports whose gates it may report; None takes every well-formed name. A device's own time stamp is
    believed from an hour before to ten seconds after the time of arrival; outside it the time of arrival stands.
    """

    format: Literal["auto", "json", "pairs", "columns"] = "auto"
    columns: tuple[str, ...] = ()
    pattern: str = ""
    units: Mapping[str, Expected] = field(default_factory=dict)
    checksum: Literal["required", "optional"] = "optional"
    known: frozenset[str] | None = None
    ports: frozenset[str] | None = None

    def __post_init__(self) -> None:
        _need(self.format in ("auto", "json", "pairs", "columns"),
              f"format is {self.format!r}; allowed are auto, json, pairs, columns")
        _need(self.checksum in ("required", "optional"),
              f"checksum is {self.checksum!r}; allowed are required, optional")
        _need(self.format != "columns" or bool(self.columns), "format is columns but no columns are named")
        _need(not (self.pattern and self.columns), "a pattern and columns are both given; one is enough")
        if self.pattern:
            Pattern(self.pattern)
        named = [name for name in self.columns if name != "-"]
        _need(len(named) == len(set(named)), f"columns name one thing twice: {', '.join(named)}")
