"""A small invented shop in front of a real store: frames, alarms and answers, moved by the test.

The numbers come from a toy plant (fan curve and ducts as parabolas, filter linear), good enough to look at; what is under
test is the dashboard, not the physics. The store, its writer and the alarm desk are the real ones.
"""

from __future__ import annotations

import math
import random
import threading
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Any, cast

from analysis.conditions import Condition
from analysis.estimates import Estimate, Expected
from analysis.events import EventKind, ShopEvent
from analysis.findings import Claim, Evidence, Finding
from analysis.readings import Frame, Quality, RunState
from daemon.alarms.desk import AlarmDesk
from daemon.alarms.types import Transition
from daemon.answering import Answerer
from daemon.documents import finding_document
from daemon.pipeline import Pipeline
from daemon.store.writer import Writer
from tests.support.fresh_store import fresh_store

NINE = 1_772_528_400.0
"""3 March 2026, 09:00 UTC."""
PORTS = ("planer", "bandsaw", "lathe", "shaving horse")
_PORT_FACTOR = {"planer": 1.0, "bandsaw": 0.93, "lathe": 0.97, "shaving horse": 0.86}


def shop_document() -> dict[str, Any]:
    """The drawing of the chair maker's barn as the daemon tells it, shortened."""
    inch, foot = 0.0254, 0.3048

    def run(name: str, into: str, diameter: float, length: float, join: str = "straight") -> dict[str, Any]:
        return {
            "name": name,
            "into": into,
            "diameter_m": diameter * inch,
            "length_m": length * foot,
            "join": join.split()[0],
            "angle_deg": 45.0 if " " in join else 0.0,
        }

    def port(name: str, into: str, length: float, hose: float, join: str, needs: float) -> dict[str, Any]:
        return run(name, into, 4.0, length, join) | {
            "hose_m": hose * foot or None,
            "has_gate": True,
            "needs_m3s": needs * foot**3 / 60,
        }

    return {
        "name": "Chair maker's barn",
        "units": "us",
        "material": {"name": "shavings and sawdust", "main_velocity_ms": 17.78, "branch_velocity_ms": 20.32},
        "runs": [
            run("main", "fan", 6, 14),
            run("east main", "main", 6, 11),
            run("bench run", "main", 4, 9, "wye 45"),
        ],
        "ports": [
            port("planer", "east main", 6, 5, "straight", 400),
            port("bandsaw", "east main", 4, 6, "wye 45", 350),
            port("lathe", "bench run", 7, 4, "straight", 350),
            port("shaving horse", "bench run", 5, 0, "wye 45", 350),
        ],
        "filter": {"clean_drag_pasm3": 880.0, "clean_at_drag_ratio": 1.75, "clean_at_flow_lost": 0.10},
        "motor": {"full_load_a": 11.2, "power_w": 1491.4},
        "fan": {"points": [[0.0, 2939.0, 634.0], [0.19, 2889.0, 932.0], [0.378, 2267.0, 1342.0], [0.566, 847.0, 1715.0]]},
        "channels": {name: {"fitted": True} for name in ("inlet_pa", "filter_pa", "motor_a")},
        "design": {
            "inlet_pa": {"low": -2850.0, "high": 0.0},
            "filter_pa": {"low": 0.0, "high": 700.0},
            "motor_a": {"low": 0.0, "high": 11.5},
        },
    }


