"""The ducts as a drawing: one row for each piece, its pipe to scale under its name.

What flows into a piece is drawn below it, further to the right, so that no line crosses the words, on a phone as on a desk.
Lengths are to one scale, thickness follows the diameter. Places that change live are marked with the piece's number.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING
from urllib.parse import quote

from markupsafe import Markup

from dashboard.shapes import Out

if TYPE_CHECKING:
    from daemon.drafting.outcome import Piece

WIDTH = 340
ROW, TOP, LEFT, INDENT = 72.0, 58.0, 22.0, 10.0
END = 10.0
"""Room beyond the end of a pipe for its gate."""
LETTER = 9.6
"""Width of a letter of the names, px: on the safe side."""
LONGEST_NAME = 34
"""Characters of a drafted piece's name that the drawing has room for."""
FAN = Markup('<circle r="20"/><path d="M0 0a9 9 0 0 1 0 18M0 0a9 9 0 0 1 0-18M0 0a9 9 0 0 1 18 0M0 0a9 9 0 0 1-18 0"/>')
"""The fan: a housing and its wheel, around the origin."""
MARKS = Markup('<path class="m-soon" d="M0-9 9 8H-9z"/><path class="m-plan" d="M-7-7H7V7H-7z"/>')
"""A triangle for air that is too slow, a square for air that is slow by design."""


@dataclass(frozen=True, slots=True)
class Placed:
    """Where a piece is drawn: from ``x0`` (fan side) to ``x1`` on the line ``y``; ``parent_y`` is where it comes from."""

    piece: Out
    at: int
    x0: float
    x1: float
    y: float
    parent_y: float


def place(pieces: Sequence[Out], width: float) -> list[Placed]:
    """Lay the pieces out, one below the other. One whose parent is unknown, or that is its own ancestor, is left out."""
    order = _order(pieces)
    lengths = [max(pieces[at]["length_m"] + pieces[at]["hose_m"], 0.1) for at, _, _ in order]
    starts = [min(LEFT + INDENT * (depth + 1), width / 2) for _, depth, _ in order]
    scale = min(((width - x - END) / length for x, length in zip(starts, lengths, strict=True)), default=1.0)
    return [
        Placed(pieces[at], at, x, x + max(length * scale, 6.0), TOP + (row + 1) * ROW - 8.0, TOP + (parent + 1) * ROW - 8.0)
        for row, ((at, _, parent), x, length) in enumerate(zip(order, starts, lengths, strict=True))
    ]


def _order(pieces: Sequence[Out]) -> list[tuple[int, int, int]]:
    """Each piece that leads to the fan, from there on: its place in the list, its depth, and the row of its parent."""
    children: dict[str, list[int]] = {}
    for at, piece in enumerate(pieces):
        children.setdefault(piece["into"], []).append(at)
    order: list[tuple[int, int, int]] = []
    seen: set[int] = set()

    def walk(name: str, depth: int, parent_row: int) -> None:
        for at in children.get(name, ()):
            if at not in seen:
                seen.add(at)
                order.append((at, depth, parent_row))
                walk(pieces[at]["name"], depth + 1, len(order) - 1)

    walk("fan", 0, -1)
    return order


def drawing(pieces: Sequence[Out]) -> Markup:
    """The ducts as SVG. Names are escaped."""
    # A deep tree gets more room, and is shown a little smaller.
    width = WIDTH + round(2 * INDENT) * max(0, max((depth for _, depth, _ in _order(pieces)), default=0) - 2)
    placed = place(pieces, width)
    ports = sum(piece["kind"] == "port" for piece in pieces)
    title = f"Drawing of the ducts from the fan to {ports} port{'' if ports == 1 else 's'}"
    widest = max((piece["diameter_m"] for piece in pieces), default=0.1) or 0.1
    return Markup("").join([
        Markup('<svg class="ducts" viewBox="0 0 {} {:.0f}" role="group" aria-label="{}">').format(
            width, max((item.y for item in placed), default=TOP) + 18, title),
        Markup('<g class="fan" transform="translate({0} 24)">{1}</g><text x="{2}" y="29" class="name">fan</text>').format(
            LEFT + INDENT / 2, FAN, LEFT + INDENT / 2 + 28),
        # Pipes first: words must not be crossed by them.
        *(_pipe(item, max(4.0, 14.0 * item.piece["diameter_m"] / widest)) for item in placed),
        *(_words(item, width) for item in placed),
        Markup("</svg>"),
    ])  # fmt: skip


