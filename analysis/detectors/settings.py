"""Settings of the gates as switches report them: the usual air at each, and what departs from it, port by port.

With a gate set reported, the air that flows is known from the bags' pressure, and what this setting usually carries from
earlier visits (before any, from the drawing or the tour, with their uncertainty). A plug takes air at every setting of its
port and at no other; a hose off or a gate that is open unreported adds air at all settings.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.detectors.budget import needed
from analysis.detectors.keeping import Keeping, kept_number
from analysis.detectors.stretches import Look
from analysis.duct.design import DuctDesign

MOST_SETTINGS = 96
SCATTER = 0.03
"""Scatter of the air at one setting from visit to visit before it is learned (hoses lie differently, drag is followed to 2 %)."""
TOUR_SD, DRAWN_SD = 0.04, 0.15
"""How far a setting that was not visited yet lies from the tour's and from the drawing's figure, relative."""
WINDOWS = (1, 2, 3, 4, 6, 8, 12, 16)
PLUG, PLUG_SD = -0.3, 0.2
EXTRA, EXTRA_SD = 0.2, 0.15
"""What a plug takes at its port's settings, and what an open gate, a hose off or a split joint adds (logarithm)."""
MOST_PULL = 12.0
"""No stretch of its own is more evidence than that: a gate half open, a switch that stuck."""
LEAST_SCATTER = 0.02
RETURN = 0.4
MEMORY = 200.0
"""Visits over which a setting's usual air is remembered: long, so that a plug that grows over days does not become usual."""
DAY = 0.03
"""Looks of the same days have this much in common without any fault (one standard deviation): air that nobody measures, a gate
that is not quite open, a hose that lies differently."""


@dataclass(frozen=True, slots=True)
class AirClaim:
    """Air lost at a port (``size`` < 0) or gained (``where`` a port, or "" for anywhere), since when, by what evidence."""

    where: str
    size: float
    since: float
    evidence: float


