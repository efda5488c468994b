"""The guided baseline tour: which gates to set, when a step is steady, and what to do when it is not.

A state machine on frames, in event time. Whoever guides the owner (terminal or dashboard) shows :attr:`Tour.status` and
passes on two words of his: ``ready`` (the gates of this step are set) and ``skip``. It survives a break: the fan may be
switched off between steps, and a :meth:`Tour.snapshot` taken to another day.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from analysis.baseline.steps import BLOCK_S, LONGEST_S, WINDOW_S, Judged, StepData, TourData, judge_steady
from analysis.duct.design import DuctDesign
from analysis.estimator.ambient import Ambient
from analysis.estimator.rezero import BOUNDS, Zero
from analysis.estimator.sensors import MEASURED, Sensors
from analysis.readings import Frame, RunState

SETTLE_S = 6.0
"""Left out after the owner's word: the last of the gate's movement."""
FORMAT = 1


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


def plan(design: DuctDesign, pairs: int = 3) -> tuple[tuple[str, ...], ...]:
    """The gate sets of a tour: all shut, each gate alone, then up to ``pairs`` pairs that share as little duct as they
    can. Ports without a gate are open in every step and are not named.

    A design without any gate has a single step.
    """
    gated = [p.name for p in design.ports if p.has_gate]
    steps: list[tuple[str, ...]] = [(), *((name,) for name in gated)]
    into = {r.name: r.into for r in design.runs}
    start = {p.name: p.into for p in design.ports}

    def path(port: str) -> set[str]:
        found, run = set(), start[port]
        while run in into:
            found.add(run)
            run = into[run]
        return found

    couples = [(a, b) for i, a in enumerate(gated) for b in gated[i + 1:]]
    used: dict[str, int] = dict.fromkeys(gated, 0)
    for _ in range(min(pairs, len(couples))):
        # Fewest shared runs first, and ports not yet in a pair before others; order of the design decides the rest.
        best = min(couples, key=lambda c: (used[c[0]] + used[c[1]], len(path(c[0]) & path(c[1]))))
        couples.remove(best)
        used[best[0]] += 1
        used[best[1]] += 1
        steps.append(best)
    return tuple(steps)


class Tour:
    """Runs one tour. ``clean`` is the owner's word that the bags were just cleaned.

    Feed every frame to :meth:`update`; show :attr:`status`; when :attr:`done`, take :meth:`data` to the fit.
    """

    def __init__(
        self, design: DuctDesign, *, name: str, sensors: Sensors | None = None, pairs: int = 3, clean: bool = False,
        steps: Sequence[tuple[str, ...]] | None = None,
    ) -> None:
        self.design, self.name, self.clean = design, name, clean
        self.sensors = Sensors() if sensors is None else sensors
        self.plan = tuple(plan(design, pairs) if steps is None else steps)
        self._ambient = Ambient(design.air)
        self._zeros = {
            n: Zero(BOUNDS[n], 0.5 * self.sensors.sd[n]) for n in MEASURED if n in self.sensors.sd}
        self._zeroed = False
        self._measured: list[StepData] = []
        self._skipped: list[tuple[str, ...]] = []
        self._step = 0
        self._phase = Phase.ZERO
        self._reason = ""
        self._density_sd = 0.03
        self._t = 0.0
        self._restart()

    def _restart(self) -> None:
        self._since: float | None = None
        self._blocks: dict[str, list[float]] = {}
        self._sums: dict[str, list[float]] = {}
        self._block_end = 0.0
        self._volts: list[float] = []
        self._density: list[float] = []
        self._viscosity: list[float] = []

    @property
    def done(self) -> bool:
        """Whether every step is measured or skipped."""
        return self._phase is Phase.DONE

    @property
    def status(self) -> TourStatus:
        """What to show now."""
        opened = self.plan[self._step] if self._step < len(self.plan) else ()
        count = min((len(b) for b in self._blocks.values()), default=0)
        return TourStatus(
            self._phase, self._step, len(self.plan), opened, self._words(opened), self._reason,
            min(1.0, count * BLOCK_S / WINDOW_S) if self._phase is Phase.MEASURE else 0.0,
            tuple(s.open_ports for s in self._measured), tuple(self._skipped))

    def _words(self, opened: tuple[str, ...]) -> str:
        gates = "Shut all gates" if not opened else "Open " + " and ".join(opened) + ", and shut all other gates"
        match self._phase:
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

    def ready(self) -> None:
        """The owner says that the gates of this step are set."""
        if self._phase is Phase.ZERO:
            # He may know better: without a zero the fit reckons with an unknown one.
            self._phase = Phase.SET
        elif self._phase in (Phase.SET, Phase.REFUSED):
            self._phase, self._reason = Phase.MEASURE, ""
            self._restart()

    def skip(self) -> None:
        """Leave this step out (a machine is in the way)."""
        if self._phase is Phase.ZERO:
            self._phase = Phase.SET
        elif self._phase is not Phase.DONE:
            self._skipped.append(self.plan[self._step])
            self._next()

    def again(self, open_ports: tuple[str, ...]) -> None:
        """Measure a step once more. Raises ValueError for a step that is not in the plan."""
        if open_ports not in self.plan:
            raise ValueError(f"{open_ports!r} is no step of this tour")
        self._measured = [s for s in self._measured if s.open_ports != open_ports]
        self._skipped = [s for s in self._skipped if s != open_ports]
        self._step, self._phase, self._reason = self.plan.index(open_ports), Phase.SET, ""
        self._restart()

    def update(self, frame: Frame) -> TourStatus:
        """Take in one frame."""
        self._t = frame.t
        if frame.state is RunState.OFF:
            for name, zero in self._zeros.items():
                if (value := frame.values.get(name)) is not None:
                    zero.standing(frame.t, value)
            if not self._zeroed and all(z.sd < z_first for z, z_first in self._firsts()):
                self._zeroed = True
                if self._phase is Phase.ZERO:
                    self._phase = Phase.SET
        else:
            for zero in self._zeros.values():
                zero.running()
        if self._phase is Phase.MEASURE:
            if frame.state is RunState.RUNNING:
                self._measure(frame)
            elif self._since is not None and frame.state is not RunState.STARTING:
                self._refuse("the fan stopped")
        return self.status

    def _firsts(self) -> list[tuple[Zero, float]]:
        pressures = [n for n in self._zeros if n.endswith("_pa")]
        return [(self._zeros[n], 0.5 * self.sensors.sd[n]) for n in pressures]

    def _measure(self, frame: Frame) -> None:
        t = frame.t
        if self._since is None:
            self._since = t
            self._block_end = t + SETTLE_S + BLOCK_S
        if t < self._since + SETTLE_S:
            return
        if t >= self._block_end:
            self._close()
            self._block_end = t + BLOCK_S
            if self._judge(t):
                return
        for name, zero in self._zeros.items():
            if (value := frame.values.get(name)) is not None:
                total = self._sums.setdefault(name, [0.0, 0.0])
                total[0] += value - zero.offset
                total[1] += 1.0
        air = self._ambient.at(frame.values)
        self._density_sd = air.density_sd
        self._density.append(air.density_ratio)
        self._viscosity.append(air.viscosity_ratio)
        if (volts := frame.values.get("line_v")) is not None:
            self._volts.append(volts)

    def _close(self) -> None:
        for name, (total, count) in self._sums.items():
            self._blocks.setdefault(name, []).append(total / count)
        self._sums = {}

    def _judge(self, t: float) -> bool:
        assert self._since is not None
        longest = max((len(b) for b in self._blocks.values()), default=0)
        # A channel that came and went is left out of the step.
        whole = {n: b for n, b in self._blocks.items() if len(b) >= longest - 1}
        judged = judge_steady(whole)
        if judged.steady:
            self._take(judged, t)
            return True
        if t - self._since >= LONGEST_S:
            self._refuse(judged.reason)
            return True
        self._reason = "" if judged.steady is None else judged.reason
        return False

    def _take(self, judged: Judged, t: float) -> None:
        assert self._since is not None
        motor = self.design.motor
        volts = None
        if self._volts and motor is not None:
            volts = math.log(sum(self._volts) / len(self._volts) / motor.voltage_v)
        self._measured.append(StepData(
            self.plan[self._step], t, t - self._since, judged.channels, sum(self._density) / len(self._density),
            sum(self._viscosity) / len(self._viscosity), volts))
        self._next()

    def _refuse(self, reason: str) -> None:
        self._phase, self._reason = Phase.REFUSED, reason
        self._restart()

    def _next(self) -> None:
        have = {s.open_ports for s in self._measured} | set(self._skipped)
        left = [i for i, step in enumerate(self.plan) if step not in have]
        self._restart()
        self._reason = ""
        if left:
            self._step, self._phase = left[0], Phase.SET
        else:
            self._step, self._phase = len(self.plan), Phase.DONE

    def data(self) -> TourData:
        """Everything measured so far, for the fit."""
        return TourData(
            self.name, self._t, tuple(self._measured),
            {name: zero.sd for name, zero in self._zeros.items()}, self._density_sd, self.clean)

    def snapshot(self) -> dict[str, Any]:
        """Plain JSON values, so that a tour can be finished later."""
        return {
            "format": FORMAT, "ports": list(self.design.port_names), "name": self.name, "clean": self.clean,
            "plan": [list(s) for s in self.plan], "measured": [s.to_dict() for s in self._measured],
            "skipped": [list(s) for s in self._skipped], "zeroed": self._zeroed,
            "zeros": {n: z.snapshot() for n, z in self._zeros.items()}, "t": self._t, "density_sd": self._density_sd,
        }

    @classmethod
    def restored(cls, design: DuctDesign, data: Mapping[str, Any], sensors: Sensors | None = None) -> Tour:
        """Go on with a tour. Raises ValueError if it belongs to another design or an unknown version."""
        if data.get("format") != FORMAT:
            raise ValueError(f"tour format is {data.get('format')!r}; this version reads format {FORMAT}")
        if list(data.get("ports", ())) != list(design.port_names):
            raise ValueError("the tour was begun with other ports than the design has now; begin a new tour")
        tour = cls(
            design, name=str(data["name"]), sensors=sensors, clean=bool(data["clean"]),
            steps=[tuple(s) for s in data["plan"]])
        tour._measured = [StepData.from_dict(s) for s in data["measured"]]
        tour._skipped = [tuple(s) for s in data["skipped"]]
        tour._zeroed = bool(data["zeroed"])
        for name, zero in tour._zeros.items():
            if name in data["zeros"]:
                zero.restore(data["zeros"][name])
        tour._t, tour._density_sd = float(data["t"]), float(data["density_sd"])
        if tour._zeroed or tour._measured:
            tour._next()
        return tour
