"""ShopEvent: something that was done to the unit, by the owner's word or recognised from the data."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class EventKind(StrEnum):
    """What was done."""

    CLEANED = "cleaned"
    """The filter bags were cleaned."""
    REPLACED = "replaced"
    """The filter bags were washed or replaced: a new clean drag is to be learned."""
    EMPTIED = "emptied"
    """The chip bag was emptied."""
    CHANGED = "changed"
    """Something on the duct, fan or machine was changed."""
    ADDED_RUN = "added_run"
    """A run was added."""
    BASELINE = "baseline"
    """A baseline tour was stored."""
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class ShopEvent:
    """One journal entry. ``by`` is "owner" or "ductwarden" (found from the data)."""

    t: float
    kind: EventKind
    by: str = "owner"
    text: str = ""
    where: str = ""
    id: int | None = None
