"""What a month's suction and flow are compared with: the baseline in force, else the drawing; always with clean bags."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo

from analysis.baseline.model import Baseline, BaselineError
from analysis.duct.design import AS_DRAWN, AsBuilt, DuctDesign
from analysis.duct.points import OperatingPoint
from analysis.duct.solve import solve
from daemon.config.config import Config
from daemon.record.facts import GateSetFacts, PortFacts
from daemon.record.frame_pass import FramePass, GateSums
from daemon.record.period import Month
from daemon.store.reader import Reader
from daemon.store.schema import gates_of
from daemon.wording import local_time

LEAST_S = 60.0
"""A gate set that was seen for less is not shown: gates are open together for a moment at each change."""
MEANS = ("inlet_pa", "filter_pa", "motor_a", "flow_m3s")


@dataclass(frozen=True, slots=True)
class Reference:
    """A design that can be solved for any gate set, and what it is in words."""

    words: str
    design: DuctDesign
    as_built: AsBuilt
    drag_pasm3: float

    @classmethod
    def of(cls, config: Config, reader: Reader, month: Month, tz: tzinfo) -> Reference:
        """The newest baseline from before the month's end that belongs to the present drawing, else the drawing."""
        design = config.design
        clean = design.filter.clean_drag_pasm3
        for row in reader.baselines():
            if row["t"] >= month.end_t:
                continue
            stored = reader.baseline(row["name"])
            if stored is None or stored["t"] != row["t"]:
                continue  # a later tour of the same name stands before it
            try:
                found = Baseline.from_dict(stored["document"])
            except BaselineError:
                continue
            if found.fits(design) is None:
                drag = clean * found.as_built.filter_drag if found.clean else clean
                words = f"the baseline {found.name!r} of {local_time(found.t, tz)}"
                return cls(words, found.design_as_built(design), found.as_built, drag)
        return cls("the drawing (there is no baseline)", design, AS_DRAWN, clean)

    def point(self, open_ports: Sequence[str], density_kgm3: float | None) -> OperatingPoint | None:
        """What it expects with these ports open and clean bags, in air of this density (None: the drawing's); None for
        ports that it does not know."""
        if not set(open_ports) <= set(self.design.port_names):
            return None
        air = self.design.air if density_kgm3 is None else replace(self.design.air, density_kgm3=density_kgm3)
        return solve(self.design, open_ports, air=air, as_built=self.as_built, filter_drag_pasm3=self.drag_pasm3)


def gate_set_facts(seen: FramePass, reference: Reference) -> tuple[GateSetFacts, ...]:
    """Every gate set that lasted, the longest first; expected in air of the density that it had meanwhile."""
    longest = sorted(seen.gates.items(), key=lambda item: -item[1].seconds)
    return tuple(_facts(text, sums, reference) for text, sums in longest if sums.seconds >= LEAST_S)


def _facts(text: str | None, sums: GateSums, reference: Reference) -> GateSetFacts:
    open_ports = gates_of(text)
    density = sums.mean("air_density_kgm3")
    point = None if open_ports is None else reference.point(open_ports, None if density is None else density.value)
    expected: dict[str, float] = {}
    shares: dict[str, float] = {}
    if point is not None:
        expected = {"inlet_pa": point.inlet_pa, "flow_m3s": point.flow_m3s, "filter_pa": point.filter_pa}
        shares = {name: point.ports[name].flow_m3s / point.flow_m3s for name in point.open_ports}
    flow_sd, flow_lost = sums.mean("flow_sd"), sums.mean("flow_lost")
    return GateSetFacts(
        open_ports=open_ports,
        seconds=sums.seconds,
        means={name: mean for name in MEANS if (mean := sums.mean(name)) is not None},
        flow_sd=None if flow_sd is None else flow_sd.value,
        flow_lost=None if flow_lost is None else flow_lost.value,
        expected=expected,
        shares=shares,
    )


def port_facts(gate_sets: Sequence[GateSetFacts], design: DuctDesign) -> tuple[PortFacts, ...]:
    """Air through each port over the gate sets in which it stood open, weighted by time."""
    ports = []
    for port in design.ports:
        parts = [(found.seconds, found.shares[port.name] * found.means["flow_m3s"].value)
                 for found in gate_sets if port.name in found.shares and "flow_m3s" in found.means]
        seconds = sum(part for part, _ in parts)
        flows = [flow for _, flow in parts]
        ports.append(PortFacts(
            port.name, seconds,
            flow_m3s=sum(part * flow for part, flow in parts) / seconds if seconds else None,
            least_m3s=min(flows) if flows else None,
            most_m3s=max(flows) if flows else None,
            needs_m3s=port.needs_m3s,
        ))
    return tuple(ports)
