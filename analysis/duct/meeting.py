"""The loss of a junction written out in the flows, for any number of streams that meet.

For two streams these are the forms of :mod:`analysis.duct.junctions`, turned into polynomials so that the solver has
their slopes for nothing; a test holds the two against each other.
"""

from __future__ import annotations

import math

from analysis.duct import elbows, junctions
from analysis.duct.design import Port, Run


def meeting(piece: Run | Port, combined_m2: float, others: list[Run | Port]) -> tuple[float, float, float, float]:
    """Junction of a piece with its neighbours: K = A (j0 + j1 y + j2 y^2) with y its share of the flow.

    The momentum balance 1 + (y/a)^2 - 2 y^2 cos/a - 2 (1 - y)^2 pull, in velocity pressures of the combined stream. What
    the neighbours bring along, ``pull``, is exact for one neighbour (cos/a of it); where more than two streams meet, the
    neighbours count as if they ran at the same speed as each other.
    """
    a = piece.area_m2 / combined_m2
    if piece.join.kind == "stated":
        return 0.0, 0.0, piece.join.k / a**2, 0.0
    if not others:
        return 1.0, 0.0, 1.0 / a**2 - 2.0 / a + elbows.mitre(piece.join.angle_deg) / a**2, 0.0
    beside = sum(other.area_m2 for other in others) / combined_m2
    along = sum(other.area_m2 * math.cos(math.radians(other.join.angle_deg)) for other in others) / combined_m2
    pull = along / beside**2
    cosine = math.cos(math.radians(piece.join.angle_deg))
    j0, j1, j2 = 1.0 - 2.0 * pull, 4.0 * pull, 1.0 / a**2 - 2.0 * cosine / a - 2.0 * pull
    if piece.join.angle_deg == 0.0:
        mean = sum(other.area_m2 * other.join.angle_deg for other in others) / combined_m2 / beside
        tee = 2.0 - junctions._tee(mean)
        return j0 - tee, j1 + tee, j2, 0.0
    straight = any(other.join.angle_deg == 0.0 for other in others)
    return j0, j1, j2, junctions._wide(a) if straight else 0.0
