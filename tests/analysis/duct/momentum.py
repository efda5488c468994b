"""What streams lose where they meet, written down once more from the momentum balance: the tests' own second opinion.

One static pressure p in the plane where the streams end; momentum (p - pc) A = rho (Q V - sum q v cos angle). The
factor on side streams and the term for right angles are those that the handbooks add (Idelchik, Crane; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.duct.design import Join, Run
from analysis.duct.junctions import KNEE, ROUND, meeting


@dataclass(frozen=True)
class Stream:
    """A stream: its flow and area over those of the combined stream, and its angle to it."""

    share: float
    area: float
    angle: float


def losses(streams: Sequence[Stream], empirical: bool = True) -> list[float]:
    """Total pressure that each loses, in velocity pressures of the combined stream (shares add up to 1)."""
    carried = sum(s.share * (s.share / s.area) * math.cos(math.radians(s.angle)) for s in streams)
    static = 2.0 * (1.0 - carried)
    beside = [s.share for s in streams if s.angle > 0.0]
    one = sum(share**2 for share in beside) / sum(beside) ** 2 if any(beside) else 0.0
    found = []
    for stream in streams:
        k = static + (stream.share / stream.area) ** 2 - 1.0
        if empirical and stream.angle > 0.0:
            step = min(1.0, max(0.0, (stream.area - 0.3) / 0.1))
            wide = step * step * (3.0 - 2.0 * step)
            excess = KNEE - sum(s.share for s in streams if s.angle > 0.0)
            k *= 1.0 - one * wide * (0.45 - 0.45 * (excess + math.hypot(excess, ROUND)))
        if empirical and stream.angle == 0.0:
            k -= one * sum(0.45 * s.share * min(1.0, max(0.0, (s.angle - 60.0) / 30.0)) for s in streams)
        found.append(k)
    return found


def engine_losses(streams: Sequence[Stream]) -> list[float]:
    """The same from the engine's own columns."""
    whole = 0.02

    def run(area: float, angle: float) -> Run:
        join = Join.straight() if angle == 0.0 else Join.wye(angle)
        return Run("x", "m", math.sqrt(area * whole * 4.0 / math.pi), 0.0, 1.0, join=join)

    main = run(1.0, 0.0)
    pieces = [run(stream.area, stream.angle) for stream in streams]
    meets = [meeting(piece, main, pieces[:i] + pieces[i + 1:]) for i, piece in enumerate(pieces)]
    scale = 0.5 / whole**2
    shared = 1.0 - 2.0 * sum(meet.along * stream.share**2 for meet, stream in zip(meets, streams, strict=True))
    turned = sum(meet.turned * stream.share for meet, stream in zip(meets, streams, strict=True))
    beside = [stream.share for stream in streams if stream.angle > 0.0]
    one = sum(share**2 for share in beside) / sum(beside) ** 2 if any(beside) else 0.0
    found = []
    for meet, stream in zip(meets, streams, strict=True):
        q = stream.share
        excess = KNEE - sum(s.share for s in streams if s.angle > 0.0)
        factor = 1.0 - one * meet.wide * (0.45 - 0.45 * (excess + math.hypot(excess, ROUND)))
        loss = meet.j0 + meet.j1 * q + meet.j2 * q * q + meet.jet * shared - meet.slowed * one * turned
        found.append(factor * loss / scale)
    return found
