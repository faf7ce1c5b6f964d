"""Bytes become lines, the same ones however the bytes come in pieces."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.decode.framing import LONGEST_LINE, LineFramer
from tests.builders import LAW

STREAMS = st.lists(
    st.one_of(
        st.sampled_from([b"\r", b"\n", b"\r\n", b"V=12.5", b"\xff\x00", b"$A*41"]),
        st.integers(1, 700).map(lambda length: b"x" * length),
    ),
    max_size=30,
).map(b"".join)


def cut(stream: bytes, *places: int) -> list[bytes]:
    """Return a stream in pieces."""
    edges = sorted({0, *places, len(stream)})
    return [stream[a:b] for a, b in itertools.pairwise(edges)]


def framed(pieces: list[bytes]) -> tuple[list[bytes], int]:
    """Return the lines of a stream in pieces, and how many were cut."""
    framer = LineFramer()
    lines = [line for piece in pieces for line in framer.feed(piece)]
    return lines, framer.cut_lines


@pytest.mark.parametrize(("stream", "lines"), [
    (b"V=12.5\r\nI=-3.1\r\n", [b"V=12.5", b"I=-3.1"]),
    (b"V=12.5\nI=-3.1\n", [b"V=12.5", b"I=-3.1"]),
    (b"V=12.5\rI=-3.1\r", [b"V=12.5", b"I=-3.1"]),
    (b"\r\n\r\nV=12.5\n\n\r\r", [b"V=12.5"]),
    (b"V=12.5", []),                        # not finished yet
    (b" V = 12.5 \n", [b" V = 12.5 "]),     # what is in a line is left alone
    (b"\x00\xff\n", [b"\x00\xff"]),
    (b"", []),
])  # fmt: skip
def test_a_line_ends_in_cr_lf_or_both(stream: bytes, lines: list[bytes]) -> None:
    assert framed([stream]) == (lines, 0)


def test_a_line_end_may_come_in_two_pieces() -> None:
    assert framed([b"V=12", b".5\r", b"\nI=1", b"\n"]) == ([b"V=12.5", b"I=1"], 0)


def test_a_line_of_the_greatest_length_is_a_line() -> None:
    assert framed([b"x" * 1000 + b"\n"]) == ([b"x" * 1000], 0)


@pytest.mark.parametrize("length", [1001, 5000, 100_000])
def test_a_longer_line_is_dropped_whole_and_counted_once(length: int) -> None:
    stream = b"x" * length
    assert framed([stream[:600], stream[600:] + b"\r\nV=12.5\r\n"]) == ([b"V=12.5"], 1)


def test_a_stream_without_line_ends_is_one_cut_line() -> None:
    assert framed([b"x" * 4096] * 50) == ([], 1)


@LAW
@given(STREAMS, st.lists(st.integers(0, 5000), max_size=20))
def test_any_pieces_give_the_same_lines(stream: bytes, places: list[int]) -> None:
    assert framed(cut(stream, *places)) == framed([stream])


@LAW
@given(STREAMS)
def test_lines_are_what_stands_between_line_ends(stream: bytes) -> None:
    parts = stream.replace(b"\r", b"\n").split(b"\n")[:-1]
    lines, _ = framed([stream])
    assert lines == [part for part in parts if 0 < len(part) <= 1000]


@LAW
@given(st.lists(st.binary(max_size=3000), max_size=20))
def test_no_more_is_held_than_the_longest_line(pieces: list[bytes]) -> None:
    framer = LineFramer()
    for piece in pieces:
        framer.feed(piece)
        assert framer.held_bytes <= LONGEST_LINE
