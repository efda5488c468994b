"""What the maker of the invented shop says to the daemon on the demonstration's first day: he adds a run, and walks the
guided check before the work and after it. His gates are moved by the simulator's script."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from analysis.events import EventKind, ShopEvent
from analysis.plant import demo
from analysis.plant.asbuilt import as_built
from analysis.plant.convert import from_design
from analysis.plant.faults import changed_shop, tree_steps
from analysis.plant.network import Network
from analysis.plant.shop import PlantShop
from daemon.comparing.desk import AddedRunDesk
from daemon.config.config import Config
from daemon.config.sources import SimulatorTable
from daemon.pipeline import Pipeline
from daemon.sources.simulated import SimulatorSettings, demo_blocks
from daemon.store.reader import Reader
from daemon.store.writer import Writer

if TYPE_CHECKING:
    from daemon.comparing.guided import Side

MAKER = "chair maker"
SAID_S = 12.0
"""Seconds after a gate was set until he says so."""
LATE_S = 8 * 3600.0
"""So much later he still says it: a slow computer may take hours of the demonstration at once."""


def opened(reader: Reader) -> tuple[float, float] | None:
    """When the demonstration opened, and its clock less UTC; None while nothing is stored."""
    first = reader.first_t()
    offset = datetime.now().astimezone().utcoffset()
    seconds = 0.0 if offset is None else offset.total_seconds()
    return None if first is None else (demo.opening(first + 60.0, seconds), seconds)


class MakersDesk(AddedRunDesk):
    """The desk of the added run with the maker at it. A visitor's own check comes first: then he says nothing."""

    def __init__(self, config: Config, writer: Writer, pipeline: Pipeline) -> None:
        super().__init__(config, writer, pipeline)
        self._steps = demo.check_steps(from_design(config.design))
        self._due: dict[str, float] | None = None

    def turn(self, running: bool, t: float, wall_t: float) -> None:
        """As the desk's, and what the maker has to say by now."""
        super().turn(running, t, wall_t)
        if self._due is None:
            self._due = self._day()
        due = self._due or {}
        for what, when in list(due.items()):
            if t >= when:
                del due[what]
                if t < when + LATE_S:
                    self._say(what, when)

    def _reader(self) -> Reader:
        """The store with all that came up to now."""
        self._writer.flush(force=True)
        return Reader(self._config.at(self._config.file.store.file))

    def _day(self) -> dict[str, float] | None:
        """What he will say, and when."""
        reader = self._reader()
        day = opened(reader)
        reader.close()
        if day is None:
            return None
        last = demo.CHECK_STEP_S * len(self._steps)
        return {
            "before": demo.check_time("before", *day) + last, "cut": demo.cut_time(*day),
            "after": demo.check_time("after", *day) + last}

    def _say(self, what: str, t: float) -> None:
        told, reader = self._check.document(), self._reader()
        entered = reader.last_event(EventKind.ADDED_RUN.value) is not None
        reader.close()
        if what == "cut" and not entered:
            event = ShopEvent(t, EventKind.ADDED_RUN, MAKER, demo.CUT_NAME, demo.CUT_NAME)
            self._writer.event(event)
            self._pipeline.happened(event)
        elif what in ("before", "after") and what not in told.get("kept", {}) and "check" not in told:
            if what == "after" and "before" not in told.get("kept", {}):
                return  # nothing to compare it with
            self._walk("before" if what == "before" else "after", t - demo.CHECK_STEP_S * len(self._steps))

    def _walk(self, side: Side, began: float) -> None:
        """The check over what the store has of it: ready a little after each gate was set, and kept."""
        from daemon.comparing.guided import CheckTour

        tour = CheckTour(self._config, self._reader(), side, since=began - 300.0)
        tour.ask({"action": "start"})
        for step in range(len(self._steps)):
            tour.status(until=began + step * demo.CHECK_STEP_S + SAID_S)
            if tour.status(began)["phase"] == "zero":
                tour.ask({"action": "done"})  # too short a rest for the zeros: they are not known, then
            tour.ask({"action": "done"})
            tour.status(until=began + (step + 1) * demo.CHECK_STEP_S - 1.0)
        taken = tour.ask({"action": "finish"})[0]
        tour.close()
        if taken:
            self._check.keep(side, began)
            if side == "after" and self._job is None:
                self._begin(["--checks", f"--name={demo.CUT_NAME}"], "Comparing the two checks.")


def truth(config: Config, reader: Reader, table: SimulatorTable, times: Sequence[float]) -> list[str]:
    """What the simulated ducts and bags really did to the air at each port alone, from the first time to the second."""
    from analysis.compare.answer import percent

    day = opened(reader)
    if day is None:
        return []
    drawn = from_design(config.design)
    shop = as_built(drawn, table.seed)
    drags: list[float] = []
    for block in demo_blocks(SimulatorSettings(drawn, table.name, table.seed, *day), day[0]):
        while len(drags) < len(times) and float(block.t[-1]) >= times[len(drags)]:
            drags.append(float(np.interp(times[len(drags)], block.t, block.truth.drag)))
        if len(drags) == len(times):
            break
    faults = [demo.DemoFaults(shop, *day).overlapping(t, t + 1.0) for t in times]
    shops = []
    for one, t in zip(faults, times, strict=True):
        found, steps = tree_steps(one, np.array([t]))
        shops.append(changed_shop(shop, found, steps[:, 0])[1] if found else shop)

    def flows(of: PlantShop, drag: float) -> np.ndarray:
        ports = np.arange(len(shop.ports))
        gates = np.eye(len(ports), len(of.ports))
        return np.asarray(Network(of).solve(gates, np.full(len(ports), drag)).port_m3s[ports, ports])

    old, cut, both = flows(shops[0], drags[0]), flows(shops[1], drags[0]), flows(shops[1], drags[1])
    return [
        f"{port}: {percent(float(b / a - 1.0))} by the ducts, {percent(float(c / b - 1.0))} by the filter"
        for port, a, b, c in zip(shop.port_names, old, cut, both, strict=True)]
