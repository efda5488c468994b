"""A Pitot traverse of a round duct: where the tip goes, and the flow from what it reads there.

The air in a duct is fastest in the middle and slow at the wall, so one reading says little. A traverse reads the velocity
pressure at agreed places on two or three diameters; the places are chosen so that the plain mean of the *velocities* (not of
the pressures) is the mean over the cross-section.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

Method = Literal["log-linear", "log-tchebycheff", "equal-area"]

_FROM_WALL: dict[tuple[str, int], tuple[float, ...]] = {
    ("log-linear", 3): (0.032, 0.135, 0.321),
    ("log-linear", 4): (0.021, 0.117, 0.184, 0.345),
    ("log-tchebycheff", 3): (0.032, 0.137, 0.312),
    ("log-tchebycheff", 4): (0.024, 0.100, 0.194, 0.334),
}
"""Distance from the wall over the diameter: ISO 5802:2001, tables 2 and 3 (seen in a copy of that page)."""

PITOT_SD = 0.005
"""Factor of a standard Pitot-static tube in straight air (from memory, ISO 3966: within 1 % of one)."""
PLACES_SD = {3: 0.015, 4: 0.010}
"""What a mean over so many places a radius misses in a duct that is not quite straight (ours)."""
DENSITY_SD = 0.01
"""Density of the air where temperature and barometer are read off simple instruments (ours)."""


def wall_distances(method: Method, per_radius: int = 3) -> tuple[float, ...]:
    """Distance of each place from the near wall over the diameter, from the near wall to the far one.

    ``log-linear`` and ``log-tchebycheff`` as ISO 5802 lays them out (3 or 4 places a radius; ISO 3966 is the standard
    behind them); ``equal-area`` puts each place so that it halves one of ``per_radius`` rings of equal area:
    r/R = sqrt((2 i - 1) / (2 n)), 1 to 10 places a radius. Raises ValueError for another number of places.

    >>> wall_distances("log-linear", 3)
    (0.032, 0.135, 0.321, 0.679, 0.865, 0.968)
    """
    if method == "equal-area":
        if not 1 <= per_radius <= 10:
            raise ValueError(f"{per_radius} places a radius; allowed are 1 to 10")
        near = tuple(
            0.5 * (1.0 - math.sqrt((2 * ring - 1) / (2 * per_radius))) for ring in range(per_radius, 0, -1)
        )
    else:
        found = _FROM_WALL.get((method, per_radius))
        if found is None:
            raise ValueError(f"{method} with {per_radius} places a radius is not laid out here; allowed are 3 and 4")
        near = found
    return near + tuple(1.0 - y for y in reversed(near))


@dataclass(frozen=True, slots=True)
class Traverse:
    """What a traverse found.

    ``velocity_ms`` mean velocity, ``flow_m3s`` flow at the state of the air in the duct; ``flow_sd`` one standard deviation
    of it with its ``parts`` (relative); ``velocities`` by line and place; ``line_means`` by line; ``remarks`` what is to be
    doubted.
    """

    velocity_ms: float
    flow_m3s: float
    flow_sd: float
    parts: dict[str, float]
    velocities: tuple[tuple[float, ...], ...]
    line_means: tuple[float, ...]
    remarks: tuple[str, ...]

    def at_density(self, here_kgm3: float, there_kgm3: float) -> float:
        """The same mass of air as a flow [m3/s] at another density (the room's, which the duct model uses)."""
        return self.flow_m3s * here_kgm3 / there_kgm3


def traverse(
    velocity_pressures_pa: Sequence[Sequence[float]], diameter_m: float, density_kgm3: float, *,
    pitot_factor: float = 1.0, gauge_sd_pa: float = 0.0, diameter_sd_m: float | None = None, stem_m: float | None = None,
) -> Traverse:
    """The flow from velocity pressures [Pa], a sequence for each diameter that was traversed.

    V = C sqrt(2 p / rho) at each place, the plain mean of V, times the area of the mean diameter. ``pitot_factor`` C is 1
    for a standard Pitot-static tube (about 0.84 for the S type of stack testing); ``gauge_sd_pa`` one standard deviation of
    the gauge [Pa], the same error at every place; ``diameter_sd_m`` that of the measured inside diameter (None: 0.5 % of
    it); ``stem_m`` diameter of the tube's stem [m] where it is known. A negative reading counts as no flow there, with a
    remark. Raises ValueError for no reading at all, lines of different length, or a diameter or density that is not above
    zero.

    >>> found = traverse([[120, 150, 165, 164, 149, 121]] * 2, 0.1543, 1.19)
    >>> round(found.velocity_ms, 2), round(found.flow_m3s, 4)
    (15.57, 0.2911)
    """
    if not velocity_pressures_pa or not all(velocity_pressures_pa):
        raise ValueError("there is no reading")
    lengths = {len(line) for line in velocity_pressures_pa}
    if len(lengths) != 1:
        raise ValueError(f"the diameters have {', '.join(map(str, sorted(lengths)))} readings; each needs the same number")
    if not (diameter_m > 0.0 and density_kgm3 > 0.0 and pitot_factor > 0.0):
        raise ValueError("diameter, density and Pitot factor must be above zero")
    flat = [p for line in velocity_pressures_pa for p in line]
    if not all(math.isfinite(p) for p in flat):
        raise ValueError("a reading is not a number")
    velocities = tuple(
        tuple(pitot_factor * math.sqrt(2.0 * max(p, 0.0) / density_kgm3) for p in line)
        for line in velocity_pressures_pa
    )
    every = [v for line in velocities for v in line]
    mean = sum(every) / len(every)
    if mean <= 0.0:
        raise ValueError("no reading is above zero: is the tube the wrong way round, or are its hoses swapped?")
    means = tuple(sum(line) / len(line) for line in velocities)
    area = math.pi / 4.0 * diameter_m**2
    # v ~ sqrt(p): half the relative error of p, weighted by v; places of no flow cannot be halved further.
    gauge = sum(0.5 * v * min(gauge_sd_pa / p, 1.0) for v, p in zip(every, flat, strict=True) if p > 0.0) / sum(every)
    uneven = 0.0
    if len(means) > 1:
        spread = sum((m - mean) ** 2 for m in means) / (len(means) - 1)
        uneven = math.sqrt(spread / len(means)) / mean
    blocked = stem_blockage(stem_m, diameter_m)
    per_radius = len(velocities[0]) // 2
    parts = {
        "Pitot tube": PITOT_SD, "gauge": gauge, "number of places": PLACES_SD.get(min(per_radius, 4), 0.03),
        "unevenness between diameters": uneven,
        "inside diameter": 2.0 * (0.005 if diameter_sd_m is None else diameter_sd_m / diameter_m),
        "air density": 0.5 * DENSITY_SD, "stem in the way": 0.5 * blocked,
    }
    flow = mean * area
    sd = flow * math.sqrt(sum(part * part for part in parts.values()))
    return Traverse(mean, flow, sd, parts, velocities, means, _remarks(velocity_pressures_pa, velocities, means, blocked))


def stem_blockage(stem_m: float | None, diameter_m: float) -> float:
    """Share of the cross-section that the stem takes on average, pushed in half way: (4/pi)(d/D)/2; 0 where not known.

    The air speeds up around it, so readings are too high by up to about this share.

    >>> round(stem_blockage(0.008, 0.1), 3)
    0.051
    """
    return 0.0 if stem_m is None else 2.0 / math.pi * stem_m / diameter_m


def _remarks(
    pressures: Sequence[Sequence[float]], velocities: Sequence[Sequence[float]], means: Sequence[float], blocked: float
) -> tuple[str, ...]:
    found: list[str] = []
    flat = list(itertools.chain.from_iterable(pressures))
    backwards = [
        f"{line + 1}.{place + 1}" for line, row in enumerate(pressures) for place, p in enumerate(row) if p < 0.0
    ]
    if backwards:
        found.append(
            f"negative at {', '.join(backwards)} (line.place): the air turns back there, or a hose is plugged; counted as none"
        )
    weak = sum(1 for p in flat if p < 0.1 * max(flat))
    if weak > 0.25 * len(flat):
        found.append(
            f"{weak} of {len(flat)} readings are below a tenth of the largest; more than a quarter means a place that is too "
            "uneven to traverse (a rule of AMCA 203, from memory): choose one farther from the bend"
        )
    mean = sum(means) / len(means)
    if len(means) > 1 and max(means) - min(means) > 0.10 * mean:
        found.append(
            f"the diameters differ by {(max(means) - min(means)) / mean:.0%} in mean velocity: the stream is one-sided here"
        )
    if len(means) < 2:
        found.append("one diameter only: a stream that leans to one side goes unseen")
    for number, row in enumerate(velocities):
        half = len(row) // 2
        near, far = sum(row[:half]), sum(row[-half:])
        if half and abs(near - far) > 0.2 * (near + far) / 2.0:
            found.append(f"diameter {number + 1}: its near and far halves differ by more than 20 %")
    if blocked > 0.02:
        found.append(
            f"the stem takes {blocked:.1%} of the cross-section; a thinner tube disturbs less (1/8 in for ducts up to 10 in)"
        )
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Agreement:
    """Two flows held against each other: ``ratio`` of the second to the first, ``gap_sds`` their difference in combined
    standard deviations, and the verdict in words."""

    ratio: float
    gap_sds: float
    words: str


def agreement(measured: float, measured_sd: float, claimed: float, claimed_sd: float) -> Agreement:
    """Whether a claimed flow agrees with a measured one: within two combined standard deviations it does.

    >>> agreement(0.30, 0.01, 0.31, 0.012).words
    'they agree'
    """
    combined = math.hypot(measured_sd, claimed_sd)
    gap = (claimed - measured) / combined
    if abs(gap) <= 2.0:
        words = "they agree"
    elif abs(gap) <= 3.0:
        words = "they differ more than expected: repeat the traverse before you believe either"
    else:
        words = "they contradict each other: look for the reason"
    return Agreement(claimed / measured, gap, words)
