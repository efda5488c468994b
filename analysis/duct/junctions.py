"""Losses where streams meet on the way to the fan: what each stream loses in joining the combined one.

The momentum balance across the junction, with one static pressure where all streams end: any number of streams, in any
order, and one that does not flow does not matter. Stream i of flow q and end area a (over the combined area, so that
its velocity is q/a of the combined one) loses, in velocity pressures of the combined stream of flow Q,

    K = A (Q^2 - 2 M + (q/a)^2) / Q^2,   M = sum over all streams of q^2 cos(angle) / a.

Nothing is clamped: a weak stream gains pressure from a strong one. Two empirical terms come from Idelchik (*Handbook of
Hydraulic Resistance*, converging wyes; from memory) and Crane TP-410 (2009): the factor A on what comes from the side
(1 for a < 0.30; for wide ones 0.9 (1 - y), but not below 0.55, y being the share of all that comes from the side), and
for the straight stream -0.45 q/Q for each stream that meets it at a right angle. Their tables jump at a share of 0.4
and an area of 0.35; here they pass smoothly, so that a solver can differentiate them. The handbooks know one side
stream only; where several come in, both terms count by how far one of them prevails (sum of q^2 over square of the
sum): many weak streams from all round meet as the bare balance says (ours, no source). A stream that flows alone round
the corner loses 0.55 of the balance, which is a mitred bend within 10 % (Rennels) where the areas are equal.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from analysis.duct.design import Port, Run

KNEE = 0.39
ROUND = 0.03
_TEE = 0.45


class Meeting(NamedTuple):
    """One stream's loss at a junction, in dynamic pressures over density: A (j0 Q^2 + j1 q Q + j2 q^2 + jet S).

    With two streams or one, M is known from q and Q, and ``jet`` is 0. With more, S = Q^2 - 2 M is shared by all
    streams of the junction and ``along`` q^2 is the stream's own part of M; ``turned`` q is its part of T, and the
    straight stream also loses -``slowed`` Q T. ``wide`` is 0 where A is 1, 1 where it falls to 0.55.
    """

    j0: float = 0.0
    j1: float = 0.0
    j2: float = 0.0
    wide: float = 0.0
    jet: float = 0.0
    along: float = 0.0
    turned: float = 0.0
    slowed: float = 0.0


def meeting(piece: Run | Port, main: Run, others: list[Run | Port], leaks: bool = False) -> Meeting:
    """The loss of ``piece`` where it flows into ``main`` together with ``others`` (and a leak of the run, or none)."""
    whole = main.start_area_m2
    scale = 0.5 / whole**2
    along = _along(piece, whole)
    turned = 0.0 if piece.join.kind == "stated" else _tee(piece.join.angle_deg)
    many = len(others) > 1 or (leaks and bool(others))
    if piece.join.kind == "stated":
        stated = piece.join.k * 0.5 / piece.area_m2**2
        return Meeting(j2=stated, along=along, turned=_tee(piece.join.angle_deg)) if many else Meeting(j2=stated)
    a = piece.end_area_m2 / whole
    wide = _wide(a) if piece.join.angle_deg > 0.0 else 0.0
    straight = piece.join.angle_deg == 0.0
    if many:
        tees = straight and any(_tee(other.join.angle_deg) > 0.0 for other in others)
        return Meeting(0.0, 0.0, scale / a**2, wide, scale, along, turned, scale if tees else 0.0)
    if not others:
        return Meeting(scale, 0.0, scale * (1.0 / a**2 - 2.0 * along), wide)
    beside = _along(others[0], whole)
    tee = _tee(others[0].join.angle_deg) if straight else 0.0
    return Meeting(
        scale * (1.0 - 2.0 * beside - tee), scale * (4.0 * beside + tee),
        scale * (1.0 / a**2 - 2.0 * along - 2.0 * beside), wide,
    )


def _along(piece: Run | Port, whole: float) -> float:
    return math.cos(math.radians(piece.join.angle_deg)) * whole / piece.end_area_m2


def _wide(area_ratio: float) -> float:
    """0 for a stream of less than 0.30 of the combined area, 1 above 0.40, smooth in between."""
    s = min(1.0, max(0.0, (area_ratio - 0.30) / 0.10))
    return s * s * (3.0 - 2.0 * s)


def _tee(angle_deg: float) -> float:
    """What a stream at this angle takes off the straight stream's loss: 0 up to 60 degrees, 0.45 at 90."""
    return _TEE * min(1.0, max(0.0, (angle_deg - 60.0) / 30.0))
