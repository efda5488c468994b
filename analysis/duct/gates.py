"""The gate of a port, as a person writes it ("blast", "butterfly leak 3 %"): its loss open and its leakage shut."""

from __future__ import annotations

import re
from dataclasses import dataclass

from analysis import units
from analysis.duct.written import FittingError, meant, plain

GATE_FORMS = "'blast', 'tight', 'butterfly', 'none'; a leakage may follow: 'blast leak 2 %'"

_LEAK = re.compile(r"^(.+?)\s+leak\s+(.+)$", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Gate:
    """A gate: loss ``open_k`` when open [velocity pressures], None where there is no gate; ``leak_fraction``
    effective leakage area when shut over duct area [-] (flow = area sqrt(2 dp/rho)); ``leak_sd`` its relative
    standard deviation."""

    text: str
    open_k: float | None
    leak_fraction: float
    leak_sd: float = 0.5


GATES = {
    "blast": Gate("blast", 0.15, 0.010),
    "tight": Gate("tight", 0.15, 0.002),
    "butterfly": Gate("butterfly", 0.35, 0.020),
    "none": Gate("none", None, 0.0, 0.0),
}
"""Gates by name: sliding blast gate, gate with a seal, disc that turns in the duct, no gate (common practice, no
source; a fully open gate valve of the Crane method has K of about 0.13)."""


def gate(text: str) -> Gate:
    """The gate as written: one of :data:`GATE_FORMS`. Raises :class:`FittingError` naming them.

    >>> gate("blast leak 2 %").leak_fraction
    0.02
    """
    written = plain(text)
    low, leak = written.lower(), None
    if match := _LEAK.match(low):
        low = match.group(1)
        try:
            leak = units.parse(match.group(2), "fraction")
        except units.UnitError as error:
            raise FittingError(f"{text!r}: {error}") from error
        if not 0.0 <= leak <= 0.5:
            raise FittingError(f"{text!r}: the leakage area must lie between 0 % and 50 % of the duct's area")
    low = low.removesuffix(" gate").removesuffix(" valve")
    low = {"no": "none", "sliding": "blast", "slide": "blast", "disc": "butterfly"}.get(low, low)
    if low not in GATES or (low == "none" and leak is not None):
        raise FittingError(f"{text!r} is not a gate{meant(text, [*GATES, 'blast leak 2 %'])}; allowed: {GATE_FORMS}")
    known = GATES[low]
    return known if leak is None else Gate(written, known.open_k, leak, known.leak_sd)
