"""What a traverse found, and how it agrees with the estimate in the store, in lines of text."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from analysis.duct.design import FAN
from analysis.duct.uncertainty import Spread, expectation
from analysis.traverse import Traverse, agreement, wall_distances
from analysis.units import System, show
from daemon.cli.gate_words import gates_in_words, known_ports
from daemon.cli.traverse_form import Form
from daemon.config.config import Config
from daemon.errors import StoreError
from daemon.store.reader import Reader

ENOUGH_FRAMES = 20
"""No comparison with fewer seconds of estimates."""


@dataclass(frozen=True, slots=True)
class Meanwhile:
    """What the store holds of the minutes of a traverse: mean ``flow`` (or the reason why there is none), the gates most
    often estimated or told, and the mean drag of the bags."""

    flow: Spread | str
    gates: tuple[str, ...] | None = None
    drag_pasm3: float | None = None


def result(form: Form, found: Traverse, system: System) -> Iterator[str]:
    """Velocities by place, flow, what the uncertainty is made of, and what is to be doubted."""
    file = form.file
    when = datetime.fromtimestamp(file.began).strftime("%Y-%m-%d %H:%M")
    yield f"Traverse of {file.run or 'a duct'}, {when}, {file.method}, inside diameter {show(file.diameter, 'diameter', system)}"
    places = wall_distances(file.method, len(file.readings[0]) // 2)
    yield "  place      " + " ".join(f"{y:>8.3f}" for y in places)
    for number, row in enumerate(found.velocities, 1):
        cells = " ".join(f"{show(v, 'velocity', system).split(' ')[0]:>8}" for v in row)
        yield f"  diameter {number} {cells}   mean {show(found.line_means[number - 1], 'velocity', system)}"
    room = form.room_flow_m3s(found)
    share = found.flow_sd / found.flow_m3s
    yield f"  mean velocity {show(found.velocity_ms, 'velocity', system)}"
    yield f"  flow {show(found.flow_m3s, 'flow', system)} as it is in the duct ({form.duct_air.density_kgm3:.3f} kg/m3)"
    yield f"  flow {show(room, 'flow', system)} ± {show(share * room, 'flow', system)} as air of the room"
    parts = sorted(found.parts.items(), key=lambda part: -part[1])
    yield "  the ± comes from: " + ", ".join(f"{name} {value:.1%}" for name, value in parts if value >= 0.001)
    for remark in found.remarks:
        yield f"  doubt: {remark}"


def comparison(form: Form, found: Traverse, config: Config, system: System) -> Iterator[str]:
    """The estimate of the same minutes, for the run that was traversed, and whether the two agree."""
    design = config.design
    last = next(run.name for run in design.runs if run.into == FAN)
    where = form.file.run or last
    if where not in design.run_names and where not in design.port_names:
        yield f"no run or port is named {where!r}: nothing to compare with ({', '.join(design.run_names + design.port_names)})"
        return
    room = form.room_flow_m3s(found)
    sd = found.flow_sd * room / found.flow_m3s
    then = _meanwhile(form, config)
    gates = then.gates
    if form.file.open is not None:
        gates = known_ports(list(form.file.open), design.port_names, "open")
    if where == last:
        if isinstance(then.flow, str):
            yield f"the estimate of those minutes: not yet known ({then.flow})"
        else:
            yield _line("the estimate of those minutes", then.flow, room, sd, system)
    if gates is None:
        yield 'the drawing: not compared (the open gates are not known: write them into the form as open = ["planer"])'
        return
    key = f"{'run' if where in design.run_names else 'port'}:{where}:flow_m3s"
    drawn = expectation(design, gates, air=form.room_air, filter_drag_pasm3=then.drag_pasm3).values[key]
    bags = "clean bags" if then.drag_pasm3 is None else "the bags as they were"
    yield _line(f"the drawing of {where} with {gates_in_words(gates, design)} and {bags}", drawn, room, sd, system)
    if where != last:
        yield f"the estimate is of the whole flow; traverse {last!r} to check it"


def _line(what: str, claimed: Spread, room: float, sd: float, system: System) -> str:
    verdict = agreement(room, sd, claimed.value, claimed.sd)
    return (f"{what}: {show(claimed.value, 'flow', system)} ± {show(claimed.sd, 'flow', system)}, "
            f"{verdict.ratio - 1.0:+.1%} of the traverse, {abs(verdict.gap_sds):.1f} standard deviations: {verdict.words}")


def _meanwhile(form: Form, config: Config) -> Meanwhile:
    path = config.at(config.file.store.file)
    columns: dict[str, list[float]] = {"flow_m3s": [], "flow_sd": [], "filter_drag": []}
    sets: dict[tuple[str, ...], int] = {}
    reader = Reader(path)
    try:
        for frame in reader.frames(form.file.began, form.file.ended):
            if frame["state"] != "running":
                continue
            for name, column in columns.items():
                if frame[name] is not None:
                    column.append(frame[name])
            if frame["gates"] is not None:
                gates = tuple(name for name in config.design.port_names if name in frame["gates"])
                sets[gates] = sets.get(gates, 0) + 1
    except StoreError as error:
        return Meanwhile(str(error))
    finally:
        reader.close()
    likely = max(sets, key=lambda gates: sets[gates]) if sets else None
    drag = _mean(columns["filter_drag"])
    flow = _mean(columns["flow_m3s"])
    if flow is None or len(columns["flow_m3s"]) < ENOUGH_FRAMES:
        seconds = len(columns["flow_m3s"])
        return Meanwhile(f"the store holds {seconds} running seconds with a flow between began and ended", likely, drag)
    # The estimate's error is the same from second to second, so that a mean over minutes keeps all of it.
    return Meanwhile(Spread(flow, {"estimate": _mean(columns["flow_sd"]) or 0.0}), likely, drag)


def _mean(column: list[float]) -> float | None:
    return sum(column) / len(column) if column else None
