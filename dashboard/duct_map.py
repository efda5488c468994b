"""The ducts as a drawing: lengths to scale along the pipe, left to right away from the fan.

Up and down carries no measure; it only keeps the pieces apart. A piece that goes straight on stays on its parent's line
where the parent is long enough for its label, so that a main looks like a main.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote

from markupsafe import Markup

from dashboard.duct_view import PieceOut

ROW = 80.0
LEFT = 52.0
RIGHT = 14.0
TOP = 46.0
LETTER = 8.4
"""Width of a letter of the labels, px: on the safe side."""
FAN = Markup('<circle r="20"/><path d="M0 0a9 9 0 0 1 0 18M0 0a9 9 0 0 1 0-18M0 0a9 9 0 0 1 18 0M0 0a9 9 0 0 1-18 0"/>')
"""The fan: a housing and its wheel, around the origin."""
LONGEST_LABEL = 230.0
"""Longer names are cut in the drawing; the table beside it has them whole."""


@dataclass(frozen=True, slots=True)
class Placed:
    """Where a piece is drawn: from ``x0`` (fan side) to ``x1`` on the line ``y``; ``parent_y`` is where it comes from."""

    piece: PieceOut
    at: int
    x0: float
    x1: float
    y: float
    parent_y: float


def place(pieces: Sequence[PieceOut], width: float) -> list[Placed]:
    """Lay the pieces out within ``width`` px. A piece whose parent is unknown, or that is its own ancestor, is left out."""
    children: dict[str, list[int]] = {}
    for at, piece in enumerate(pieces):
        children.setdefault(piece.into, []).append(at)
    reach = _reach(pieces, children)
    scale = (width - LEFT - RIGHT) / max(reach, 0.1)
    placed: list[Placed] = []
    next_row = 0

    def walk(name: str, x: float, row: int, room: bool) -> None:
        nonlocal next_row
        order = sorted(children.get(name, ()), key=lambda at: (pieces[at].join not in ("", "straight"), at))
        for rank, at in enumerate(order):
            piece = pieces[at]
            if any(seen.at == at for seen in placed):
                continue
            same = rank == 0 and room
            if not same:
                next_row += 1
            own = row if same else next_row
            length = max((piece.length_m + piece.hose_m) * scale, 6.0)
            placed.append(Placed(piece, at, x, x + length, TOP + own * ROW, TOP + row * ROW))
            walk(piece.name, x + length, own, length >= _label_width(piece))

    walk("fan", LEFT, 0, True)
    return placed


def _label_width(piece: PieceOut) -> float:
    return min(LONGEST_LABEL, max(_letters(piece.name), 24) * LETTER)


def _letters(words: str) -> int:
    """The width of a text in letters: those of East Asian scripts are twice as wide, marks above a letter have none."""
    return sum(0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in words)


def shortened(name: str, letters: int = int(LONGEST_LABEL / LETTER)) -> str:
    """``name`` cut to what the drawing has room for.

    >>> shortened("planer"), shortened("the very long name of an old machine", 12)
    ('planer', 'the very lo…')
    """
    if _letters(name) <= letters:
        return name
    while name and _letters(name) >= letters:
        name = name[:-1]
    return name.rstrip() + "…"


def _reach(pieces: Sequence[PieceOut], children: dict[str, list[int]]) -> float:
    longest, open_ends, seen = 0.0, [("fan", 0.0)], set[int]()
    while open_ends:
        name, distance = open_ends.pop()
        longest = max(longest, distance)
        for at in children.get(name, ()):
            if at not in seen:
                seen.add(at)
                open_ends.append((pieces[at].name, distance + pieces[at].length_m + pieces[at].hose_m))
    return longest


def drawing(pieces: Sequence[PieceOut], width: int, css_class: str) -> Markup:
    """The ducts as SVG. Names are escaped; places that change live are marked with the piece's number."""
    placed = place(pieces, width)
    height = max((item.y for item in placed), default=TOP) + 52
    widest = max((piece.diameter_m for piece in pieces), default=0.1) or 0.1
    out = [
        Markup('<svg class="ducts {}" viewBox="0 0 {} {:.0f}" role="group" aria-label="{}">').format(
            css_class, width, height, title(pieces)
        ),
        Markup('<g class="fan" transform="translate(26 {})">{}</g><text x="6" y="{}" class="name">fan</text>').format(
            TOP, FAN, TOP - 27
        ),
    ]
    # Pipes first: words must not be crossed by them.
    out += [pipe(item, thickness(item.piece, widest), _turn(item)) for item in placed]
    out += [_words(item, widest, width) for item in placed]
    out.append(Markup("</svg>"))
    return Markup("").join(out)


