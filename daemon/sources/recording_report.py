"""What came of reading a recording: how much was taken, and the first twenty things that were not, by line."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from daemon.sources.fields import escaped

_KEPT_PROBLEMS = 20
_KEPT_NAMES = 50


class Problem(NamedTuple):
    """One line that was not taken, or not taken whole."""

    line: int
    reason: str
    found: str


@dataclass
class RecordingReport:
    """Filled while a recording is read. ``refused`` counts lines and values by reason, ``skipped`` whole lines only.

    ``damaged`` says why the file could not be read to its end, if so. ``bytes_done`` of ``bytes_total`` is how far
    reading has come, in bytes of the file as it lies on the disk.
    """

    path: Path
    lines: int = 0
    samples: int = 0
    skipped: int = 0
    refused: dict[str, int] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    unknown: dict[str, int] = field(default_factory=dict)
    first_t: float | None = None
    last_t: float | None = None
    damaged: str = ""
    bytes_total: int = 0
    bytes_done: int = 0

    def skip(self, reason: str, found: str = "", line: int | None = None) -> None:
        """Count a line that gives no sample."""
        self.skipped += 1
        self.note(reason, found, line)

    def note(self, reason: str, found: str = "", line: int | None = None) -> None:
        """Count something that was not taken; ``line`` None means the one being read."""
        self.refused[reason] = self.refused.get(reason, 0) + 1
        if len(self.problems) < _KEPT_PROBLEMS:
            self.problems.append(Problem(self.lines if line is None else line, reason, escaped(found, 80)))

    def no_channel(self, name: str) -> None:
        """Count a name that is no channel (at most fifty names are remembered)."""
        name = escaped(name)
        if name in self.unknown or len(self.unknown) < _KEPT_NAMES:
            self.unknown[name] = self.unknown.get(name, 0) + 1

    def words(self) -> str:
        """The report in a few plain lines."""
        told = [f"{escaped(str(self.path), 200)}: {self.samples} samples from {self.lines} lines"]
        told += [f"  {count} x {reason}" for reason, count in sorted(self.refused.items())]
        told += [f"  line {line}: {reason}" + (f": {found}" if found else "") for line, reason, found in self.problems]
        if self.unknown:
            told.append(f"  no channels, left out: {', '.join(self.unknown)}")
        if self.damaged:
            told.append(f"  {self.damaged}")
        return "\n".join(told)
