"""A shop before and after a run was added to it, with the true change at every old port: for the comparison.

    pair = added.pair("choose", 12, days=14, gates_known=False, tour_before=False, tour_after=False, loads=True)
    pair.before, pair.after           # recordings: pair.before.samples(gates_known=...) or write.write(...)
    pair.toml, pair.toml_after        # the drawing without and with the new run
    pair.truth[port]["port_flow_m3s"] # {"before", "after", "run_pct", "filter_pct", "total_pct"}

``truth`` is for each old port open alone, in standard air at the plate's speed: ``run_pct`` is what the new run does with
its gate shut, at the drag before; ``filter_pct`` what the bags do, in the old ducts; ``total_pct`` both. Measures:
``port_flow_m3s``, ``inlet_static_pa``, ``main_velocity_ms``. ``added=False`` makes the same without any change of the
ducts, to count claims of what is not there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from tests.ground.habits import DAY
from tests.ground.plant import DRAGS, Duct, Plant, State
from tests.ground.record import START, Recording, record
from tests.ground.shops import Shop, make
from tests.ground.write import shop_toml

NEW = "new machine"


@dataclass(frozen=True)
class Pair:
    """Both sides. ``joined`` is the run that was cut into, ``drag_x`` the drag over clean on each side."""

    before: Recording
    after: Recording
    toml: str
    toml_after: str
    joined: str
    drag_x: tuple[float, float]
    truth: dict[str, dict[str, dict[str, float]]]


def with_run(shop: Shop) -> tuple[Shop, str]:
    """The shop with one more port, and the name of the run that was cut: the pipe's upper part becomes a run of its own."""
    rng, ducts = shop.rng("added"), list(shop.plant.ducts)
    cut = shop.plant.runs[int(rng.integers(len(shop.plant.runs)))]
    old, share = ducts[cut], float(rng.uniform(0.3, 0.7))
    upper = len(ducts)
    for i, duct in enumerate(ducts):
        if duct.into == cut:
            ducts[i] = replace(duct, into=upper)
    ducts[cut] = replace(old, length=old.length * share, k=old.k * share, leak_m2=old.leak_m2 * share)
    loose = float(np.exp(rng.uniform(np.log(1e-5), np.log(1.5e-4))))  # the new joints' leak, 0.1 to 1.5 cm2
    ducts.append(
        Duct(
            f"{old.name} upper",
            cut,
            old.diameter,
            old.length * (1 - share),
            old.rough,
            old.k * (1 - share) + float(rng.uniform(0.02, 0.12)),
            leak_m2=old.leak_m2 * (1 - share) + loose,
        )
    )
    drop = next(d for d in ducts if d.port)
    ducts.append(
        Duct(
            NEW, cut, min(drop.diameter, old.diameter), float(rng.uniform(1.0, 4.0)), drop.rough,
            float(rng.uniform(0.2, 0.9)), float(rng.choice([30.0, 45.0, 60.0, 90.0])), port=True,
            entry_k=float(rng.uniform(0.6, 3.0)), leak=float(np.exp(rng.uniform(np.log(0.005), np.log(0.05)))),
            hose=float(rng.uniform(0.5, 2.0)),
        )
    )
    plant = shop.plant
    made = Plant(tuple(ducts), plant.fan, plant.clean_drag, plant.quadratic, plant.mixing, plant.before_tap)
    return replace(shop, plant=made), old.name


def pair(
    family: str,
    seed: int,
    *,
    days: int = 14,
    tour_before: bool = False,
    tour_after: bool = False,
    loads: bool = False,
    added: bool = True,
    air: bool = False,
) -> Pair:
    """Both sides of one shop, ``days`` days each with two days of work between. ``loads`` lets the bags load in between
    (else they are cleaned before each side), ``air`` measures air and line too. The new port is used like the others."""
    shop = make(family, seed)
    later, joined = with_run(shop) if added else (shop, "")
    load = float(shop.rng("loads").uniform(0.25, 0.7)) if loads else 0.0
    common: dict[str, Any] = {"healthy": True, "cleaned": False, "air": air}
    before = record(shop, days, tour=tour_before, what="before", **common)
    start = START + (days + 2) * DAY
    after = record(later, days, start=start, tour=tour_after, what="after", loaded=load, **common)
    x = tuple(float(np.mean(r.true["drag"][r.on]) / shop.bags.clean) for r in (before, after))
    truth = {}
    for i, port in enumerate(shop.ports):
        old = _alone(shop, i, x[0])
        changed, dirty, both = _alone(later, i, x[0]), _alone(shop, i, x[1]), _alone(later, i, x[1])
        truth[port] = {
            name: {
                "before": old[name],
                "after": both[name],
                "run_pct": 100 * (changed[name] / old[name] - 1),
                "filter_pct": 100 * (dirty[name] / old[name] - 1),
                "total_pct": 100 * (both[name] / old[name] - 1),
            }
            for name in old
        }
    return Pair(before, after, shop_toml(shop, air), shop_toml(later, air), joined, (x[0], x[1]), truth)


def _alone(shop: Shop, place: int, drag_x: float) -> dict[str, float]:
    """The three measures with one port open."""
    plant, n = shop.plant, len(shop.ports)
    solved = plant.solve([State(tuple(float(i == place) for i in range(n)))])[0]

    def at(values: np.ndarray) -> float:
        return float(np.interp(np.log(drag_x), np.log(DRAGS), values))

    root = next(d for d in plant.ducts if d.into < 0)
    return {
        "port_flow_m3s": at(solved.ducts[:, plant.ports[place]]),
        "inlet_static_pa": at(solved.inlet),
        "main_velocity_ms": at(solved.flow) / root.area,
    }
