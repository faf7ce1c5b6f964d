"""Fast packets: messages of two to 32 frames become whole, and nothing else does."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.decode.fast_packet import LONGEST_BYTES, MOST_OPEN, FastPackets
from logger.decode.frames import Frame, Reason, Rejected
from tests.builders import LAW, frame

DETAIL = 0x19F212B0
"""Group 127506 from source 176, as in the recorded network."""


def cut_up(data: bytes, sequence: int = 0) -> list[bytes]:
    """Return the frames of a message, the last one filled with FF."""
    rest = [data[at : at + 7] for at in range(6, len(data), 7)]
    parts = [bytes([sequence << 5, len(data)]) + data[:6]]
    parts += [bytes([sequence << 5 | n]) + each for n, each in enumerate(rest, 1)]
    return [part.ljust(8, b"\xff") for part in parts]


def fed(*timed: tuple[float, str], can_id: int = DETAIL) -> list[list[bytes | Reason]]:
    """Return what each frame brought: whole payloads and reasons of refusal."""
    packets = FastPackets()
    return [brought(packets.feed(frame(t_s, text, can_id))) for t_s, text in timed]


def brought(answers: list[Frame | Rejected]) -> list[bytes | Reason]:
    """Return the payloads and the reasons of what was answered."""
    return [
        each.reason if isinstance(each, Rejected) else each.data for each in answers
    ]


# Two frames of tests/data/can/n2k-battery-meter.log.gz; the payload by another reader.
FIRST, SECOND = "A0 09 F3 00 00 64 FF 9C", "A1 1C 0A 00 FF FF FF FF"
WHOLE = bytes.fromhex("F3 00 00 64 FF 9C 1C 0A 00")


def test_two_frames_become_one_message_at_the_time_of_the_last() -> None:
    packets = FastPackets()
    assert packets.feed(frame(1.0, FIRST, DETAIL)) == []
    (message,) = packets.feed(frame(1.02, SECOND, DETAIL))
    assert message == Frame(1_020_000, 1_020_000, "drive", DETAIL, True, WHOLE)
    assert packets.held_bytes == 0


def test_a_message_of_six_bytes_needs_no_second_frame() -> None:
    assert fed((0, "40 06 01 02 03 04 05 06")) == [[bytes(range(1, 7))]]
    assert fed((0, "40 03 01 02 03 FF FF FF")) == [[bytes(range(1, 4))]]


@settings(LAW, max_examples=60)
@given(st.binary(min_size=1, max_size=LONGEST_BYTES), st.integers(0, 7))
def test_what_was_cut_up_is_put_together_again(data: bytes, sequence: int) -> None:
    parts = [(0.0, part.hex()) for part in cut_up(data, sequence)]
    *before, last = fed(*parts)
    assert before == [[]] * len(before)
    assert last == [data]


def test_sequences_and_senders_may_be_interleaved() -> None:
    ours, theirs, others = b"A" * 20, b"B" * 20, b"C" * 20
    packets = FastPackets()
    cut = cut_up(ours, 1), cut_up(theirs, 2), cut_up(others)
    frames = [
        (can_id, part)
        for parts in zip(*cut, strict=True)
        for can_id, part in zip((DETAIL, DETAIL, DETAIL + 1), parts, strict=True)
    ]
    answers = [brought(packets.feed(frame(0, p.hex(), i))) for i, p in frames]
    assert [each for answer in answers for each in answer] == [ours, theirs, others]


def test_a_lost_frame_costs_its_message_and_no_other() -> None:
    parts = [(0.0, part.hex()) for part in cut_up(b"A" * 27, 1)]
    again = [(0.1, part.hex()) for part in cut_up(b"B" * 9, 1)]
    lost_in_the_middle = [parts[0], parts[1], parts[3], *again]
    assert fed(*lost_in_the_middle)[2:] == [[Reason.INCOMPLETE], [], [b"B" * 9]]
    lost_first = [*parts[1:], *again]
    assert fed(*lost_first) == [[], [], [], [], [b"B" * 9]]
    lost_last = [*parts[:3], *again]
    assert fed(*lost_last)[3:] == [[Reason.INCOMPLETE], [b"B" * 9]]


def test_what_was_given_up_shows_the_bytes_that_came() -> None:
    packets = FastPackets()
    packets.feed(frame(0, FIRST, DETAIL))
    assert packets.feed(frame(0, "A3 00", DETAIL)) == [
        Rejected(Reason.INCOMPLETE, WHOLE[:6])
    ]


@pytest.mark.parametrize(("gap_s", "answer"), [
    (0.75, [WHOLE]),
    (0.751, [Reason.INCOMPLETE]),
    (-0.02, [WHOLE]),  # stamps of two buses may run back a little
])  # fmt: skip
def test_the_rest_of_a_message_has_to_come_in_time(
    gap_s: float, answer: list[bytes | Reason]
) -> None:
    # 0.75 s: common practice, no source.
    assert fed((1, FIRST), (1 + gap_s, SECOND))[1] == answer


@pytest.mark.parametrize("payload", [
    "", "A0",  # too short to tell anything
    "A0 00 01 02 03 04 05 06",  # a message of no bytes
    "A0 E0 01 02 03 04 05 06",  # 224 bytes: more than 32 frames can carry
    "A0 09 F3 00",  # more is to come, and this frame is not full
])  # fmt: skip
def test_a_frame_that_cannot_be_is_refused(payload: str) -> None:
    assert fed((0, payload)) == [[Reason.INCOMPLETE]]


def test_beyond_a_number_of_open_messages_the_oldest_is_given_up() -> None:
    packets = FastPackets()
    for number in range(MOST_OPEN):
        assert packets.feed(frame(0, FIRST, DETAIL + (number << 8))) == []
    assert packets.held_bytes == 6 * MOST_OPEN
    (refused,) = packets.feed(frame(0, FIRST, DETAIL + (MOST_OPEN << 8)))
    assert isinstance(refused, Rejected)
    assert packets.held_bytes == 6 * MOST_OPEN
    assert packets.feed(frame(0, SECOND, DETAIL)) == []
    assert len(packets.feed(frame(0, SECOND, DETAIL + (1 << 8)))) == 1
