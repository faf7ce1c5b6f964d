"""The transport protocol of SAE J1939-21, listened to."""

import pytest

from logger.decode.frames import Frame, Reason, Rejected
from logger.decode.transport import MOST_OPEN, Transport
from tests.builders import frame

DM1, OWN = 0xFECA, 0xEF00
"""Two groups that are wanted: to all, and one with a destination address."""

BAM = "20 0A 00 02 FF CA FE 00"
FIRST, SECOND = "01 01 02 03 04 05 06 07", "02 08 09 0A FF FF FF FF"
WHOLE = bytes(range(1, 11))
"""Ten bytes of group FECA from address 00, the public test vector of a BAM."""

RTS = "10 0A 00 02 FF 00 EF 00"
CTS_ALL, HOLD = "11 02 01 FF FF 00 EF 00", "11 00 FF FF FF 00 EF 00"
END = "13 0A 00 02 FF 00 EF 00"
ABORT = "FF 01 FF FF FF 00 EF 00"


def management(sender: int, receiver: int = 0xFF) -> int:
    """Return the identifier of connection management between two addresses."""
    return 0x18EC0000 | receiver << 8 | sender


def packet(sender: int, receiver: int = 0xFF) -> int:
    """Return the identifier of data packets between two addresses."""
    return 0x18EB0000 | receiver << 8 | sender


Timed = tuple[float, int, str]


def fed(*frames: Timed) -> list[list[bytes | Reason] | None]:
    """Return what each frame brought: whole payloads and reasons of refusal."""
    transport = Transport({DM1, OWN})
    return [brought(transport.feed(frame(t, p, i))) for t, i, p in frames]


def brought(answers: list[Frame | Rejected] | None) -> list[bytes | Reason] | None:
    """Return the payloads and the reasons of what was answered."""
    if answers is None:
        return None
    return [
        each.reason if isinstance(each, Rejected) else each.data for each in answers
    ]


def test_a_message_to_all_becomes_whole_with_the_time_of_its_last_packet() -> None:
    # SAE J1939-21; vector: 18ECFF00#200A0002FFCAFE00 and two data packets.
    transport = Transport({DM1})
    assert transport.feed(frame(1.0, BAM, 0x18ECFF00)) == []
    assert transport.feed(frame(1.1, FIRST, 0x18EBFF00)) == []
    (message,) = transport.feed(frame(1.2, SECOND, 0x18EBFF00)) or []
    assert message == Frame(1_200_000, 1_200_000, "drive", 0x18FECA00, True, WHOLE)
    assert transport.held_bytes == 0


def test_an_agreed_message_is_heard_from_request_to_last_packet() -> None:
    to, back = management(3, 9), management(9, 3)
    transport = Transport({OWN})
    assert transport.feed(frame(0, RTS, to)) == []
    assert transport.feed(frame(0.1, CTS_ALL, back)) == []
    assert transport.feed(frame(0.2, FIRST, packet(3, 9))) == []
    (message,) = transport.feed(frame(0.3, SECOND, packet(3, 9))) or []
    # The destination is in the identifier, as if the message had come in one frame.
    assert isinstance(message, Frame)
    assert (message.can_id, message.data) == (0x18EF0903, WHOLE)
    assert transport.feed(frame(0.4, END, back)) == []


def test_packets_that_are_asked_for_again_are_taken() -> None:
    to, back, data = management(3, 9), management(9, 3), packet(3, 9)
    again = "11 01 01 FF FF 00 EF 00"
    answers = fed(
        (0, to, RTS), (0.1, back, CTS_ALL), (0.2, data, SECOND),
        (0.3, back, again), (0.4, data, FIRST),
    )  # fmt: skip
    assert answers[-1] == [WHOLE]
    repeated = fed(
        (0, to, RTS), (0.1, back, CTS_ALL), (0.2, data, FIRST), (0.3, data, FIRST),
        (0.4, data, SECOND),
    )  # fmt: skip
    assert repeated[-1] == [WHOLE]


def test_senders_and_receivers_do_not_disturb_each_other() -> None:
    assert fed(
        (0.00, management(3), BAM), (0.01, management(4), BAM),
        (0.02, management(3, 9), RTS), (0.03, management(9, 3), CTS_ALL),
        (0.04, packet(3), FIRST), (0.05, packet(3, 9), FIRST), (0.06, packet(4), FIRST),
        (0.07, packet(3, 9), SECOND), (0.08, packet(4), SECOND),
        (0.09, packet(3), SECOND),
    )[-3:] == [[WHOLE]] * 3  # fmt: skip


# Times: SAE J1939-21, T1 0.75 s, T2 and T3 1.25 s, T4 1.05 s.
@pytest.mark.parametrize(("frames", "late_s"), [
    ([(0, 1, BAM)], 0.75),
    ([(0, 2, RTS)], 1.25),
    ([(0, 2, RTS), (0.5, 3, CTS_ALL)], 0.5 + 1.25),
    ([(0, 2, RTS), (0.5, 3, HOLD)], 0.5 + 1.05),
    ([(0, 2, RTS), (0.1, 3, "11 01 02 FF FF 00 EF 00"), (0.2, 4, SECOND)], 0.2 + 1.25),
    ([(0, 2, RTS), (0.1, 3, CTS_ALL), (0.2, 4, "01 09 09 09 09 09 09 09")], 0.2 + 0.75),
])  # fmt: skip
def test_what_comes_too_late_ends_its_message(
    frames: list[Timed], late_s: float
) -> None:
    ids = {1: management(3), 2: management(3, 9), 3: management(9, 3), 4: packet(3, 9)}
    known = [(t_s, ids[which], text) for t_s, which, text in frames]
    data = packet(3) if frames[0][1] == 1 else packet(3, 9)
    in_time = fed(*known, (late_s, data, FIRST))[-1]
    assert in_time is not None
    assert Reason.INCOMPLETE not in in_time
    assert fed(*known, (late_s + 0.001, data, FIRST))[-1] == [Reason.INCOMPLETE]


