"""Is it enough? How many more running minutes a side the answer needs, or what stands in the way of any number."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.compare.fitted import Fit
from analysis.compare.judge import FORM_SD, duct_slopes

Floats = npt.NDArray[np.float64]

AIM_SD = 0.01
"""The flow at a port is to be known within one percentage point (one standard deviation)."""
MOST_TIMES = 400.0


@dataclass(frozen=True, slots=True)
class Enough:
    """Whether the change of the flow at ``where`` is known well enough.

    ``sd`` of the duct's part now; ``more_s`` running seconds that each side needs beyond what it has (0: enough, None: no
    running brings it about); ``best_sd`` what it would be with endless running; ``limits`` what is then left, the largest
    first, as shares of that variance: ``air``, ``mains``, ``fan and motor``, ``ducts``, ``which run was cut``, ``form``.
    """

    where: str
    sd: float
    more_s: float | None
    best_sd: float
    limits: tuple[tuple[str, float], ...]


def enough(found: Fit, number: int, seconds: tuple[float, float], aim_sd: float = AIM_SD) -> tuple[Enough, ...]:
    """For each open port of gate set ``number``. More running is thought of as more runs like those there are."""
    told = []
    for (measure, where), (value, slope) in duct_slopes(found, number).items():
        if measure != "flow":
            continue
        shared = found.layout.shared
        form = (FORM_SD * value) ** 2
        short = slope[shared]
        prior = found.prior
        own = float(slope @ found.covariance[found.best] @ slope)

        def variance(
            times: float, short: Floats = short, prior: Floats = prior, own: float = own
        ) -> float:
            covariance = np.linalg.inv(prior + times * found.information)
            here = np.linalg.inv(prior + found.information)
            # What of the present variance the shared unknowns do not hold falls as the mean of independent runs does.
            rest = max(own - float(short @ here @ short), 0.0)
            return max(float(short @ covariance @ short), 0.0) + rest / times

        now = math.sqrt(variance(1.0) + form)
        endless = math.sqrt(variance(MOST_TIMES) + form)
        more = _more(variance, form, aim_sd, now, endless)
        limits = _limits(found, short, prior, form)
        told.append(Enough(where, now, None if more is None else more * min(seconds), endless, limits))
    return tuple(told)


def _more(variance: Callable[[float], float], form: float, aim: float, now: float, endless: float) -> float | None:
    if now <= aim:
        return 0.0
    if endless > aim:
        return None
    low, high = 1.0, MOST_TIMES
    for _ in range(40):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if math.sqrt(variance(middle) + form) > aim else (low, middle)
    return high - 1.0


def _limits(found: Fit, short: Floats, prior: Floats, form: float) -> tuple[tuple[str, float], ...]:
    lay = found.layout
    covariance = np.linalg.inv(prior + MOST_TIMES * found.information)
    groups = {
        "air": [lay.density], "mains": [lay.volts], "fan and motor": [slice(0, lay.ports.start)],
        "ducts": [slice(lay.ports.start, lay.parts.stop), lay.offset], "which run was cut": [lay.leaks, lay.joints],
    }
    shares = {}
    for name, slices in groups.items():
        places = np.concatenate([np.arange(s.start, s.stop) for s in slices])
        # What the variance would lose if these were known.
        block = covariance[np.ix_(places, places)]
        pull = covariance[:, places].T @ short
        shares[name] = float(pull @ np.linalg.solve(block + 1e-18 * np.eye(len(places)), pull))
    shares["form"] = form
    whole = sum(shares.values())
    ranked = sorted(shares.items(), key=lambda row: -row[1])
    return tuple((name, share / whole) for name, share in ranked) if whole > 0.0 else ()
