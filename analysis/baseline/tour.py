"""The guided baseline tour: from step to step, by the owner's word and by what was measured.

A state machine on frames, in event time. Whoever guides the owner (terminal or dashboard) shows :attr:`Tour.status` and
passes on two words of his: ``ready`` (the gates of this step are set) and ``skip``. It survives a break: the fan may be
switched off between steps, and a :meth:`Tour.snapshot` taken to another day.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from analysis.baseline.measuring import Measuring
from analysis.baseline.plan import plan
from analysis.baseline.status import Phase, TourStatus, words
from analysis.baseline.steps import StepData, TourData
from analysis.duct.design import DuctDesign
from analysis.estimator.ambient import Ambient
from analysis.estimator.rezero import BOUNDS, Zero
from analysis.estimator.sensors import MEASURED, Sensors
from analysis.readings import Frame, RunState

FORMAT = 1


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
        self._measuring = Measuring(self._ambient, self._zeros)

    @property
    def done(self) -> bool:
        """Whether every step is measured or skipped."""
        return self._phase is Phase.DONE

    @property
    def status(self) -> TourStatus:
        """What to show now."""
        opened = self.plan[self._step] if self._step < len(self.plan) else ()
        return TourStatus(
            self._phase, self._step, len(self.plan), opened, words(self._phase, opened), self._reason,
            self._measuring.progress if self._phase is Phase.MEASURE else 0.0,
            tuple(s.open_ports for s in self._measured), tuple(self._skipped))

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
            elif self._measuring.begun and frame.state is not RunState.STARTING:
                self._refuse("the fan stopped")
        return self.status

    def _firsts(self) -> list[tuple[Zero, float]]:
        pressures = [n for n in self._zeros if n.endswith("_pa")]
        return [(self._zeros[n], 0.5 * self.sensors.sd[n]) for n in pressures]

    def _measure(self, frame: Frame) -> None:
        measuring = self._measuring
        judged = measuring.add(frame)
        if measuring.density_sd is not None:
            self._density_sd = measuring.density_sd
        if judged is None:
            return
        if judged.steady:
            motor = self.design.motor
            self._measured.append(
                measuring.step(self.plan[self._step], judged, frame.t, None if motor is None else motor.voltage_v))
            self._next()
        elif measuring.overdue(frame.t):
            self._refuse(judged.reason)
        else:
            self._reason = "" if judged.steady is None else judged.reason

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
