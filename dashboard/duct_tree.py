"""The ducts as a tree for a narrow screen: one row for each piece, its pipe drawn to scale under its name.

Side by side there is no room for the words on a phone; indented one below the other there is, and no line crosses them:
what flows into a piece stands below it, further to the right. Lengths are to one scale, thickness follows the diameter.
"""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from dashboard.duct_map import FAN, Placed, piece_path, pipe, shortened, thickness, title
from dashboard.duct_view import PieceOut

NARROW = 340
"""Width of the drawing on a phone, px."""
ROW = 72.0
TOP = 58.0
LEFT = 22.0
INDENT = 10.0
END = 10.0
"""Room beyond the end of a pipe for its gate."""
LETTER = 9.6
"""Width of a letter of the names, px: on the safe side."""


def place_rows(pieces: Sequence[PieceOut], width: float) -> list[Placed]:
    """Lay the pieces out, one below the other. One whose parent is unknown, or that is its own ancestor, is left out."""
    children: dict[str, list[int]] = {}
    for at, piece in enumerate(pieces):
        children.setdefault(piece.into, []).append(at)
    order: list[tuple[int, int, int]] = []  # piece, depth, row of its parent
    seen: set[int] = set()

    def walk(name: str, depth: int, parent_row: int) -> None:
        for at in children.get(name, ()):
            if at in seen:
                continue
            seen.add(at)
            order.append((at, depth, parent_row))
            walk(pieces[at].name, depth + 1, len(order) - 1)

    walk("fan", 0, -1)
    lengths = [max(pieces[at].length_m + pieces[at].hose_m, 0.1) for at, _, _ in order]
    starts = [min(LEFT + INDENT * (depth + 1), width / 2) for _, depth, _ in order]
    scale = min(((width - x - END) / length for x, length in zip(starts, lengths, strict=True)), default=1.0)
    return [
        Placed(pieces[at], at, x, x + max(length * scale, 6.0), TOP + (row + 1) * ROW - 8.0, TOP + (parent + 1) * ROW - 8.0)
        for row, ((at, _, parent), x, length) in enumerate(zip(order, starts, lengths, strict=True))
    ]


def tree_drawing(pieces: Sequence[PieceOut], width: int, css_class: str) -> Markup:
    """The tree as SVG, with the same live marks as :func:`dashboard.duct_map.drawing`."""
    # A deep tree gets more room, and is shown a little smaller.
    width += round(2 * INDENT) * max(0, _depth(pieces) - 3)
    placed = place_rows(pieces, width)
    height = max((item.y for item in placed), default=TOP) + 18
    widest = max((piece.diameter_m for piece in pieces), default=0.1) or 0.1
    out = [
        Markup('<svg class="ducts {}" viewBox="0 0 {} {:.0f}" role="group" aria-label="{}">').format(
            css_class, width, height, title(pieces)
        ),
        Markup('<g class="fan" transform="translate({} 24)">{}</g><text x="{}" y="29" class="name">fan</text>').format(
            LEFT + INDENT / 2, FAN, LEFT + INDENT / 2 + 28
        ),
    ]
    for item in placed:
        # The turn comes down in the gutter of the parent, left of every word below it.
        gutter, start = item.x0 - INDENT / 2, TOP - 14 if item.parent_y < TOP else item.parent_y
        turn = Markup(f'<path class="turn" d="M{gutter:.1f} {start:.1f}V{item.y:.1f}H{item.x0:.1f}"/>')
        out.append(pipe(item, thickness(item.piece, widest), turn))
    for item in placed:
        out.append(_words(item, width))
    out.append(Markup("</svg>"))
    return Markup("").join(out)


def _depth(pieces: Sequence[PieceOut]) -> int:
    """How many pieces the longest way has, as far as it leads to the fan."""
    into = {piece.name: piece.into for piece in pieces}
    deepest = 0
    for name in into:
        seen: list[str] = []
        while name in into and name not in seen:
            seen.append(name)
            name = into[name]
        deepest = max(deepest, len(seen) if name == "fan" else 0)
    return deepest


def _words(item: Placed, width: float) -> Markup:
    piece = item.piece
    return Markup(
        '<g data-scope="pieces.{at}" data-tone="{tone}" data-tone-from="tone">'
        '<a href="{href}"><text class="name" x="{x:.1f}" y="{name_y:.1f}">{name}</text></a>'
        '<text class="line" x="{x:.1f}" y="{line_y:.1f}"><tspan class="words" data-text="words">{words}</tspan>'
        '<tspan dx="8" data-text="air">{air}</tspan></text></g>'
    ).format(
        at=item.at,
        tone=piece.tone,
        x=item.x0,
        name_y=item.y - 34,
        line_y=item.y - 15,
        href=piece_path(piece),
        name=shortened(piece.name, int((width - item.x0) / LETTER)),
        words=piece.words,
        air=piece.air,
    )
