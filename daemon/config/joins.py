"""How a run or port meets the run that it flows into, as a person writes it."""

from __future__ import annotations

import re

from analysis.duct.design import Join
from analysis.duct.written import NUMBER, meant, plain

_WYE = re.compile(rf"^(?:(?:wye|y|branch|lateral)(?:\s*{NUMBER})?|{NUMBER}\s+(?:wye|y|branch|lateral))(?:\s+k\s*=?\s*{NUMBER})?$")
_STATED = re.compile(rf"^(?:(straight|tee|sweep tee)\s+)?k\s*=?\s*{NUMBER}$")
_STRAIGHT = ("straight", "straight on", "straight through", "inline", "in line")
_TEE = ("tee", "t", "tee 90", "t 90", "90 tee", "t-piece")

SWEEP_TEE_DEG = 60.0
"""Angle that stands for a tee whose side sweeps in (common practice, no source)."""
USUAL_WYE_DEG = 45.0
"""Angle of a wye whose angle is not written (common practice, no source)."""

JOIN_FORMS = (
    "'straight', 'wye 45' (15 to 90 degrees), 'sweep tee', 'tee'; a loss measured or from a handbook, in velocity"
    " pressures of the joining piece, may stand for it: 'wye 45 K 0.3', 'tee K 1.1', 'K 0.3'"
)


def read_join(text: str) -> Join:
    """One of :data:`JOIN_FORMS`, and what people write for them. ValueError otherwise.

    >>> read_join("wye 30").angle_deg, read_join("45° wye").angle_deg, read_join("T").angle_deg
    (30.0, 45.0, 90.0)
    """
    written = plain(text).lower()
    if written in _STRAIGHT:
        return Join.straight()
    if written in _TEE:
        return Join.tee()
    if written == "sweep tee":
        return Join.wye(SWEEP_TEE_DEG)
    stated = _STATED.match(written)
    if stated:
        angle = {"tee": 90.0, "sweep tee": SWEEP_TEE_DEG}.get(stated.group(1) or "", 0.0)
        return Join.stated(float(stated.group(2)), angle)
    match = _WYE.match(written)
    if match is None:
        forms = ("straight", "wye 45", "wye 30", "sweep tee", "tee", "wye 45 k 0.3", "k 0.3")
        raise ValueError(f"{text!r} is not a way to join{meant(text, forms)}; allowed: {JOIN_FORMS}")
    angle = float(match.group(1) or match.group(2) or USUAL_WYE_DEG)
    if not 15.0 <= angle <= 90.0:
        raise ValueError(f"{text!r}: the angle between the streams must lie between 15 and 90 degrees")
    return Join.wye(angle) if match.group(3) is None else Join.stated(float(match.group(3)), angle)