class Settings(Keeping):
    """``lost`` and ``extra`` are what departs now; ``why_not`` why nothing can be judged."""

    KEPT = ("_book", "_scatter", "_rows", "_lost", "_extra", "_reported")

    def __init__(self, design: DuctDesign, toured: bool) -> None:
        self._ports = [port.name for port in design.ports if port.has_gate]
        self._first_sd = TOUR_SD if toured else DRAWN_SD
        self._book: dict[str, list[float]] = {}
        self._scatter = SCATTER**2
        self._rows: list[list[object]] = []
        self._lost: list[object] = []
        self._extra: list[object] = []
        self._reported = False
        self.threshold = needed(300.0, len(WINDOWS) * 2)

    @property
    def lost(self) -> AirClaim | None:
        """Air that is missing at a port."""
        return _claim(self._lost)

    @property
    def extra(self) -> AirClaim | None:
        """Air that no reported setting explains."""
        return _claim(self._extra)

    @property
    def reported(self) -> bool:
        """Whether gate switches report every gate."""
        return self._reported

    def forget(self) -> None:
        """The ducts are other ones now."""
        self._book, self._rows, self._lost, self._extra = {}, [], [], []

    def look(self, look: Look, log_drag: float | None) -> None:
        """Take in a look."""
        self._reported = look.gates is not None
        if look.gates is None or look.along is None or log_drag is None or look.along <= -1.0:
            return
        key = "\n".join(look.gates)
        air = math.log1p(look.along)
        visits, mean = self._book.get(key, [0.0, 0.0])
        doubt = self._scatter / visits if visits else max(self._first_sd, look.along_sd) ** 2
        if visits:
            doubt = 1.0 / (1.0 / doubt + max(self._first_sd, look.along_sd) ** -2)
        variance = self._scatter + doubt
        rest = air - mean
        variance = max(variance, rest * rest / (2.0 * MOST_PULL))
        row: list[object] = [look.began_t, key, rest, variance]
        if look.weight < 1.0 and self._rows and self._rows[-1][1] == key:
            self._rows[-1] = [self._rows[-1][0], key, rest, variance]  # the same stretch, seen for longer
        else:
            self._rows = [*self._rows[-(4 * WINDOWS[-1] - 1):], row]
        suspected = self._judge()
        if suspected or self._lost or self._extra:
            return
        share = max(look.weight / (visits + look.weight), 1.0 / MEMORY)
        if visits and look.weight == 1.0:
            square = min(rest * rest, 9.0 * variance) - doubt
            self._scatter = max(self._scatter + 0.03 * (square - self._scatter), LEAST_SCATTER**2)
        self._book.pop(key, None)
        self._book[key] = [min(visits + look.weight, MEMORY), mean + share * (air - mean)]
        if len(self._book) > MOST_SETTINGS:
            self._book.pop(next(iter(self._book)))

    def _judge(self) -> bool:
        lost = [(self._evidence(port, PLUG, PLUG_SD), port) for port in self._ports]
        (evidence, size, since), port = max(lost) if lost else ((0.0, 0.0, 0.0), "")
        more = [(self._evidence(port, EXTRA, EXTRA_SD), port) for port in (None, *self._ports)]
        (extra, extra_size, extra_since), at = max(more, key=lambda pair: pair[0])
        if (self._lost and not self._kept(self._lost, str(self._lost[0]))) or (
                self._extra and not self._kept(self._extra, str(self._extra[0]) or None)):
            self._lost, self._extra, self._rows = [], [], []  # over: what was seen meanwhile is no evidence any more
            return True
        if not self._lost and evidence > self.threshold and evidence > extra and size < 0.0:
            self._lost = [port, size, since, evidence]
        if not self._extra and extra > self.threshold and extra > evidence and extra_size > 0.0:
            self._extra = [at or "", extra_size, extra_since, extra]
        return max(evidence, extra) > 0.5 * self.threshold

    def _kept(self, claim: list[object], port: str | None) -> bool:
        """Whether the last looks still bear the claim out."""
        own = [row for row in self._rows if port is None or port in str(row[1]).split("\n")][-4:]
        own = [row for row in own if kept_number(row[0]) >= kept_number(claim[2])]
        if len(own) < 4:
            return True
        size = sum(kept_number(row[2]) for row in own) / len(own)
        return size * math.copysign(1.0, kept_number(claim[1])) > RETURN * abs(kept_number(claim[1]))

    def _evidence(self, port: str | None, size: float, spread: float) -> tuple[float, float, float]:
        """Best window: evidence of a size near ``size`` against none, the size, and since when. Looks at which the port is shut
        say nothing of a plug there; two looks at least."""
        best = (0.0, 0.0, 0.0)
        a = b = 0.0
        count = 0
        for row in reversed(self._rows):
            if port is not None and port not in str(row[1]).split("\n"):
                continue
            rest, variance = kept_number(row[2]), kept_number(row[3])
            count, a, b = count + 1, a + rest / variance, b + 1.0 / variance
            if count > WINDOWS[-1]:
                break
            if count < 2 or count not in WINDOWS:
                continue
            # Size normal about ``size``: the log of the marginal likelihood over that of none.
            precision = b + spread**-2
            found = (a + size / spread**2) / precision
            value = 0.5 * precision * found**2 - 0.5 * (size / spread) ** 2 - 0.5 * math.log(precision * spread**2)
            # Ordinary days: a common size that is normal about 0.
            value -= 0.5 * a * a / (b + DAY**-2) - 0.5 * math.log1p(DAY**2 * b)
            if value > best[0]:
                best = (value, found, kept_number(row[0]))
        return best


def _claim(row: list[object]) -> AirClaim | None:
    return AirClaim(str(row[0]), kept_number(row[1]), kept_number(row[2]), kept_number(row[3])) if row else None
