"""The ducts as a drawing: lengths to scale along the pipe, left to right away from the fan.

Up and down carries no measure; it only keeps the pieces apart. A piece that goes straight on stays on its parent's line
where the parent is long enough for its label, so that a main looks like a main.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from dashboard.duct_view import PieceOut

ROW = 92.0
LEFT = 52.0
RIGHT = 14.0
TOP = 46.0
LETTER = 8.4
"""Width of a letter of the labels, px: on the safe side."""
LONGEST_LABEL = 230.0


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
    return min(LONGEST_LABEL, max(len(piece.name), 24) * LETTER)


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
        Markup(
            '<svg class="ducts {}" viewBox="0 0 {} {:.0f}" role="img" aria-label="Drawing of the ducts, fan at the left">'
        ).format(css_class, width, height),
        Markup(
            '<g class="fan"><circle cx="26" cy="{0}" r="20"/><path d="M26 {1}a10 10 0 0 1 0 20M26 {2}a10 10 0 0 1 0-20'
            "M16 {0}a10 10 0 0 1 "
            '20 0M36 {0}a10 10 0 0 1-20 0"/></g><text x="6" y="{3}" class="name">fan</text>'
        ).format(TOP, TOP, TOP, TOP - 27),
    ]
    # Pipes first: words must not be crossed by them.
    out += [_pipe(item, widest) for item in placed]
    out += [_words(item, widest, width) for item in placed]
    out.append(Markup("</svg>"))
    return Markup("").join(out)


def _thickness(piece: PieceOut, widest: float) -> float:
    return max(4.0, 14.0 * piece.diameter_m / widest)


def _pipe(item: Placed, widest: float) -> Markup:
    piece, thick = item.piece, _thickness(item.piece, widest)
    turn = "" if item.parent_y == item.y else f'<path class="turn" d="M{item.x0:.1f} {item.parent_y:.1f}V{item.y:.1f}"/>'
    gate = f'<path class="gate" d="M{item.x1 - 3:.1f} {item.y - 11:.1f}v22"/>' if piece.kind == "port" else ""
    line = f'd="M{item.x0:.1f} {item.y:.1f}H{item.x1:.1f}"'
    middle = f"{(item.x0 + item.x1) / 2:.1f} {item.y:.1f}"
    # Numbers only: nothing here comes from a name.
    return Markup('<g class="piece" data-scope="pieces.{}" data-tone="{}" data-tone-from="tone">{}</g>').format(
        item.at,
        piece.tone,
        Markup(
            f'{turn}<path class="pipe" stroke-width="{thick:.1f}" {line}/>'
            f'<path class="core" stroke-width="{max(1.0, thick - 4):.1f}" {line}/>{gate}'
            f'<g class="mark" transform="translate({middle})">'
            '<path class="m-soon" d="M0-9 9 8H-9z"/><path class="m-plan" d="M-7-7H7V7H-7z"/></g>'
        ),
    )


def _words(item: Placed, widest: float, width: float) -> Markup:
    piece, half = item.piece, _thickness(item.piece, widest) / 2
    at_end = item.x0 + 4 + _label_width(piece) > width
    x, anchor = (width - 4.0, "end") if at_end else (item.x0 + 4.0, "start")
    return Markup(
        '<g data-scope="pieces.{at}" data-tone="{tone}" data-tone-from="tone">'
        '<text class="name" x="{x:.1f}" y="{name_y:.1f}" text-anchor="{anchor}">{name}</text>'
        '<text class="line" x="{x:.1f}" y="{line_y:.1f}" text-anchor="{anchor}"><tspan data-text="air">{air}</tspan>'
        '<tspan class="words" x="{x:.1f}" dy="19" data-text="words">{words}</tspan></text></g>'
    ).format(
        at=item.at,
        tone=piece.tone,
        x=x,
        name_y=item.y - half - 7,
        line_y=item.y + half + 18,
        anchor=anchor,
        name=piece.name,
        air=piece.air,
        words=piece.words,
    )
