"""Where a tour stands, as it is shown to the owner: the phase, the step, and what he is to do."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any


class Phase(StrEnum):
    """Where the tour stands."""

    ZERO = "zero"
    """The fan is to be off, so that the zeros of the sensors are found."""
    SET = "set"
    """The owner is to set the gates of the step, with the fan running, and to say ready."""
    MEASURE = "measure"
    """Measuring: nothing may be touched."""
    REFUSED = "refused"
    """The step was not steady; ``reason`` says why. The owner looks, and says ready again (or skip)."""
    DONE = "done"
    """Every step is measured or skipped."""


@dataclass(frozen=True, slots=True)
class TourStatus:
    """What to show: the phase, the step (counted from 0) of how many, its open ports, words for the owner, why a step
    was refused, how far it is measured (0..1), and the steps measured and skipped so far."""

    phase: Phase
    step: int
    steps: int
    open_ports: tuple[str, ...]
    words: str
    reason: str
    progress: float
    measured: tuple[tuple[str, ...], ...]
    skipped: tuple[tuple[str, ...], ...]

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON values, for a status document."""
        return {
            "phase": self.phase.value, "step": self.step, "steps": self.steps, "open_ports": list(self.open_ports),
            "words": self.words, "reason": self.reason, "progress": self.progress,
            "measured": [list(s) for s in self.measured], "skipped": [list(s) for s in self.skipped],
        }


def words(phase: Phase, opened: tuple[str, ...]) -> str:
    """What the owner is to do in this phase; ``opened`` are the ports that the step wants open."""
    gates = "Shut all gates" if not opened else "Open " + " and ".join(opened) + ", and shut all other gates"
    match phase:
        case Phase.ZERO:
            return "Leave the fan off until the zeros of the sensors are found (about two minutes)."
        case Phase.SET:
            return f"{gates}. With the fan running, say ready."
        case Phase.MEASURE:
            return "Measuring. Touch nothing."
        case Phase.REFUSED:
            return f"Not steady. Look what moved; when the gates stand ({gates.lower()}), say ready."
        case Phase.DONE:
            return "The tour is complete."
