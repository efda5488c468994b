"""The drawings before and after a change: from a change's file, or from the configurations that the store has kept."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from analysis.baseline.model import Baseline, BaselineError
from analysis.duct.design import FAN, DuctDesign, Port, Run
from daemon.config.changes import load_change
from daemon.config.config import Config
from daemon.config.load import parse
from daemon.config.secrets import scrubbed
from daemon.errors import ConfigError
from daemon.store.reader import Reader


@dataclass(frozen=True, slots=True)
class Designs:
    """The drawings of both periods; equal where no change was drawn. ``notes`` says what could not be read."""

    before: DuctDesign
    after: DuctDesign
    notes: tuple[str, ...] = ()

    @property
    def drawn(self) -> tuple[DuctDesign, DuctDesign] | None:
        """Both, where they differ."""
        return None if self.before == self.after else (self.before, self.after)


def designs_of(
    config: Config, reader: Reader | None, before_t: float | None, after_t: float | None, change: Path | None
) -> Designs:
    """The drawings in force at two moments. A change's file is laid over the shop of ``config``, which then is the one
    before; else the store says which configuration was in force; without a store both are that of ``config``."""
    if change is not None:
        return Designs(config.design, load_change(change, config).design)
    if reader is None or before_t is None or after_t is None:
        return Designs(config.design, config.design)
    notes: list[str] = []
    kept = sorted(reader.configurations(), key=lambda row: _since(row["first_t"]))

    def at(t: float) -> DuctDesign:
        known = [row for row in kept if _since(row["first_t"]) <= t] or kept[:1]
        if not known or known[-1]["text"] == scrubbed(config.text):
            return config.design
        try:
            return parse(known[-1]["text"], config.path).design
        except ConfigError as error:
            notes.append(f"a configuration that was in force once cannot be read any more: {error.problems[0]}")
            return config.design

    return Designs(at(before_t), at(after_t), tuple(notes))


def _since(first_t: object) -> float:
    """From when on a configuration was in force; one without a time came first."""
    return float(first_t) if isinstance(first_t, int | float) else float("-inf")


def cut_of(designs: Designs, joined: str | None, where: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Which runs were cut into (as said, else where the new pieces of the drawing begin, else the place of the journal's
    entry), and the ports that were altered. Raises :class:`ConfigError` for a name that is no run."""
    before = designs.before
    if joined is not None:
        names = tuple(part.strip() for part in joined.split(",") if part.strip())
        unknown = [name for name in names if name not in before.run_names]
        if unknown or not names:
            raise ConfigError([f"--joined: there is no run {', '.join(map(repr, unknown)) or joined!r}"
                               f" (runs: {', '.join(before.run_names)})"])
        return names, ()
    found = dict.fromkeys(
        run for piece in _pieces(designs.after)
        if piece.name not in before.run_names and piece.name not in before.port_names
        and (run := _old_run(designs, piece.into)) is not None)
    changed = tuple(
        port.name for port in before.ports
        if (other := next((p for p in designs.after.ports if p.name == port.name), None)) is not None and other != port)
    if not found and where:
        if where in before.run_names:
            found = {where: None}
        else:
            piece = next((p for p in _pieces(designs.after) if p.name == where), None)
            run = None if piece is None or piece.into == FAN else _old_run(designs, piece.into)
            found = {} if run is None else {run: None}
    return tuple(found), changed


def _pieces(design: DuctDesign) -> list[Run | Port]:
    return [*design.runs, *design.ports]


def _old_run(designs: Designs, name: str) -> str | None:
    """The run of the drawing before that air from ``name`` comes to first."""
    into = {run.name: run.into for run in designs.after.runs}
    for _ in range(len(into) + 1):
        if name in designs.before.run_names:
            return name
        if name not in into or name == FAN:
            return None
        name = into[name]
    return None


def baseline_of(reader: Reader | None, design: DuctDesign, before_t: float | None) -> Baseline | None:
    """The newest baseline of ``design`` from before a moment, else the oldest after it; None where there is none."""
    if reader is None:
        return None
    found: list[Baseline] = []
    for row in reader.baselines():
        stored = reader.baseline(row["name"])
        if stored is None:
            continue
        try:
            baseline = Baseline.from_dict(stored["document"])
        except BaselineError:
            continue
        if baseline.fits(design) is None:
            found.append(baseline)
    if not found:
        return None
    earlier = [one for one in found if before_t is None or one.t <= before_t]
    return max(earlier, key=lambda one: one.t) if earlier else min(found, key=lambda one: one.t)
