"""Cutting chunks into lines in bounded memory, and the checksum of NMEA 0183."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.sources.lines import LineSplitter, strip_checksum, with_checksum

# Sentences with their checksums as they stand in most introductions to NMEA 0183 (from memory).
SENTENCES = [
    b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
    b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
    b"$GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1*39",
]


@pytest.mark.parametrize("sentence", SENTENCES)
def test_checksum_of_known_sentences(sentence: bytes) -> None:
    assert strip_checksum(sentence, required=True) == sentence[1:-3]


@pytest.mark.parametrize("sentence", SENTENCES)
def test_one_flipped_bit_anywhere_is_noticed(sentence: bytes) -> None:
    for at in range(1, len(sentence) - 3):
        for bit in range(8):
            damaged = bytearray(sentence)
            damaged[at] ^= 1 << bit
            if damaged[at : at + 1] not in (b"$", b"\n", b"\r"):
                assert strip_checksum(bytes(damaged), required=True) == "checksum"


@pytest.mark.parametrize(
    ("line", "required", "expected"),
    [
        (b"a=1", False, b"a=1"),
        (b"a=1", True, "checksum missing"),
        (b"a=1*", False, "checksum"),
        (b"a=1*6", False, "checksum"),
        (b"a=1*ZZ", False, "checksum"),
        (b"a=1*+6", False, "checksum"),
        (b"a=1*6d", True, b"a=1"),
        (b"$a=1*6D", True, b"a=1"),
        (b'{"note":"5*3"}', False, b'{"note":"5*3"}'),
        (b'{"note":"5*3"}', True, "checksum missing"),
        (b"", False, b""),
        (b"*00", True, b""),
    ],
)
def test_checksum_present_absent_and_broken(line: bytes, required: bool, expected: bytes | str) -> None:
    assert strip_checksum(line, required) == expected


@given(st.text(st.characters(exclude_categories=["C"], exclude_characters="*$"), max_size=60).map(str.strip))
def test_what_is_sent_with_a_checksum_is_read_back(text: str) -> None:
    assert strip_checksum(with_checksum(text).encode(), required=True) == text.encode()


def in_pieces(data: bytes, cuts: list[int]) -> list[bytes]:
    ends = sorted({min(cut, len(data)) for cut in cuts} | {len(data)})
    return [data[a:b] for a, b in zip([0, *ends[:-1]], ends, strict=True)]


LINES = st.lists(st.sampled_from([b"a", b"xy", b"x" * 9, b"x" * 10, b"x" * 11, b"x" * 35, b"\n", b"\r", b"\r\n"]))


@given(LINES, st.lists(st.integers(0, 300), max_size=20))
def test_the_cuts_between_chunks_do_not_matter(parts: list[bytes], cuts: list[int]) -> None:
    """Against a plain model: split the whole at line ends, keep what is not empty and not longer than ten bytes."""
    data = b"".join(parts)
    splitter = LineSplitter(longest=10)
    got: list[bytes] = []
    for piece in in_pieces(data, cuts):
        got += splitter.feed(piece)
        assert splitter.kept <= 10
    *ended, tail = re.split(rb"\r\n|\r|\n", data)
    assert got == [line for line in ended if 0 < len(line) <= 10]
    assert splitter.too_long == sum(len(line) > 10 for line in [*ended, tail])
    assert splitter.flush() == ([tail] if 0 < len(tail) <= 10 else [])


def test_a_line_without_end_grows_no_memory() -> None:
    splitter = LineSplitter()
    for _ in range(2000):
        assert splitter.feed(b"x" * 1000) == []
        assert splitter.kept <= splitter.longest
    assert splitter.feed(b"\nb=2\n") == [b"b=2"]
    assert splitter.too_long == 1