def test_of_a_message_to_all_a_lost_packet_is_not_made_up_for() -> None:
    long = "20 14 00 03 FF CA FE 00"
    answers = fed(
        (0, management(3), long), (0.1, packet(3), FIRST),
        (0.2, packet(3), "03 00 00 00 00 00 00 FF"), (0.3, packet(3), SECOND),
    )  # fmt: skip
    assert answers[-2:] == [[Reason.INCOMPLETE], None]


@pytest.mark.parametrize("number", ["00", "03"])
def test_a_packet_that_was_not_announced_ends_its_message(number: str) -> None:
    odd = number + " 00 00 00 00 00 00 00"
    assert fed((0, management(3, 9), RTS), (0.1, packet(3, 9), odd))[-1] == [
        Reason.INCOMPLETE
    ]


@pytest.mark.parametrize("ends", [management(3, 9), management(9, 3)])
def test_either_side_may_abort(ends: int) -> None:
    answers = fed(
        (0, management(3, 9), RTS), (0.1, ends, ABORT), (0.2, packet(3, 9), FIRST)
    )
    assert answers[1:] == [[Reason.INCOMPLETE], None]


def test_an_end_that_comes_before_all_packets_were_heard_ends_the_message() -> None:
    answers = fed(
        (0, management(3, 9), RTS), (0.1, packet(3, 9), FIRST),
        (0.2, management(9, 3), END),
    )  # fmt: skip
    assert answers[-1] == [Reason.INCOMPLETE]


def test_what_two_others_say_changes_nothing() -> None:
    to, data = management(3, 9), packet(3, 9)
    for said in (CTS_ALL, ABORT, END, "12 00 00 00 00 00 EF 00"):
        answers = fed(
            (0, to, RTS), (0.1, management(9, 4), said), (0.2, data, FIRST),
            (0.3, data, SECOND),
        )  # fmt: skip
        assert answers == [[], [], [], [WHOLE]], said
    of_another_group = "FF 01 FF FF FF CA FE 00"
    assert fed((0, to, RTS), (0.1, to, of_another_group), (0.2, data, FIRST)) == [
        [], [], []
    ]  # fmt: skip


def test_a_new_announcement_takes_the_place_of_the_old_one() -> None:
    answers = fed(
        (0, management(3), BAM), (0.1, packet(3), FIRST), (0.2, management(3), BAM),
        (0.3, packet(3), FIRST), (0.4, packet(3), SECOND),
    )  # fmt: skip
    assert answers[2:] == [[Reason.INCOMPLETE], [], [WHOLE]]


def test_what_is_not_wanted_is_let_pass() -> None:
    others = "20 0A 00 02 FF EB FE 00"
    assert fed((0, management(3), others), (0.1, packet(3), FIRST)) == [None, None]
    assert fed((0, management(3), "11 02 01 FF FF EB FE 00")) == [None]
    assert fed((0, management(3), BAM[:-3])) == [None]
    # An agreement with all is none, and a message of a pair that is wanted ends.
    assert fed((0, management(3, 9), BAM)) == [[]]
    assert fed((0, management(3), BAM), (0.1, management(3), others))[-1] == [
        Reason.INCOMPLETE
    ]


@pytest.mark.parametrize("announced", [
    "20 08 00 02 FF CA FE 00",  # 8 bytes go in one frame
    "20 FA 06 FF FF CA FE 00",  # 1786 bytes: one more than 255 packets carry
    "20 0A 00 03 FF CA FE 00",  # ten bytes are two packets
])  # fmt: skip
def test_an_announcement_that_cannot_be_is_refused(announced: str) -> None:
    assert fed((0, management(3), announced)) == [[Reason.UNDECODABLE]]


def test_the_longest_message_has_1785_bytes() -> None:
    data = bytes(n % 251 for n in range(1785))
    parts = [bytes([n + 1]) + data[7 * n : 7 * n + 7] for n in range(255)]
    packets = [(0.1, packet(3), part.hex()) for part in parts]
    answers = fed((0, management(3), "20 F9 06 FF FF CA FE 00"), *packets)
    assert answers[-1] == [data]


def test_beyond_a_number_of_open_messages_the_oldest_is_given_up() -> None:
    transport = Transport({DM1, OWN})
    for number in range(MOST_OPEN):
        assert transport.feed(frame(0, RTS, management(number, 200))) == []
    answers = transport.feed(frame(0, RTS, management(MOST_OPEN, 200)))
    assert answers == [Rejected(Reason.INCOMPLETE, b"")]
    assert transport.feed(frame(0, FIRST, packet(0, 200))) is None
    assert transport.feed(frame(0, FIRST, packet(1, 200))) == []
