"""Answers as people write them, brought into the form that the configuration reads: feet with inches, fractions, a pipe with
its size first. Nothing is guessed: what cannot be read is left as it was, for the configuration's own words about it."""

from __future__ import annotations

import re
from fractions import Fraction

_NUMBER = r"\d+(?:\.\d+)?"
_FEET = re.compile(rf"^({_NUMBER})\s*(?:ft|feet|foot|')\s*[-,]?\s*(.+)$", re.IGNORECASE)
_INCHES = re.compile(r"^(.+?)\s*(?:in\.?|inch|inches|\")$", re.IGNORECASE)
_MIXED = re.compile(r"^(?:(\d+)[\s-]+)?(\d+)\s*/\s*(\d+)$")
_THOUSANDS = re.compile(r"^[-+]?\d{1,3}(?:,\d{3})+(?!\d)")
_SIZE_FIRST = re.compile(r"^(\d+(?:\.\d+)?\s*(?:in\.?|inch|\"|mm))\s+(.+)$", re.IGNORECASE)


def plain(text: str) -> str:
    """One line, single spaces, nothing at its ends.

    >>> plain("  14   ft ")
    '14 ft'
    """
    return " ".join(text.split())


def no_comma(text: str) -> str:
    """The text; raises ValueError where a number is written with a comma, which means thousands here and tenths there.

    >>> no_comma("1,200 cfm")
    Traceback (most recent call last):
    ValueError: '1,200 cfm' has a comma in its number: write 1200 without it, or a point for tenths
    """
    if re.search(r"\d,\d", text):
        grouped = _THOUSANDS.match(text)
        plainly = f"write {grouped.group(0).replace(',', '')} without it, or a point for tenths" if grouped else (
            "write a point for tenths"
        )
        raise ValueError(f"{text!r} has a comma in its number: {plainly}")
    return text


def length(text: str) -> str:
    """A length with one number: feet and inches together become feet, or inches where those come out even; fractions become
    decimals.

    >>> length("14 ft 6 in"), length("7 ft 5 in"), length("6 1/2 in"), length("5'"), length("3.2 m")
    ('14.5 ft', '89 in', '6.5 in', '5 ft', '3.2 m')
    """
    written = no_comma(plain(text))
    feet = _FEET.match(written)
    if feet:
        inches = _inches(feet.group(2))
        if inches is not None:
            whole = Fraction(feet.group(1)) + inches / 12
            return f"{_decimal(whole)} ft" if (whole * 100).denominator == 1 else f"{_decimal(whole * 12)} in"
    inches = _inches(written)
    if inches is not None and ("/" in written):
        return f"{_decimal(inches)} in"
    if written.endswith("'"):
        return f"{written[:-1].rstrip()} ft"
    if written.endswith('"'):
        return f"{written[:-1].rstrip()} in"
    return written


def _inches(text: str) -> Fraction | None:
    """The number of inches in a text that ends with the unit; None for any other text."""
    match = _INCHES.match(text.strip())
    if match is None:
        return None
    number = match.group(1).strip()
    if re.fullmatch(_NUMBER, number):
        return Fraction(number)
    mixed = _MIXED.match(number)
    if mixed is None or int(mixed.group(3)) == 0:
        return None
    return Fraction(int(mixed.group(1) or 0)) + Fraction(int(mixed.group(2)), int(mixed.group(3)))


def _decimal(value: Fraction) -> str:
    return f"{float(value):.4f}".rstrip("0").rstrip(".")


def pipe(text: str) -> str:
    """A pipe with its standard first, as the stock names it.

    >>> pipe("6 in D2729"), pipe("D2729 6 in"), pipe("inside 5.9 in roughness 0.03 mm")
    ('D2729 6 in', 'D2729 6 in', 'inside 5.9 in roughness 0.03 mm')
    """
    written = plain(text)
    first = _SIZE_FIRST.match(written)
    return f"{first.group(2)} {first.group(1)}" if first else written


def listed(text: str) -> list[str]:
    """The parts of a list: one a line, or with commas or semicolons between them.

    >>> listed("2x elbow 90 r/D 1.5, elbow 45")
    ['2x elbow 90 r/D 1.5', 'elbow 45']
    """
    return [part for piece in re.split(r"[,;\n]", text) if (part := plain(piece))]
