"""How much evidence a claim needs: from one budget of false alarms, not from thresholds set one by one.

Evidence is a log-likelihood ratio of a fault against ordinary running, summed from the moment that favours the fault
most (Page's test). Such a sum passes ``h`` by chance about once in ``exp(h)`` independent looks (Wald's inequality), so
the owner's budget of false alarms fixes ``h`` for every condition: it must hold over all looks of thirty days.
"""

from __future__ import annotations

import math

FALSE_ALARMS = 1.0
"""False alarms that a shop may have in 30 days, all conditions together (the contract of the project)."""
STATISTICAL = 8
"""Conditions judged by likelihood that share it evenly; the others are counts against agreed limits."""
RUNNING_S = 60.0 * 3600.0
"""Running in 30 days: two hours a day (common practice, no source). Twice as much raises ``h`` by 0.7."""


def needed(look_s: float, alternatives: int = 1) -> float:
    """Log-likelihood ratio that a claim needs when an independent look comes every ``look_s`` seconds of running and so
    many alternatives are tried at each.

    >>> round(needed(60.0), 1), round(needed(300.0, 10), 1)
    (10.3, 11.0)
    """
    looks = max(RUNNING_S / look_s, 1.0) * alternatives
    return math.log(looks * STATISTICAL / FALSE_ALARMS)


def certainty(evidence: float, threshold: float) -> float:
    """Probability that a claim is right, by its evidence: at the threshold one claim in ten is false, where faults are ten
    times as frequent as the budget of false alarms (the prior); never more than 0.99, since models are wrong too.

    >>> certainty(10.0, 10.0), round(certainty(13.0, 10.0), 3)
    (0.9, 0.99)
    """
    return min(0.99, 1.0 - 0.1 * math.exp(min(threshold - evidence, 0.0)))
