"""Fault codes on their way into the log: told when they appear, and when they go."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.decode.assembly import LongGroups
from logger.decode.fault_codes import FaultCode, FaultFamily
from logger.decode.frames import Frame, Reason, Rejected
from logger.pipeline.chain import Pipeline
from logger.pipeline.faults import MOST_CODES, FaultBook
from logger.pipeline.spec import PipelineSpec, Remark
from tests.builders import LAW, frame, run, us

DM1, DM_RV = 0x18FECA00, 0x19FECA46
SPEC = PipelineSpec(
    long_groups={"drive": LongGroups(transport=frozenset({0xFECA}))},
    faults={"drive": frozenset(FaultFamily)},
)
NONE, ONE, OTHER = (
    "00 FF 00 00 00 00 FF FF",
    "40 FF 5B 00 03 01 FF FF",
    "10 FF B8 04 03 0A FF FF",
)


def told(*timed: tuple[float, str], can_id: int = DM1) -> list[tuple[str, str]]:
    """Return kind and words of every remark that frames bring."""
    outcome = run(SPEC, [frame(t_s, text, can_id) for t_s, text in timed])
    return [(r.kind, r.text) for r in outcome.outputs if isinstance(r, Remark)]


def test_a_code_is_told_when_it_appears_and_when_it_goes() -> None:
    assert told((0, NONE), (1, ONE), (2, ONE), (3, NONE), (4, NONE)) == [
        ("fault", "bus drive, address 00 tells SPN 91, FMI 3; its own count 1; "
         "lamps on: malfunction."),
        ("fault gone", "bus drive, address 00 no longer tells SPN 91, FMI 3."),
    ]  # fmt: skip


def test_a_code_that_takes_the_place_of_another_ends_it() -> None:
    assert [kind for kind, _ in told((0, ONE), (1, OTHER))] == [
        "fault",
        "fault",
        "fault gone",
    ]


def test_every_code_of_a_long_message_is_told_at_its_last_packet() -> None:
    # Ten bytes by BAM: lamps, two codes. SAE J1939-21 and -73.
    frames = [
        frame(1.0, "20 0A 00 02 FF CA FE 00", 0x18ECFF00),
        frame(1.1, "01 54 FF B8 04 03 0A 5B", 0x18EBFF00),
        frame(1.2, "02 00 03 01 FF FF FF FF", 0x18EBFF00),
    ]
    outcome = run(SPEC, frames)
    remarks = [each for each in outcome.outputs if isinstance(each, Remark)]
    assert [each.t_us for each in remarks] == [us(1.2), us(1.2)]
    assert ["SPN 1208" in remarks[0].text, "SPN 91" in remarks[1].text] == [True, True]
    assert outcome.closing.unmatched_frames == 0


def test_faults_of_two_senders_are_not_mixed_up() -> None:
    pipeline = Pipeline(SPEC)
    pipeline.feed([frame(0, ONE), frame(0, ONE, DM1), frame(1, OTHER, DM1 + 1)])
    pipeline.feed([frame(2, NONE, DM1 + 1)])
    (standing,) = pipeline.faults
    assert (standing.bus, standing.sender) == ("drive", 0)
    assert standing.told.code == FaultCode(91, 3)
    assert standing.family is FaultFamily.J1939


def test_a_recreation_vehicle_s_code_goes_with_its_lamps() -> None:
    words = told(
        (0, "41 46 01 02 A5 03 FF F1"), (1, "01 46 01 02 A5 03 FF F1"), can_id=DM_RV
    )
    assert words == [
        ("fault", "bus drive, address 46 tells SPN 2069, FMI 5 of unit 46; "
         "its own count 3; lamps on: red stop."),
        ("fault gone", "bus drive, address 46 no longer tells SPN 2069, FMI 5 of "
         "unit 46."),
    ]  # fmt: skip


def test_an_emergency_goes_with_class_00() -> None:
    # CiA 301: 3000 is a voltage error; 080 + node 5.
    words = told((0, "00 30 05 00 00 00 00 00"), (1, "00 00 00"), can_id=0x85)
    assert words == [
        ("fault", "bus drive, node 5 tells emergency 3000 (voltage); "
         "error register: generic, voltage."),
        ("fault gone", "bus drive, node 5 no longer tells emergency 3000 (voltage)."),
    ]  # fmt: skip


def test_a_node_s_change_of_state_is_told() -> None:
    # CiA 301: heartbeat at 700 + node.
    words = told((0, "05"), (1, "05"), (2, "04"), (3, "05"), (4, "7F"), can_id=0x705)
    assert words == [
        ("node state", "bus drive, node 5 is stopped, was operational."),
        ("node state", "bus drive, node 5 is pre-operational, was operational."),
    ]
    assert told((0, "00"), can_id=0x705) == [
        ("node state", "bus drive, node 5 is boot-up.")
    ]


def test_a_code_that_comes_and_goes_is_told_at_every_doubling() -> None:
    flickers = [(n, ONE if n % 2 else NONE) for n in range(1, 17)]
    words = told(*flickers)
    assert len(words) == 8  # the 1st, 2nd, 4th and 8th time, and that it went
    assert words[-2][1].endswith("; time 8 in this run.")


def test_what_cannot_be_read_is_refused_and_counted() -> None:
    outcome = run(SPEC, [frame(0, "40 FF", DM1), frame(1, "06", 0x705)])
    refusals = outcome.closing.refusals
    assert [(each.place, each.reason, each.sample) for each in refusals] == [
        ("bus drive, faults in 18FECA00", Reason.SHORT, "40 ff"),
        ("bus drive, faults in 705", Reason.NO_SUCH_CODE, "06"),
    ]
    assert outcome.closing.unmatched_frames == 0


@pytest.mark.parametrize("can_id", [0x18FECB00, 0x080, 0x700, 0x185, 0x7E5])
def test_what_tells_of_no_fault_is_not_taken_for_one(can_id: int) -> None:
    outcome = run(SPEC, [frame(0, ONE, can_id)])
    assert outcome.closing.unmatched_frames == 1


def test_only_the_families_that_were_asked_for_are_listened_for() -> None:
    book = FaultBook("drive", frozenset({FaultFamily.RV_C}))
    assert book.take(frame(0, ONE, DM1)) is None
    assert book.take(frame(0, "00 30 05", 0x85)) is None


def test_noise_is_told_a_bounded_number_of_times() -> None:
    book = FaultBook("drive", frozenset({FaultFamily.CANOPEN}))
    remarks: list[Remark] = []
    for code in range(0x1000, 0x1000 + 2 * MOST_CODES):
        payload = code.to_bytes(2, "little") + b"\x01"
        answer = book.take(Frame(0, 0, "drive", 0x85, False, payload))
        assert isinstance(answer, list)
        remarks += answer
    assert (len(book.standing), book.untold) == (MOST_CODES, MOST_CODES)
    # Beyond the most, the 1st, 2nd, 4th … 256th that is left out is told.
    assert len(remarks) == MOST_CODES + 9
    assert remarks[-1].text == (
        "bus drive tells more than 500 different fault codes. 256 left out."
    )


@settings(LAW, max_examples=150)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([DM1, DM_RV, 0x85, 0x705]),
            st.binary(max_size=64),
        ),
        max_size=30,
    )
)
def test_no_bytes_make_a_book_of_faults_raise(sent: list[tuple[int, bytes]]) -> None:
    book = FaultBook("drive", frozenset(FaultFamily))
    for can_id, data in sent:
        answer = book.take(Frame(0, 0, "drive", can_id, can_id > 0x7FF, data))
        assert isinstance(answer, list | Rejected)
    assert len(book.standing) <= MOST_CODES
