"""The drawing of the ducts as it grows during a first run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from markupsafe import Markup

from daemon.drafting.outcome import Piece
from dashboard.duct_map import drawing
from dashboard.duct_tree import NARROW, tree_drawing
from dashboard.duct_view import PieceOut
from dashboard.shapes import Quantity

LONGEST_WORDS = 34
"""Characters of a piece's measures that the drawing has room for."""


def ducts(pieces: Sequence[Piece]) -> tuple[Markup, Markup] | None:
    """The drawing for a wide and for a narrow screen; None while nothing is drawn."""
    if not pieces:
        return None
    short = [_piece(replace(piece, more="")) for piece in pieces]  # the list below has all of it
    return drawing([_piece(piece) for piece in pieces], 1040, "wide"), tree_drawing(short, NARROW, "narrow")


def _piece(piece: Piece) -> PieceOut:
    nothing = Quantity()
    return PieceOut(
        name=_cut(piece.name), into=_cut(piece.into), kind=piece.kind, join=piece.join, length_m=piece.length_m,
        hose_m=piece.hose_m, diameter_m=piece.diameter_m, size="", length="", is_open=None, flow=nothing, velocity=nothing,
        carrying=nothing, needs=nothing, tone="quiet", words=_cut(piece.more), air=_cut(piece.words),
    )


def _cut(words: str) -> str:
    """Names may be sixty characters long; two that are cut alike would be one piece, so each keeps its end."""
    if len(words) <= LONGEST_WORDS:
        return words
    return f"{words[: LONGEST_WORDS - 9]}…{words[-8:]}"
