"""Dust in the plant: chips into the chip bag, fines onto the cloth, chips carried over once the bag is full, chores.

Every kilogram that machines make is afterwards in the chip bag, on the cloth, or carried out of the shop by a chore.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.plant.day import Chore
from analysis.plant.shop import Array, Bags

LIFTED_KGS = 1.0e-4
"""Chips that the air lifts each second from an overfull bag even while nothing is cut (common practice, no source)."""


@dataclass
class DustState:
    """What lies where [kg]: fines and coarse chips on the cloth, chips in the bag, carried out so far.

    ``blind`` is drag that cleaning does not bring back [Pa s/m3]; only washing does.
    """

    fines_kg: float = 0.0
    coarse_kg: float = 0.0
    bag_kg: float = 0.0
    out_kg: float = 0.0
    blind: float = 0.0
    made_kg: float = 0.0

    @classmethod
    def at(cls, bags: Bags, drag_ratio: float = 1.0, bag_fill: float = 0.0) -> DustState:
        """The state with this drag over clean drag (from fines alone) and this share of the chip bag filled."""
        if drag_ratio < 1.0 or bag_fill < 0.0:
            raise ValueError("drag ratio must be at least 1 and the bag's fill at least 0")
        fines = (drag_ratio - 1.0) * bags.clean_drag * bags.area_m2**2 / bags.cake_k2
        bag = bag_fill * bags.chip_bag_kg
        return cls(fines_kg=fines, bag_kg=bag, made_kg=fines + bag)

    def cake(self, bags: Bags) -> float:
        """Drag of cloth and cake [Pa s/m3]: ``S = Se + K2 W / A^2``, with W in kg on the area A."""
        return (
            bags.clean_drag
            + self.blind
            + bags.cake_k2 / bags.area_m2**2 * (self.fines_kg + bags.coarse * self.coarse_kg)
        )

    def fill(self, bags: Bags) -> float:
        """Share of the chip bag that is full."""
        return self.bag_kg / bags.chip_bag_kg


def carry(fill: Array, bags: Bags) -> Array:
    """Share of the chips that go up into the filter bags: none to 95 % full, ``carry_over`` from 107 % on, and nearly
    all where there is no room left (170 %)."""
    rise = np.clip((fill - 0.95) / 0.12, 0.0, 1.0)
    brim = np.clip((fill - 1.4) / 0.3, 0.0, 1.0)
    return np.asarray(bags.carry_over * rise * rise * (3.0 - 2.0 * rise) + 0.9 * brim * brim)


def load_bags(
    dust: DustState, bags: Bags, chips_kgs: Array, fines_kgs: Array, running: int, filled_kg: Array
) -> tuple[Array, Array, Array]:
    """Takes a run's dust into the state; gives drag of cloth and cake, fill and carried share at each second.

    ``running`` is the number of seconds with the fan on; the rest of the arrays coasts. ``filled_kg`` is what is put
    into the chip bag from outside.
    """
    carried = carry((dust.bag_kg + np.cumsum(chips_kgs + filled_kg)) / bags.chip_bag_kg, bags)
    lifted = np.minimum(carried / bags.carry_over, 1.0) * LIFTED_KGS
    lifted[running:] = 0.0
    coarse = (chips_kgs - fines_kgs) * np.minimum(carried, 0.95) + lifted
    fines_kg = dust.fines_kg + np.cumsum(fines_kgs)
    coarse_kg = dust.coarse_kg + np.cumsum(coarse)
    bag_kg = dust.bag_kg + np.cumsum(chips_kgs + filled_kg - fines_kgs - coarse)
    drag = bags.clean_drag + dust.blind + bags.cake_k2 / bags.area_m2**2 * (fines_kg + bags.coarse * coarse_kg)
    dust.fines_kg, dust.coarse_kg, dust.bag_kg = float(fines_kg[-1]), float(coarse_kg[-1]), float(bag_kg[-1])
    dust.made_kg += float(np.sum(chips_kgs) + np.sum(filled_kg))
    return drag, bag_kg / bags.chip_bag_kg, carried


def stopped(dust: DustState, bags: Bags) -> None:
    """The bags collapse as the air stops: a little fine cake and more of the loose chips fall into the chip bag."""
    fines, coarse = bags.slump * dust.fines_kg, min(8.0 * bags.slump, 1.0) * dust.coarse_kg
    dust.fines_kg -= fines
    dust.coarse_kg -= coarse
    dust.bag_kg += fines + coarse


def tend(dust: DustState, bags: Bags, chores: Sequence[Chore]) -> list[str]:
    """Does the chores whose limits are passed; says which were done: "cleaned", "emptied", "washed"."""
    done = []
    for chore in chores:
        if dust.fill(bags) <= chore.fill_above or dust.cake(bags) / bags.clean_drag <= chore.ratio_above:
            continue
        if chore.kind in ("clean", "wash"):
            left = bags.left_after_cleaning
            shaken = (1.0 - left) * dust.fines_kg
            dust.bag_kg += shaken + dust.coarse_kg
            dust.fines_kg, dust.coarse_kg = left * dust.fines_kg, 0.0
            dust.blind = (
                0.0 if chore.kind == "wash" else dust.blind + bags.blinding * bags.cake_k2 / bags.area_m2**2 * shaken
            )
            done.append("cleaned" if chore.kind == "clean" else "washed")
        elif chore.kind == "empty":
            dust.out_kg += dust.bag_kg
            dust.bag_kg = 0.0
            done.append("emptied")
        else:
            raise ValueError(f"{chore.kind!r} is no chore; there are clean, empty, wash")
    return done
