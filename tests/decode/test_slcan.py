"""Text lines of serial-line CAN adapters: what is a frame, and what is refused."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.decode.slcan import MOST_HEADS, SlcanReader, frame_of
from tests.builders import LAW


# Linux, drivers/net/can/slcan: type, identifier, length, data; a stamp of four digits
# may follow.
@pytest.mark.parametrize(("line", "frame"), [
    (b"t1232AABB", (0x123, False, b"\xaa\xbb")),
    (b"t7FF0", (0x7FF, False, b"")),
    (b"t12380001020304050607", (0x123, False, bytes(range(8)))),
    (b"t1232aabb", (0x123, False, b"\xaa\xbb")),
    (b"t1232AABB1F3C", (0x123, False, b"\xaa\xbb")),
    (b"T18FF0010107", (0x18FF0010, True, b"\x07")),
    (b"T1FFFFFFF0", (0x1FFFFFFF, True, b"")),
    (b"T1FFFFFFF0FFFF", (0x1FFFFFFF, True, b"")),
    (b"d1239" + b"00" * 12, (0x123, False, bytes(12))),
    (b"b123F" + b"11" * 64, (0x123, False, b"\x11" * 64)),
    (b"D000000019" + b"22" * 12, (1, True, b"\x22" * 12)),
    (b"B000000010", (1, True, b"")),
])  # fmt: skip
def test_a_line_tells_a_frame(line: bytes, frame: tuple[int, bool, bytes]) -> None:
    assert frame_of(line) == frame


@pytest.mark.parametrize("line", [
    b"", b"t", b"t123", b"t1232AAB", b"t1232AABBC", b"t1232AABBCC", b"t1231AABBCCDD",
    b"t1239" + b"00" * 9,  # no frame of this kind is longer than 8 bytes
    b"t8002AABB",  # beyond 11 bits
    b"T200000000",  # beyond 29 bits
    b"t12 2AABB", b"t+232AABB", b"t1_32AABB", b"t1232AA B", b"t1232AAxB", b"T18FF00",
    b"x1232AABB", b"V1013", b"z", b"S6", b"r1232", b"\xff\x00",
])  # fmt: skip
def test_any_other_line_tells_none(line: bytes) -> None:
    assert frame_of(line) is None


def test_a_stream_comes_apart_wherever_it_is_cut() -> None:
    stream = b"\r\at1232AABB\rrubbish\rr1238\rT18FF0010107\rR000000010\rt12310F\rt1"
    for cut in range(len(stream)):
        reader = SlcanReader()
        frames = reader.feed(stream[:cut]) + reader.feed(stream[cut:])
        assert [data for _, _, data in frames] == [b"\xaa\xbb", b"\x07", b"\x0f"]
        counts = (reader.remote_frames, reader.refused_lines, reader.bells)
        assert counts == (2, 1, 1)


@pytest.mark.parametrize(("line", "remote", "refused"), [
    (b"r1232", 1, 0),
    (b"r12321F3C", 1, 0),
    (b"R000000010", 1, 0),
    (b"R00000001", 0, 1),
    (b"r12x2", 0, 1),
    (b"r1232AA", 0, 1),
])  # fmt: skip
def test_remote_frames_are_counted(line: bytes, remote: int, refused: int) -> None:
    reader = SlcanReader()
    assert reader.feed(line + b"\r") == []
    assert (reader.remote_frames, reader.refused_lines) == (remote, refused)


def test_a_lost_end_costs_the_first_of_two_frames_only() -> None:
    reader = SlcanReader()
    frames = reader.feed(b"t1234DEADBEEFt1234CAFEBABE\rt1234DEADT00000001101\r")
    assert frames == [(0x123, False, b"\xca\xfe\xba\xbe"), (1, True, b"\x01")]
    assert reader.refused_lines == 2


def test_a_line_without_an_end_is_given_up_and_counted() -> None:
    reader = SlcanReader()
    assert reader.feed(b"t" * 5000) == []
    assert reader.feed(b"\rt1230\r") == [(0x123, False, b"")]
    assert reader.refused_lines == 1


def test_what_an_earlier_opening_left_half_is_forgotten() -> None:
    reader = SlcanReader()
    reader.feed(b"t12")
    reader.forget()
    assert reader.feed(b"t1230\r") == [(0x123, False, b"")]


@LAW
@given(st.binary(max_size=300))
def test_no_bytes_make_the_reader_raise(stream: bytes) -> None:
    for can_id, is_extended, data in SlcanReader().feed(stream + b"\r"):
        assert 0 <= can_id <= (0x1FFFFFFF if is_extended else 0x7FF)
        assert len(data) <= 64


@LAW
@given(st.booleans(), st.integers(0, 0x7FF), st.binary(max_size=8))
def test_what_is_written_is_read(is_extended: bool, number: int, data: bytes) -> None:
    kind, digits = ("T", 8) if is_extended else ("t", 3)
    line = f"{kind}{number:0{digits}X}{len(data)}{data.hex()}".encode()
    assert frame_of(line) == (number, is_extended, data)


@LAW
@given(
    st.lists(
        st.sampled_from(
            [
                b"t1232AABB", b"t1232ABCD", b"t1232AAB", b"t1232AAXX", b"t1232AABB1234",
                b"t9992AABB", b"t1239AABB", b"T000001232AABB", b"T000001232CCDD",
                b"T000001232CCD", b"T200000002CCDD", b"r1232", b"d1239" + b"AB" * 12,
                b"x", b"", b"t123", b"T0000012",
            ]
        ),
        max_size=30,
    )
)  # fmt: skip
def test_a_line_means_the_same_whatever_was_said_before(lines: list[bytes]) -> None:
    reader = SlcanReader()
    found = reader.feed(b"".join(line + b"\r" for line in lines))
    alone, refused = [], 0
    for line in lines:
        one = SlcanReader()
        alone += one.feed(line + b"\r")
        refused += one.refused_lines
    assert found == alone
    assert reader.refused_lines == refused


def test_endless_new_identifiers_take_no_endless_room() -> None:
    reader = SlcanReader()
    for number in range(MOST_HEADS + 10):
        assert reader.feed(b"T%08X0\r" % number) == [(number, True, b"")]
    # Known or not, a line is read.
    assert reader.feed(b"T%08X0\r" % 3) == [(3, True, b"")]
    last = MOST_HEADS + 5
    assert reader.feed(b"T%08X0\r" % last) == [(last, True, b"")]