class Shop:
    """The shop: ``step`` moves it on, ``answer`` does what the dashboard asked for."""

    def __init__(self, path: Path, t: float = NINE) -> None:
        self.path = path
        fresh_store(path)
        self.writer = Writer(path, commit_every_s=1e9, status_every_s=0.0)
        self.desk = AlarmDesk()
        self.t = t
        self.running = False
        self.run_s = 0.0
        self.ratio = 1.18
        self.gates: tuple[str, ...] = ("planer",)
        self.suction_factor = 1.0
        self.sure = 0.93
        self.state: RunState | None = None
        """The fan neither runs nor stands still: it starts, coasts, or nobody knows."""
        self.claims: dict[tuple[Condition, str], Finding] = {}
        self.quality: dict[str, Quality] = {}
        self.random = random.Random(20260303)
        self.documents: dict[str, Any] = {"shop": shop_document()}
        self.events: list[ShopEvent] = []
        # The answerer asks a pipeline for its desk and for where transitions and events go; the shop has all three.
        self.answerer = Answerer(cast(Pipeline, self), self.writer)
        self._run_began: float | None = None
        for condition in (Condition.FILTER_LOADING, Condition.BAG_FULL):
            self.claim(condition, present=False)

    def step(self, seconds: int = 1, *, tell: bool = True) -> None:
        """Let ``seconds`` of event time pass, a frame each."""
        for _ in range(seconds):
            self.t += 1.0
            self.run_s = self.run_s + 1.0 if self.running else 0.0
            self.writer.frame(*self.frame())
            self._follow()
        if tell:
            self.tell()
        else:
            self.writer.flush(force=True)

    def switch(self, on: bool) -> None:
        """Switch the fan."""
        if on and not self.running:
            self._run_began = self.t
            self.writer.run(self.t, None)
        elif not on and self._run_began is not None:
            self.writer.run(self._run_began, self.t)
            self._run_began = None
        self.running = on

    def frame(self) -> tuple[Frame, Estimate]:
        """The frame and estimate of this second."""
        noise = self.random.gauss
        if self.state is not None:
            values = {"inlet_pa": -900.0, "filter_pa": 60.0, "motor_a": 2.5} if self.state is not RunState.UNKNOWN else {}
            frame = Frame(self.t, values, dict(self.quality), None, self.state)
            return frame, Estimate(self.t, notes=("the fan is not at speed",))
        if not self.running:
            values = {"inlet_pa": noise(0, 2.0), "filter_pa": noise(0, 1.0), "motor_a": 0.0}
            values = {name: value for name, value in values.items() if name not in self.quality}
            return Frame(self.t, values, dict(self.quality), None, RunState.OFF), Estimate(self.t, notes=("the fan is off",))
        area = sum(_PORT_FACTOR[port] for port in self.gates) or 0.12
        flow = 0.19 * area**0.45 * (1 - 0.04 * (self.ratio - 1)) * (1 + 0.01 * math.sin(self.t / 47))
        drag = 880.0 * self.ratio
        inlet, filter_pa, motor = -(2900 - 3500 * flow**1.6) + drag * flow, drag * flow, 5.2 + 12.5 * flow
        inlet = min(inlet, -200.0)
        expected = {
            "inlet_pa": Expected(inlet, 45.0),
            "filter_pa": Expected(880 * 1.18 * flow, 14.0),
            "motor_a": Expected(motor, 0.25),
        }
        values = {
            "inlet_pa": inlet * self.suction_factor + noise(0, 18),
            "filter_pa": filter_pa + noise(0, 5),
            "motor_a": motor + noise(0, 0.06),
        }
        values = {name: value for name, value in values.items() if name not in self.quality}
        lost = 0.05 * (self.ratio - 1) / 0.75
        estimate = Estimate(
            self.t,
            flow_m3s=flow,
            flow_sd=0.03 * flow,
            filter_drag=drag,
            filter_drag_sd=20.0,
            drag_ratio=self.ratio,
            flow_lost=lost,
            duct_resistance=abs(inlet) / flow**2,
            gates=self.gates,
            gate_probability=self.sure,
            expected=expected,
            along=0.01 * math.sin(self.t / 130),
            along_sd=0.02,
            off=abs(noise(0.8, 0.3)),
            air_density_kgm3=1.19,
        )
        return Frame(self.t, values, dict(self.quality), None, RunState.RUNNING, self.run_s), estimate

    def claim(self, condition: Condition, where: str = "", present: bool = True, **more: Any) -> None:
        """What a detector says from now on."""
        self.claims[condition, where] = Finding(
            self.t,
            condition,
            Claim.PRESENT if present else Claim.ABSENT,
            where,
            confidence=0.93,
            since=self.t,
            evidence={
                "drag_rate": Evidence(6.2, "ratio", "growth of drag against its learned rate"),
                "filter_pa": Evidence(412.0, "pressure", "pressure over the filter bags"),
            },
            could_be=("the filter bags are wet",),
            **more,
        )

    def tell(self) -> None:
        """Write the status documents and commit."""
        self.writer.status("shop", self.documents["shop"])
        self.writer.status("detectors", [finding_document(finding) for finding in self.claims.values()])
        self.writer.status(
            "sources",
            self.documents.get(
                "sources",
                [
                    {
                        "name": "unit",
                        "kind": "serial",
                        "state": "listening",
                        "connected": True,
                        "opened": 1,
                        "samples": int(self.t - NINE),
                        "refused": {"checksum": 2},
                        "unknown_channels": {},
                        "last_t": self.t,
                        "last_error": "",
                        "dropped": 0,
                    }
                ],
            ),
        )
        self.writer.status("measuring", self.documents.get("measuring", {"ok": True, "since": self.t}))
        if self.running:
            self.writer.status("ducts", self.ducts_document())
        self.writer.status(
            "daemon",
            self.documents.get("daemon", {})
            | {
                "version": "0.1.0",
                "event_t": self.t,
                "pace": 1.0,
                "frames": int(self.t - NINE),
                "memory_bytes": 71_000_000,
                "disk_free_bytes": 12_400_000_000,
                "store_bytes": 8_200_000,
            },
        )
        self.writer.flush(force=True)

    def ducts_document(self) -> dict[str, Any]:
        """The air in every piece: what the fan moves, shared by the open ports."""
        flow = self.frame()[1].flow_m3s or 0.0
        share = flow / max(1, len(self.gates))
        pieces: dict[str, Any] = {}
        drawn = self.documents["shop"]
        into = {piece["name"]: piece["into"] for piece in (*drawn["runs"], *drawn["ports"])}
        air = dict.fromkeys(into, 0.0)
        for port in self.gates:
            name = port
            while name in air:
                air[name] += share
                name = into[name]
        for piece in (*drawn["runs"], *drawn["ports"]):
            area = math.pi / 4 * piece["diameter_m"] ** 2
            key = "branch_velocity_ms" if piece["diameter_m"] < 0.13 else "main_velocity_ms"
            pieces[piece["name"]] = {
                "flow_m3s": air[piece["name"]],
                "velocity_ms": air[piece["name"]] / area,
                "carrying_ms": drawn["material"][key],
                "by_design": piece["diameter_m"] > 0.13 and len(self.gates) < 2,
            }
        drawn = {"flow_m3s": 1.03 * flow, "inlet_pa": -2150.0, "filter_pa": 880.0 * 1.03 * flow}
        return {"t": self.t, "pieces": pieces, "drawn": drawn}

    def note(self, kind: EventKind, text: str = "", by: str = "owner") -> int:
        """A journal entry."""
        return self.writer.event(ShopEvent(self.t, kind, by, text))

    def answer(self) -> int:
        """Do what was asked for, as the daemon does it; returns how many requests there were."""
        asked = self.answerer.answer_all(self.t)
        if asked:
            self.tell()
        return asked

    def moved(self, transitions: Iterable[Transition]) -> None:
        """Store what happened to alarms."""
        for transition in transitions:
            self.writer.transition(transition)

    def happened(self, event: ShopEvent) -> None:
        """What the owner says was done; a cleaning shows in the drag."""
        self.events.append(event)
        if event.kind is EventKind.CLEANED:
            self.ratio = 1.05

    def _follow(self) -> None:
        if self.t % 5 == 0:
            self.moved(self.desk.update(self.t, list(self.claims.values()), self.running))

    def close(self) -> None:
        """Close the store."""
        self.writer.close()


class Pump:
    """A thread that lets a shop live: ``pace`` seconds of event time every tenth of a second, and answers. The test may
    change the shop while holding ``lock``."""

    def __init__(self, shop: Shop, pace: int = 1) -> None:
        self.shop = shop
        self.pace = pace
        self.paused = False
        self.lock = threading.Lock()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="shop", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.is_set():
            began = time.monotonic()
            with self.lock:
                self.shop.answer()
                if not self.paused:
                    self.shop.step(self.pace)
            self._stop.wait(max(0.0, 0.1 - (time.monotonic() - began)))

    def close(self) -> None:
        """Stop the thread and close the store."""
        self._stop.set()
        self._thread.join(90.0)
        self.shop.close()