def _pipe(item: Placed, thick: float) -> Markup:
    """One pipe with the turn down to it, its gate and the marks of slow air. Numbers and fixed words only: nothing here comes
    from a name."""
    piece, (x, y) = item.piece, (item.x1 - 3, item.y)
    # The turn comes down in the gutter of the parent, left of every word below it.
    gutter, start = item.x0 - INDENT / 2, TOP - 14 if item.parent_y < TOP else item.parent_y
    line = f'd="M{item.x0:.1f} {y:.1f}H{item.x1:.1f}"'
    # A slide across the pipe is shut; one with a gap where the pipe passes is open.
    gate = "" if piece["kind"] != "port" or piece["gate"] == "none" else (
        f'<path class="gate shut" d="M{x:.1f} {y - 12:.1f}v24"/>'
        f'<path class="gate open" d="M{x:.1f} {y - 14:.1f}v6M{x:.1f} {y + 8:.1f}v6"/>'
    )
    return Markup(
        '<g class="piece" data-scope="pieces.{}" data-tone="{}" data-tone-from="tone" data-gate="{}" data-attr="data-gate:gate">'
        "{}</g>"
    ).format(item.at, piece["tone"], piece["gate"], Markup(
        f'<path class="turn" d="M{gutter:.1f} {start:.1f}V{y:.1f}H{item.x0:.1f}"/>'
        f'<path class="pipe" stroke-width="{thick:.1f}" {line}/>'
        f'<path class="core" stroke-width="{max(1.0, thick - 4):.1f}" {line}/>'
        f'{gate}<g class="mark" transform="translate({(item.x0 + item.x1) / 2:.1f} {y:.1f})">{MARKS}</g>'
    ))  # fmt: skip


def _words(item: Placed, width: float) -> Markup:
    piece = item.piece
    return Markup(
        '<g data-scope="pieces.{at}" data-tone="{tone}" data-tone-from="tone">'
        '<a href="{href}"><text class="name" x="{x:.1f}" y="{name_y:.1f}">{name}</text></a>'
        '<text class="line" x="{x:.1f}" y="{line_y:.1f}"><tspan class="words" data-text="words">{words}</tspan>'
        '<tspan dx="8" data-text="air">{air}</tspan></text></g>'
    ).format(
        at=item.at,
        tone=piece["tone"],
        x=item.x0,
        name_y=item.y - 34,
        line_y=item.y - 15,
        href=f"/ducts/{quote(piece['name'], safe='')}",
        name=shortened(piece["name"], int((width - item.x0) / LETTER)),
        words=piece["words"],
        air=piece["air"],
    )


def shortened(name: str, letters: int) -> str:
    """``name`` cut to what the drawing has room for; the table beside it has it whole.

    >>> shortened("planer", 12), shortened("the very long name of an old machine", 12)
    ('planer', 'the very lo…')
    """
    if _letters(name) <= letters:
        return name
    while name and _letters(name) >= letters:
        name = name[:-1]
    return name.rstrip() + "…"


def _letters(words: str) -> int:
    """The width of a text in letters: those of East Asian scripts are twice as wide, marks above a letter have none."""
    return sum(0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in words)


def drafted(pieces: Sequence[Piece]) -> Markup | None:
    """The drawing as it grows during a first run; None while nothing is drawn."""
    cut = [replace(piece, name=_cut(piece.name), into=_cut(piece.into)) for piece in pieces]
    return drawing([
        {"name": piece.name, "into": piece.into, "kind": piece.kind, "length_m": piece.length_m, "hose_m": piece.hose_m,
         "diameter_m": piece.diameter_m, "gate": "none", "tone": "quiet", "words": "", "air": _cut(piece.words)}
        for piece in cut
    ]) if pieces else None  # fmt: skip


def _cut(words: str) -> str:
    """Names may be sixty characters long; two that are cut alike would be one piece, so each keeps its end."""
    return words if len(words) <= LONGEST_NAME else f"{words[: LONGEST_NAME - 9]}…{words[-8:]}"
