"""Finding: one detector's claim about the shop at one instant, with its evidence in numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from analysis.conditions import TEXTS, Condition
from analysis.quick import quick

UNDECIDED = 0.5
"""A claim no surer than this has a rival that is as likely: it asks nobody to stop."""


class Claim(StrEnum):
    """What a detector says of its condition."""

    NOT_YET_KNOWN = "not_yet_known"
    """Still learning, or the channels it needs are missing; ``reason`` says which."""
    ABSENT = "absent"
    PRESENT = "present"


@quick
@dataclass(frozen=True, slots=True)
class Evidence:
    """One number behind a claim: SI value, its kind of quantity (for display) and what it is in plain words."""

    value: float
    kind: str
    words: str


@quick
@dataclass(frozen=True, slots=True)
class Finding:
    """A detector's claim. ``where`` names the port, channel or part ("" for the whole unit).

    ``confidence`` is the probability, 0..1, that the claim is right; ``since`` the event time from which it holds.
    ``could_be`` lists what else the same numbers could mean. ``forecast_s`` is running time until the condition is
    expected, where the detector can tell. ``explained_by`` names the condition whose root cause explains this one.
    """

    t: float
    condition: Condition
    claim: Claim
    where: str = ""
    confidence: float = 0.0
    since: float | None = None
    evidence: Mapping[str, Evidence] = field(default_factory=dict)
    could_be: tuple[str, ...] = ()
    action: str = ""
    reason: str = ""
    forecast_s: float | None = None
    forecast_low_s: float | None = None
    forecast_high_s: float | None = None
    explained_by: Condition | None = None


def titled(finding: Finding) -> str:
    """The condition's title, with "perhaps" where something else is as likely."""
    title = TEXTS[finding.condition].title
    undecided = finding.claim is Claim.PRESENT and finding.confidence <= UNDECIDED
    return f"Perhaps {title[:1].lower()}{title[1:]}" if undecided else title
