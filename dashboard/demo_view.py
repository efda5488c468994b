"""The strip over a simulated shop: what is happening, what comes next and when, where to look, and how fast time passes."""

from __future__ import annotations

from dashboard.shapes import Out, number, text
from dashboard.snapshot import Snapshot
from dashboard.words import duration, local_time

PACES = {1: "1×", 30: "30×", 120: "120×", 300: "300×"}
"""How fast a simulated shop may be run, and the words on the button."""
LOOK = {
    "Added run": ("/added-run", "See what the new run took"), "charts": ("/trends", "See the charts"),
    "drag": ("/trends?span=14400", "See the drag"), "Ducts": ("/ducts", "See the ducts"),
    "journal": ("/journal", "See the journal"),
}  # fmt: skip
"""A word of the story -> the page that shows it, and what its link says."""


def demo_out(snapshot: Snapshot) -> Out | None:
    """The strip, None where the readings are of a real shop."""
    source = next((source for source in snapshot.sources if text(source, "kind") == "simulator"), None)
    if source is None:
        return None
    from analysis.plant.demo import STORY

    said, pace, local = text(source, "state"), number(snapshot.daemon, "pace") or 1.0, local_time(snapshot.clock)
    part = ""
    at = next((at for at, (_, words) in enumerate(STORY) if words == said), None)
    if at is not None:
        part = f"Part {at + 1} of {len(STORY)}"
        if at + 1 < len(STORY) and local is not None:
            hours, minutes = map(int, STORY[at + 1][0].split(":"))
            left_s = (hours * 60 + minutes - local.hour * 60 - local.minute) * 60 - local.second
            part += f", the next in {duration(left_s / pace)}" if left_s > 0 else ""
    href, look = next((found for word, found in LOOK.items() if word in said), ("", ""))
    return {
        "words": f"{said[:1].upper()}{said[1:]}.",
        "part": part and f"{part}.",
        "href": href,
        "look": look,
        "paces": {str(one): "true" if one == round(pace) else "false" for one in PACES},
    }
