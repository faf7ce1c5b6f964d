"""Raw values that say "no value", where a description follows such a custom.

Sources: SAE J1939-71, ranges of transmitted signals (error and not available of one,
two and four bytes, of two and of four bits); all else common practice, no source.
"""

import pytest

from logger.decode.descriptions import Form, read_description
from logger.decode.layout import Absence
from replay.bulk import unpack
from tests.builders import dbc


def one_value(
    layout: str, raw: int, absence: Absence, more: str = ""
) -> float | int | None:
    """Return what a payload with a raw number in its lowest bits means, both ways."""
    (message,) = read_description(dbc([layout]) + more, Form.DBC, absence)
    payload = raw.to_bytes(8, "little")
    answer = message.decode(payload)
    assert isinstance(answer, tuple)
    assert [repr(row) for row in unpack(message, [payload]).rows()] == [repr(answer)]
    (value,) = answer
    return value


@pytest.mark.parametrize(
    ("bits", "last_value"),
    [
        (2, 0b01),  # 10 error, 11 not available
        (4, 0xD),  # E error, F not available
        (8, 0xFD),  # FE, FF
        (16, 0xFDFF),  # FE00..FEFF, FF00..FFFF
        (32, 0xFDFFFFFF),
        (24, 0xFDFFFF),  # whole bytes: common practice, no source
        (1, 1),  # a single bit has no code to spare
        (3, 6),  # all ones alone: common practice, no source
        (10, 0x3FE),
    ],
)
def test_j1939_ranges_have_no_value(bits: int, last_value: int) -> None:
    layout = f"0|{bits}@1+ (1,0)"
    for raw in {0, 1, last_value}:
        assert one_value(layout, raw, Absence.J1939) == raw
    for raw in {last_value + 1, (1 << bits) - 1} - {1 << bits}:
        if raw > last_value:
            assert one_value(layout, raw, Absence.J1939) is None


@pytest.mark.parametrize(
    ("bits", "last_value"),
    [(1, 1), (2, 2), (3, 6), (4, 13), (8, 0xFD), (16, 0xFFFD), (32, 0xFFFFFFFD)],
)
def test_the_highest_codes_have_no_value(bits: int, last_value: int) -> None:
    layout = f"0|{bits}@1+ (1,0)"
    assert one_value(layout, last_value, Absence.HIGHEST) == last_value
    for raw in range(last_value + 1, 1 << bits):
        assert one_value(layout, raw, Absence.HIGHEST) is None


@pytest.mark.parametrize("absence", [Absence.J1939, Absence.HIGHEST])
def test_of_a_signed_value_the_highest_positive_codes_are_none(
    absence: Absence,
) -> None:
    layout = "0|16@1- (1,0)"
    assert one_value(layout, 0x7FFF, absence) is None
    assert one_value(layout, 0x7FFE, absence) is None
    assert one_value(layout, 0x7FFD, absence) == 0x7FFD
    assert one_value(layout, 0xFFFF, absence) == -1
    assert one_value("0|3@1- (1,0)", 3, absence) is None
    assert one_value("0|3@1- (1,0)", 2, absence) == 2


def test_what_is_there_is_scaled() -> None:
    layout = "0|16@1+ (0.05,0)"  # 0x1B58 = 7000
    assert one_value(layout, 0x1B58, Absence.J1939) == pytest.approx(350.0)


def test_a_float_has_no_such_ranges() -> None:
    more = "SIG_VALTYPE_ 256 S0 : 1;\n"
    # 7F7FFFFF is the largest single, 2^128 - 2^104.
    value = one_value("0|32@1- (1,0)", 0x7F7FFFFF, Absence.J1939, more)
    assert value == 2.0**128 - 2.0**104


def test_a_description_as_it_is_has_a_value_for_every_code() -> None:
    assert one_value("0|16@1+ (1,0)", 0xFFFF, Absence.DESCRIBED) == 0xFFFF


def test_a_selector_selects_by_any_code() -> None:
    text = dbc(["M : 0|8@1+ (1,0)", "m255 : 8|8@1+ (1,0)"])
    (message,) = read_description(text, Form.DBC, Absence.J1939)
    assert message.decode(bytes([255, 7, 0, 0, 0, 0, 0, 0])) == (None, 7)
