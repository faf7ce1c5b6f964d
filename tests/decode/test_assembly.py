"""Long messages of a bus are put together, whatever comes in."""

from hypothesis import given, settings
from hypothesis import strategies as st

from logger.decode.assembly import Assembler, LongGroups
from logger.decode.frames import Frame, Rejected
from tests.builders import LAW, frame

GROUPS = LongGroups(transport=frozenset({0xFECA, 0xEF00}), fast=frozenset({0x1F212}))
MOST_HELD_BYTES = 64 * 223 + 64 * 1785


def test_each_transport_gets_its_own_frames() -> None:
    assembler = Assembler(GROUPS)
    parts = [
        (0x19F212B0, "A0 09 F3 00 00 64 FF 9C"),
        (0x18ECFF00, "20 0A 00 02 FF CA FE 00"),
        (0x18EBFF00, "01 01 02 03 04 05 06 07"),
        (0x19F212B0, "A1 1C 0A 00 FF FF FF FF"),
        (0x18EBFF00, "02 08 09 0A FF FF FF FF"),
    ]
    answers = [assembler.feed(frame(0, text, can_id)) for can_id, text in parts]
    assert answers[:3] == [[], [], []]
    whole = [each for answer in answers[3:] for each in answer or []]
    assert [each.data.hex() for each in whole] == [
        "f3000064ff9c1c0a00",
        "0102030405060708090a",
    ]


def test_what_is_no_part_of_a_long_message_is_let_pass() -> None:
    assembler = Assembler(GROUPS)
    assert assembler.feed(frame(0, "00 09", 0x212)) is None  # 11 bits
    assert assembler.feed(frame(0, "00 09 00 00 00 00 00 00", 0x19F214B0)) is None
    # A group that the transport protocol may carry is whole where it fits a frame.
    assert assembler.feed(frame(0, "40 FF 5B 00 03 01 FF FF", 0x18FECA00)) is None


FRAMES = st.builds(
    Frame,
    t_us=st.integers(0, 10_000_000),
    seq=st.just(0),
    bus=st.just("drive"),
    can_id=st.builds(
        lambda group, low: group << 8 | low,
        st.sampled_from([0x1F212, 0xEC00, 0xECFF, 0xEB00, 0xEBFF, 0xFECA]),
        st.integers(0, 255),
    ),
    is_extended=st.booleans(),
    data=st.one_of(
        st.binary(max_size=64),
        st.builds(
            lambda control, rest: bytes([control]) + rest + b"\xca\xfe\x00",
            st.sampled_from([16, 17, 19, 32, 255]),
            st.binary(min_size=4, max_size=4),
        ),
        st.builds(
            lambda size, to: bytes([to, size, 0, -(-size // 7), 255, 0xCA, 0xFE, 0]),
            st.integers(0, 255),
            st.sampled_from([16, 32]),
        ),
    ),
)


@settings(LAW, max_examples=200)
@given(st.lists(FRAMES, max_size=80))
def test_no_frames_make_it_raise_or_grow(frames: list[Frame]) -> None:
    assembler = Assembler(GROUPS)
    for each in frames:
        for answer in assembler.feed(each) or []:
            assert isinstance(answer, Frame | Rejected)
            assert len(answer.data) <= 1785 + 64
        assert assembler.held_bytes <= MOST_HELD_BYTES


def test_a_flood_of_beginnings_is_held_in_a_bounded_memory() -> None:
    assembler = Assembler(GROUPS)
    full = "20 F9 06 FF FF CA FE 00"
    for sender in range(256):
        assembler.feed(frame(0, full, 0x18ECFF00 | sender))
        for number in range(1, 255):
            part = bytes([number]) + bytes(7)
            assembler.feed(frame(0, part.hex(), 0x18EBFF00 | sender))
        assembler.feed(frame(0, "00 DF 00 00 00 00 00 00", 0x19F21200 | sender))
    assert 64 * 1700 < assembler.held_bytes <= MOST_HELD_BYTES
