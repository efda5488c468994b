"""The same tree in EPANET: air as the fluid, Darcy-Weisbach, a pump for the fan, reservoirs for the room.

EPANET takes the loss of a fitting as a multiple of v2/2g of its pipe, and a pump's head curve as straight lines between
points; the linear filter is taken off the fan's curve here, since EPANET has no linear resistance of that kind. Heads
are metres of air. The viscosity that EPANET multiplies is its own for water, 1.1e-5 ft2/s.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from analysis.air import Air
from analysis.duct.design import FAN, DuctDesign, Port, Run

GRAVITY = 32.2 * 0.3048
"""What EPANET uses, m/s2."""
WATER_NU = 1.1e-5 * 0.3048**2
_MINOR_LOSS, _FLOW = 3, 8
_LPS = 1e-3


def _area(diameter_m: float) -> float:
    return math.pi / 4 * diameter_m**2


class Twin:
    """An EPANET model of a design whose junction losses are stated, kept open; close it after use."""

    def __init__(
        self, design: DuctDesign, folder: Path, accuracy: float = 1e-6, air: Air | None = None,
        settled: dict[str, tuple[float, float]] | None = None,
    ) -> None:
        """``settled`` gives per piece its flow [m3/s] and the head [m] that its junction loses at it: a loss becomes a
        coefficient, a gain (which EPANET's coefficients cannot hold) a pump whose line falls through that point."""
        from wntr.epanet.toolkit import ENepanet  # takes seconds to load

        self.design = design
        self.air = air or design.air
        self.settled = settled or {}
        self.file = folder / "twin.inp"
        self.file.write_text(self.text(accuracy))
        self.engine = ENepanet()
        self.engine.ENopen(str(self.file), str(folder / "twin.rpt"), str(folder / "twin.bin"))
        self.engine.ENopenH()
        self.engine.ENinitH(0)
        self.link = {port.name: self.engine.ENgetlinkindex(f"P{i}") for i, port in enumerate(design.ports)}
        self.run_link = {run.name: self.engine.ENgetlinkindex(f"R{i}") for i, run in enumerate(design.runs)}
        self.fan_link = self.engine.ENgetlinkindex("FAN")
        self.losses = {port.name: (self.port_k(port, True), self.port_k(port, False)) for port in design.ports}

    def close(self) -> None:
        self.engine.ENcloseH()
        self.engine.ENclose()

    def join_k(self, piece: Run | Port) -> float:
        """Loss of the junction at the piece's end, in velocity heads of the piece."""
        if piece.into == FAN:
            return 0.0
        if piece.name in self.settled:
            flow, head = self.settled[piece.name]
            return max(head, 0.0) * 2.0 * GRAVITY * (piece.area_m2 / flow) ** 2
        assert piece.join.kind == "stated"
        return piece.join.k

    def port_k(self, port: Port, is_open: bool) -> float:
        """Everything but friction, in velocity heads of the pipe."""
        if not is_open:
            return (port.area_m2 / port.leak_m2) ** 2 + self.join_k(port)
        section = _area(port.hose.diameter_m) if port.hose else port.area_m2
        entry = port.entry_k * (port.area_m2 / section) ** 2
        step = 0.0
        if port.hose:
            step = (1.0 - section / port.area_m2) ** 2 * (port.area_m2 / section) ** 2
            assert section <= port.area_m2
        return entry + step + port.fittings_k + (port.gate_k or 0.0) + self.join_k(port)

    def gates(self, open_ports: Iterable[str]) -> None:
        """Set every gate."""
        opened = set(open_ports)
        for port in self.design.ports:
            self.gate(port.name, port.name in opened)

    def gate(self, name: str, is_open: bool) -> None:
        self.engine.ENsetlinkvalue(self.link[name], _MINOR_LOSS, self.losses[name][0 if is_open else 1])

    def run(self) -> None:
        self.engine.ENrunH()

    def fan_flow(self) -> float:
        return float(self.engine.ENgetlinkvalue(self.fan_link, _FLOW)) * _LPS

    def flows(self) -> dict[str, float]:
        """Flow of every run and port, m3/s."""
        links = {**self.link, **self.run_link}
        return {name: float(self.engine.ENgetlinkvalue(link, _FLOW)) * _LPS for name, link in links.items()}

    def text(self, accuracy: float) -> str:
        design, air = self.design, self.air
        nu = air.viscosity_pas / air.density_kgm3
        places = {run.name: i for i, run in enumerate(design.runs)}
        junctions, pipes = ["INLET 0 0", "OUTLET 0 0"], []
        pumps, curves = ["FAN INLET OUTLET HEAD C"], []
        for i, run in enumerate(design.runs):
            junctions.append(f"N{i} 0 0")
            into = "INLET" if run.into == "fan" else self.end(run, f"N{places[run.into]}", junctions, pumps, curves)
            k = run.fittings_k + self.join_k(run)
            pipes.append(f"R{i} N{i} {into} {run.length_m} {run.diameter_m * 1e3} {run.roughness_m * 1e3} {k} OPEN")
        for i, port in enumerate(design.ports):
            begin = "ROOM"
            if port.hose:
                hose = port.hose
                begin = f"H{i}"
                junctions.append(f"H{i} 0 0")
                pipes.append(f"F{i} ROOM H{i} {hose.length_m} {hose.diameter_m * 1e3} {hose.roughness_m * 1e3} 0 OPEN")
            pipes.append(
                f"P{i} {begin} {self.end(port, f'N{places[port.into]}', junctions, pumps, curves)} {port.length_m} "
                f"{port.diameter_m * 1e3} {port.roughness_m * 1e3} {self.port_k(port, True)} OPEN"
            )
        behind, first = [], None
        for i, piece in enumerate(design.discharge):
            begin, end = "OUTLET" if i == 0 else f"D{i - 1}", "OUT" if piece is design.discharge[-1] else f"D{i}"
            k = piece.fittings_k
            if i:
                narrow, wide = sorted((design.discharge[i - 1].area_m2, piece.area_m2))
                assert piece.area_m2 == wide, "EPANET knows our abrupt widening only"
                k += (1.0 - narrow / wide) ** 2 * (piece.area_m2 / narrow) ** 2
            if end == "OUT":
                # a fan's static pressure leaves its outlet with the velocity head of the first piece, the last one's is lost
                k += 1.0 - (piece.area_m2 / (first or piece).area_m2) ** 2
            else:
                junctions.append(f"{end} 0 0")
            first = first or piece
            assert k >= 0.0
            behind.append(
                f"B{i} {begin} {end} {piece.length_m} {piece.diameter_m * 1e3} {piece.roughness_m * 1e3} {k} OPEN"
            )
        flow, head = self.curve()
        points = [f"C {q / _LPS:.8f} {h:.8f}" for q, h in zip(flow, head, strict=True)]
        lines = [
            "[JUNCTIONS]", *junctions, "[RESERVOIRS]", "ROOM 0", "OUT 0", "[PIPES]", *pipes,
            *(behind or ["DISCHARGE OUTLET OUT 0.01 1000 0.0001 0 OPEN"]), "[PUMPS]", *pumps, "[CURVES]", *points, *curves,
            "[OPTIONS]", "UNITS LPS", "HEADLOSS D-W", f"VISCOSITY {nu / WATER_NU}", f"ACCURACY {accuracy}",
            "TRIALS 200", "UNBALANCED STOP", "[TIMES]", "DURATION 0", "[REPORT]", "STATUS NO", "MESSAGES NO", "[END]",
        ]
        return "\n".join(lines)

    def end(self, piece: Run | Port, into: str, junctions: list[str], pumps: list[str], curves: list[str]) -> str:
        """The node at the downstream end of a piece: the junction itself, or one with a pump into it for a gain."""
        flow, head = self.settled.get(piece.name, (0.0, 0.0))
        if head >= 0.0:
            return into
        number = len(pumps)
        junctions.append(f"G{number} 0 0")
        pumps.append(f"J{number} G{number} {into} HEAD D{number}")
        curves += [f"D{number} 0 {-2.0 * head:.9f}", f"D{number} {flow / _LPS:.9f} {-head:.9f}",
                   f"D{number} {2.0 * flow / _LPS:.9f} 0"]
        return f"G{number}"

    def curve(self) -> tuple[np.ndarray, np.ndarray]:
        """The fan's rise less the filter's drop, as head of air, from no flow to where nothing is left."""
        fan, drag = self.design.fan, self.design.filter.clean_drag_pasm3
        density = self.air.density_kgm3
        flow = np.linspace(0.0, fan.free_flow_m3s(), 400)
        head = (fan.pressure_pa(flow, 1.0, density) - drag * flow) / density / GRAVITY
        used = head > 0.0
        return flow[used], head[used]
