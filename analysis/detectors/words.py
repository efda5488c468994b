"""Small pieces that detectors share: probabilities and the "not yet known" finding."""

from __future__ import annotations

import math

from analysis.conditions import Condition
from analysis.findings import Claim, Finding


def probability_above(value: float, sd: float, limit: float) -> float:
    """Probability that a quantity known as ``value`` with ``sd`` is above ``limit`` (normal).

    >>> probability_above(1.0, 0.1, 1.0)
    0.5
    """
    if sd <= 0.0:
        return 1.0 if value > limit else 0.0
    return 0.5 * math.erfc((limit - value) / (sd * math.sqrt(2.0)))


def not_yet_known(t: float, condition: Condition, reason: str, where: str = "") -> Finding:
    """The claim of a detector that cannot tell, with the reason."""
    return Finding(t=t, condition=condition, claim=Claim.NOT_YET_KNOWN, where=where, reason=reason)