def title(pieces: Sequence[PieceOut]) -> str:
    """What the drawing shows, for those who hear it; the table of the page "Ducts" has its numbers."""
    count = sum(piece.kind == "port" for piece in pieces)
    return f"Drawing of the ducts from the fan to {count} port{'' if count == 1 else 's'}"


def piece_path(piece: PieceOut) -> str:
    """Where a run or port has its own page; names are the owner's, so they are quoted."""
    return f"/ducts/{quote(piece.name, safe='')}"


def thickness(piece: PieceOut, widest: float) -> float:
    """How thick a pipe is drawn, px."""
    return max(4.0, 14.0 * piece.diameter_m / widest)


def _turn(item: Placed) -> Markup:
    return Markup("" if item.parent_y == item.y else f'<path class="turn" d="M{item.x0:.1f} {item.parent_y:.1f}V{item.y:.1f}"/>')


def pipe(item: Placed, thick: float, turn: Markup) -> Markup:
    """One pipe with its turn, its gate and the marks of slow air."""
    piece = item.piece
    gate = ""
    if piece.kind == "port" and piece.gate != "none":
        # A slide across the pipe is shut; one with a gap where the pipe passes is open.
        x, y = item.x1 - 3, item.y
        gate = (
            f'<path class="gate shut" d="M{x:.1f} {y - 12:.1f}v24"/>'
            f'<path class="gate open" d="M{x:.1f} {y - 14:.1f}v6M{x:.1f} {y + 8:.1f}v6"/>'
        )
    line = f'd="M{item.x0:.1f} {item.y:.1f}H{item.x1:.1f}"'
    middle = f"{(item.x0 + item.x1) / 2:.1f} {item.y:.1f}"
    # Numbers and fixed words only: nothing here comes from a name.
    return Markup(
        '<g class="piece" data-scope="pieces.{}" data-tone="{}" data-tone-from="tone" data-gate="{}" data-attr="data-gate:gate">'
        "{}</g>"
    ).format(
        item.at,
        piece.tone,
        piece.gate,
        Markup(
            f'{turn}<path class="pipe" stroke-width="{thick:.1f}" {line}/>'
            f'<path class="core" stroke-width="{max(1.0, thick - 4):.1f}" {line}/>{gate}'
            f'<g class="mark" transform="translate({middle})">'
            '<path class="m-soon" d="M0-9 9 8H-9z"/><path class="m-plan" d="M-7-7H7V7H-7z"/></g>'
        ),
    )


def _words(item: Placed, widest: float, width: float) -> Markup:
    piece, half = item.piece, thickness(item.piece, widest) / 2
    at_end = item.x0 + 4 + _label_width(piece) > width
    x, anchor = (width - 4.0, "end") if at_end else (item.x0 + 4.0, "start")
    return Markup(
        '<g data-scope="pieces.{at}" data-tone="{tone}" data-tone-from="tone">'
        '<a href="{href}"><text class="name" x="{x:.1f}" y="{name_y:.1f}" text-anchor="{anchor}">{name}</text></a>'
        '<text class="line" x="{x:.1f}" y="{line_y:.1f}" text-anchor="{anchor}">'
        '<tspan class="words" data-text="words">{words}</tspan>'
        '<tspan x="{x:.1f}" dy="19" data-text="air">{air}</tspan></text></g>'
    ).format(
        at=item.at,
        tone=piece.tone,
        x=x,
        name_y=item.y - half - 7,
        line_y=item.y + half + 18,
        anchor=anchor,
        href=piece_path(piece),
        name=shortened(piece.name),
        air=piece.air,
        words=piece.words,
    )
