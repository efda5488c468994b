"""How a run or port meets the run that it flows into, as a person writes it."""

from __future__ import annotations

import re

from analysis.duct.design import Join

_WYE = re.compile(r"^wye\s+(\d+(?:\.\d+)?)(?:\s*deg)?$", re.IGNORECASE)

SWEEP_TEE_DEG = 60.0
"""Angle that stands for a tee whose side sweeps in (common practice, no source)."""


def read_join(text: str) -> Join:
    """``straight``, ``wye 45`` (15 to 90 degrees between the streams), ``sweep tee`` or ``tee``. ValueError otherwise.

    >>> read_join("wye 30").angle_deg, read_join("tee").angle_deg
    (30.0, 90.0)
    """
    written = " ".join(text.lower().split())
    if written == "straight":
        return Join.straight()
    if written == "tee":
        return Join.tee()
    if written == "sweep tee":
        return Join.wye(SWEEP_TEE_DEG)
    match = _WYE.match(written)
    if match is None:
        raise ValueError(
            f"{text!r} is not a way to join; allowed: 'straight', 'wye 45' (any angle), 'sweep tee', 'tee'"
        )
    angle = float(match.group(1))
    if not 15.0 <= angle <= 90.0:
        raise ValueError(f"{text!r}: the angle between the streams must lie between 15 and 90 degrees")
    return Join.wye(angle)
