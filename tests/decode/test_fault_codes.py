"""Fault codes of three families: bytes on the left, the fault on the right."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.decode.fault_codes import (
    EMERGENCY_CLASSES,
    FaultCode,
    FaultReport,
    Lamp,
    Lamps,
    NodeState,
    Told,
    decode_dm1,
    decode_dm_rv,
    decode_emergency,
    decode_heartbeat,
    emergency_class,
    register_words,
)
from logger.decode.frames import Reason, Rejected
from tests.builders import LAW

ON, OFF, NONE = Lamp.ON, Lamp.OFF, Lamp.NOT_AVAILABLE


def dm1(payload: str) -> FaultReport:
    """Return what a DM1 in hex tells."""
    report = decode_dm1(bytes.fromhex(payload))
    assert isinstance(report, FaultReport)
    return report


# SAE J1939-73 5.7.1.11, worked example; also what can-j1939 2.0.12 makes of it.
def test_a_trouble_code_is_number_failure_occurrences_and_method() -> None:
    (told,) = dm1("00 FF B8 04 03 0A FF FF").active
    assert told == Told(FaultCode(1208, 3), occurrences=10, conversion=0)


# The other fields of the 32 bits, by hand from J1939-73 5.7.1.
@pytest.mark.parametrize(("code", "number", "failure", "occurrences", "conversion"), [
    ("FF FF E0 00", 524287, 0, 0, 0),
    ("00 00 1F 00", 0, 31, 0, 0),
    ("00 00 20 01", 65536, 0, 1, 0),
    ("01 00 00 81", 1, 0, 1, 1),
    ("01 00 00 7F", 1, 0, None, 0),  # 127: not available (from memory)
])  # fmt: skip
def test_every_field_of_a_trouble_code_has_its_bits(
    code: str, number: int, failure: int, occurrences: int | None, conversion: int
) -> None:
    (told,) = dm1("00 FF " + code + " FF FF").active
    assert told == Told(FaultCode(number, failure), occurrences, conversion)


# Published test vector 18FECA00#40FF5B000301FFFF: MIL on and steady.
def test_a_single_frame_tells_lamps_and_one_code() -> None:
    report = dm1("40 FF 5B 00 03 01 FF FF")
    assert report.active == (Told(FaultCode(91, 3), 1),)
    assert report.lamps == Lamps(protect=OFF, warning=OFF, stop=OFF, malfunction=ON)
    assert report.flashing == Lamps(NONE, NONE, NONE, NONE)
    assert report.is_all


# SAE J1939-73 5.7.1, by an engine maker's application manual.
def test_an_all_zero_code_says_that_none_is_active() -> None:
    report = dm1("00 FF 00 00 00 00 FF FF")
    assert report == FaultReport(
        (), is_all=True, lamps=Lamps(OFF, OFF, OFF, OFF), flashing=Lamps()
    )


@pytest.mark.parametrize(("byte", "lamps"), [
    (0x04, Lamps(OFF, ON, OFF, OFF)),  # amber on, steady (can-j1939 2.0.12)
    (0x10, Lamps(OFF, OFF, ON, OFF)),
    (0x01, Lamps(ON, OFF, OFF, OFF)),
    (0x80, Lamps(OFF, OFF, OFF, Lamp.ERROR)),
    (0xFF, Lamps(NONE, NONE, NONE, NONE)),
])  # fmt: skip
def test_each_lamp_has_two_bits(byte: int, lamps: Lamps) -> None:
    assert dm1(f"{byte:02X} FF 00 00 00 00 FF FF").lamps == lamps


def test_every_code_of_a_message_put_together_is_told() -> None:
    report = dm1("54 FF B8 04 03 0A 5B 00 03 01 01 00 20 02")
    assert [told.code.text for told in report.active] == [
        "SPN 1208, FMI 3",
        "SPN 91, FMI 3",
        "SPN 65537, FMI 0",
    ]


# RV-C 3.2.5, by public transcriptions: the number begins with its highest bits.
def test_a_code_of_a_recreation_vehicle_has_its_own_order() -> None:
    report = decode_dm_rv(bytes.fromhex("51 46 01 02 A5 83 FF F1"))
    # 0x01 << 11 | 0x02 << 3 | 0xA5 >> 5 = 2048 + 16 + 5
    code = FaultCode(2069, 5, unit=0x46)
    assert report == FaultReport(
        (Told(code, 3),), lamps=Lamps(NONE, ON, ON, NONE)
    )  # fmt: skip
    assert code.text == "SPN 2069, FMI 5 of unit 46"


@pytest.mark.parametrize(("status", "is_active"), [
    ("01", False), ("11", True), ("41", True), ("F1", False),
])  # fmt: skip
def test_a_code_of_a_recreation_vehicle_stands_while_a_lamp_is_on(
    status: str, is_active: bool
) -> None:
    report = decode_dm_rv(bytes.fromhex(status + " 46 01 02 A5 03 FF F1"))
    assert isinstance(report, FaultReport)
    code = FaultCode(2069, 5, unit=0x46)
    told = tuple(each.code for each in report.active)
    assert (told, report.over) == (((code,), ()) if is_active else ((), (code,)))
    assert not report.is_all


def test_a_number_of_all_ones_says_that_no_code_stands() -> None:
    report = decode_dm_rv(bytes.fromhex("01 46 FF FF FF FF FF FF"))
    assert isinstance(report, FaultReport)
    assert (report.active, report.is_all) == ((), True)


# CiA 301, worked example of the canopen library: overvoltage.
def test_an_emergency_is_code_and_register() -> None:
    report = decode_emergency(bytes.fromhex("00 30 05 00 00 00 00 00"))
    assert isinstance(report, FaultReport)
    assert report.active == (Told(FaultCode(0x3000)),)
    assert report.active[0].code.text == "emergency 3000 (voltage)"
    assert report.register == 5
    assert register_words(5) == ("generic", "voltage")


def test_class_00_says_that_all_errors_are_over() -> None:
    assert decode_emergency(bytes(8)) == FaultReport((), is_all=True, register=0)


# Error classes of CiA 301, by their high byte.
@pytest.mark.parametrize(("number", "words"), [
    (0x1000, "generic"), (0x2110, "current, input"), (0x2310, "current, output"),
    (0x3110, "voltage of the mains"), (0x3210, "voltage inside"),
    (0x4210, "temperature of the device"), (0x5000, "hardware"), (0x6200, "software of "
     "the user"), (0x7300, "additional modules"), (0x8110, "communication"),
    (0x8210, "protocol"), (0x9000, "external"), (0xF001, "additional functions"),
    (0xFF01, "of the device's own kind"), (0xA000, "unknown class"),
    (0x0010, "reset or no error"),
])  # fmt: skip
def test_an_emergency_code_has_its_published_class(number: int, words: str) -> None:
    assert emergency_class(number) == words


def test_every_published_class_is_known() -> None:
    assert set(EMERGENCY_CLASSES) == {
        *(0x00, 0x10, 0x20, 0x21, 0x22, 0x23, 0x30, 0x31, 0x32, 0x33, 0x40, 0x41, 0x42),
        *(0x50, 0x60, 0x61, 0x62, 0x63, 0x70, 0x80, 0x81, 0x82, 0x90, 0xF0, 0xFF),
    }


# Error register, object 1001 (CiA 301).
@pytest.mark.parametrize(("bit", "name"), [
    (0, "generic"), (1, "current"), (2, "voltage"), (3, "temperature"),
    (4, "communication"), (5, "profile"), (6, "reserved"), (7, "maker"),
])  # fmt: skip
def test_each_bit_of_the_error_register_has_its_name(bit: int, name: str) -> None:
    assert register_words(1 << bit) == (name,)


# Heartbeat, CiA 301: 0 boot-up, 4 stopped, 5 operational, 127 pre-operational.
@pytest.mark.parametrize(("payload", "state", "label"), [
    ("00", NodeState.BOOT_UP, "boot-up"), ("04", NodeState.STOPPED, "stopped"),
    ("05", NodeState.OPERATIONAL, "operational"),
    ("7F", NodeState.PRE_OPERATIONAL, "pre-operational"),
    ("85", NodeState.OPERATIONAL, "operational"),  # the toggle bit of node guarding
])  # fmt: skip
def test_a_heartbeat_tells_a_state(payload: str, state: NodeState, label: str) -> None:
    assert decode_heartbeat(bytes.fromhex(payload)) is state
    assert state.label == label


def test_what_is_too_short_or_unknown_is_refused() -> None:
    for decode, n_bytes in ((decode_dm1, 5), (decode_dm_rv, 7), (decode_emergency, 2)):
        data = bytes(n_bytes)
        assert decode(data) == Rejected(Reason.SHORT, data)
        assert isinstance(decode(bytes(n_bytes + 1)), FaultReport)
    assert decode_heartbeat(b"") == Rejected(Reason.SHORT, b"")
    assert decode_heartbeat(b"\x06") == Rejected(Reason.NO_SUCH_CODE, b"\x06")


@LAW
@given(st.binary(max_size=70))
def test_no_bytes_make_a_decoder_of_faults_raise(data: bytes) -> None:
    for decode in (decode_dm1, decode_dm_rv, decode_emergency, decode_heartbeat):
        answer = decode(data)
        assert not isinstance(answer, Rejected) or answer.data == data
