"""Where a signal's bits are and what they mean, as the DBC form has it."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.builders import LAW, dbc, decoded, described

FLOATS = dbc(["0|32@1- (1,0)", "39|32@0- (1,0)"]) + (
    "SIG_VALTYPE_ 256 S0 : 1;\nSIG_VALTYPE_ 256 S1 : 1;\n"
)
SWITCHED = dbc(["M : 0|8@1+ (1,0)", "m0 : 8|16@1+ (0.1,0)", "m1 : 8|16@1- (1,0)"])


# @1: start bit is the lowest; @0: start bit is the highest, bits 7..0 in each byte;
# - is two's complement.
@pytest.mark.parametrize(
    ("layout", "payload", "value"),
    [
        ("4|12@1+ (1,0)", "10 32 54 76 FF 38 9C FF", 801),  # 0x321
        ("23|12@0+ (1,0)", "10 32 54 76 FF 38 9C FF", 1351),  # 0x547
        ("39|16@0- (0.1,0)", "10 32 54 76 FF 38 9C FF", -20.0),  # 0xFF38 = -200
        ("48|16@1- (0.01,0)", "10 32 54 76 FF 38 9C FF", -1.0),  # 0xFF9C = -100
        ("0|16@1- (0.1,-40)", "0B 02 00 00 00 00 00 00", 12.3),  # 523 x 0.1 - 40
        ("0|64@1+ (1,0)", "FF FF FF FF FF FF FF FF", 2**64 - 1),
        ("7|64@0- (1,0)", "80 00 00 00 00 00 00 00", -(2**63)),
    ],
)
def test_a_number_is_cut_and_scaled(layout: str, payload: str, value: float) -> None:
    assert decoded(dbc([layout]), payload) == pytest.approx({"S0": value})


def test_a_whole_number_stays_exact() -> None:
    values = decoded(dbc(["0|64@1+ (1,0)"]), "FF FF FF FF FF FF FF FF")
    assert values == {"S0": 18446744073709551615}  # a float would round it


@LAW
@given(st.integers(-(2**15), 2**15 - 1), st.integers(0, 2**16 - 1))
def test_both_byte_orders_read_what_struct_packed(low: int, high: int) -> None:
    text = dbc(["0|16@1- (1,0)", "23|16@0+ (1,0)"])
    payload = struct.pack("<h", low) + struct.pack(">H", high) + bytes(4)
    assert decoded(text, payload.hex()) == {"S0": low, "S1": high}


def test_floats_are_ieee_754_in_both_byte_orders() -> None:
    values = decoded(FLOATS, "00 00 C0 3F C0 10 00 00")
    assert values == {"S0": 1.5, "S1": -2.25}


@LAW
@given(st.floats(width=32, allow_nan=False, allow_infinity=False))
def test_a_float_comes_back_as_struct_packed_it(value: float) -> None:
    payload = struct.pack("<f", value) + struct.pack(">f", value)
    assert decoded(FLOATS, payload.hex()) == {"S0": value, "S1": value}


@pytest.mark.parametrize(
    "payload",
    [
        "00 00 C0 7F C0 10 00 00",  # not a number
        "00 00 80 7F C0 10 00 00",  # infinity
        "00 00 80 FF C0 10 00 00",  # minus infinity
    ],
)
def test_a_float_without_a_value_is_missing(payload: str) -> None:
    assert decoded(FLOATS, payload) == {"S0": None, "S1": -2.25}


@pytest.mark.parametrize(
    ("payload", "values"),
    [
        (
            "00 74 0E 00 00 00 00 00",
            {"S0": 0, "S1": 370.0, "S2": None},
        ),  # 0x0E74 = 3700
        ("01 0C FE 00 00 00 00 00", {"S0": 1, "S1": None, "S2": -500}),  # 0xFE0C
    ],
)
def test_the_selector_says_which_signal_is_there(
    payload: str, values: dict[str, float | None]
) -> None:
    assert decoded(SWITCHED, payload) == pytest.approx(values)


def test_a_named_value_is_read_as_its_number() -> None:
    text = dbc(["0|8@1+ (1,0)"]) + 'VAL_ 256 S0 3 "drive" 0 "park" ;\n'
    assert decoded(text, "03 00 00 00 00 00 00 00") == {"S0": 3}


def test_bytes_past_the_described_length_are_ignored() -> None:
    text = dbc(["7|16@0+ (1,0)"], length=2)
    assert decoded(text, "01 02 FF FF FF FF FF FF") == {"S0": 258}  # 0x0102


def test_values_come_in_the_order_of_the_names() -> None:
    message = described(dbc(["8|8@1+ (1,0)", "0|8@1+ (1,0)"], length=2))
    pairs = {"S1": 10, "S0": 20}  # S1 is in the first byte
    assert message.decode(bytes([10, 20])) == tuple(pairs[n] for n in message.signals)
