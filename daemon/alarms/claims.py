"""What the findings of one update say of each key (condition, where).

What a detector must keep to so that its findings are read rightly:

* A finding with ``where`` "" that is absent, or not yet known, speaks for every place its condition has no other
  finding for.
* A place that a detector no longer names, while it says something definite of its condition elsewhere, is absent there.
* A condition that no finding names at all is not known: nothing is raised and nothing is cleared.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from analysis.conditions import Condition
from analysis.findings import Claim, Finding

Key = tuple[Condition, str]

_SPEAKS = {Claim.PRESENT: 2, Claim.ABSENT: 1, Claim.NOT_YET_KNOWN: 0}


def index_claims(findings: Iterable[Finding]) -> tuple[dict[Key, Finding], dict[Condition, Finding], set[Condition]]:
    """Findings by key (the one that says most, of several), the "" ones by condition, and what is spoken of surely."""
    named: dict[Key, Finding] = {}
    general: dict[Condition, Finding] = {}
    definite: set[Condition] = set()
    for finding in findings:
        key = (finding.condition, finding.where)
        other = named.get(key)
        if other is None or (_SPEAKS[finding.claim], finding.confidence) > (_SPEAKS[other.claim], other.confidence):
            named[key] = finding
        if finding.claim is not Claim.NOT_YET_KNOWN:
            definite.add(finding.condition)
    for (condition, where), finding in named.items():
        if where == "":
            general[condition] = finding
    return named, general, definite


def claim_for(key: Key, named: Mapping[Key, Finding], general: Mapping[Condition, Finding],
              definite: set[Condition]) -> Finding | None:
    """What the findings say of one key: its own, else the general one, else absent if something sure was said.

    >>> said = Finding(0.0, Condition.BLOCKED_RUN, Claim.ABSENT, "planer")
    >>> elsewhere = claim_for((Condition.BLOCKED_RUN, "lathe"), *index_claims([said]))
    >>> elsewhere.claim.value, claim_for((Condition.BAG_FULL, ""), *index_claims([said]))
    ('absent', None)
    """
    own = named.get(key)
    if own is not None:
        return own
    common = general.get(key[0])
    if common is not None and common.claim is not Claim.PRESENT:
        return common
    if key[0] in definite:
        return Finding(0.0, key[0], Claim.ABSENT, key[1])
    return None
