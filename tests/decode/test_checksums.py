"""Checksums of text lines, against published check values."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.decode.checksums import Checksum, digits_of
from tests.builders import LAW

CHECK = b"123456789"
"""What the catalogue of CRC algorithms takes for its check values."""


@pytest.mark.parametrize(("kind", "data", "digits"), [
    (Checksum.NONE, CHECK, b""),
    (Checksum.XOR, b"1,2", b"2F"),                    # by hand: 31 ^ 2C ^ 32
    (Checksum.SUM, CHECK, b"DD"),                     # by hand: 477 = 1DD
    (Checksum.SUM_TO_ZERO, CHECK, b"23"),             # DD + 23 = 100
    (Checksum.CRC_16_MODBUS, CHECK, b"4B37"),         # the catalogue
    (Checksum.CRC_16_CCITT, CHECK, b"29B1"),          # the catalogue, start FFFF
    (Checksum.CRC_16_CCITT, b"", b"FFFF"),
])  # fmt: skip
def test_published_values_come_out(kind: Checksum, data: bytes, digits: bytes) -> None:
    assert digits_of(kind, data) == digits


# Low byte first on the wire. MODBUS over Serial Line V1.02, CRC appendix; Application
# Protocol V1.1b3, 6.3, 6.4, 6.6 and 6.12; "SunS" at 40000 and its answer.
@pytest.mark.parametrize(("frame", "on_the_wire"), [
    ("02 07", "41 12"),
    ("11 03 00 6B 00 03", "76 87"),
    ("11 03 06 02 2B 00 00 00 64", "C8 BA"),
    ("11 04 00 08 00 01", "B2 98"),
    ("11 04 02 00 0A", "F8 F4"),
    ("11 06 00 01 00 03", "9A 9B"),
    ("11 10 00 01 00 02 04 00 0A 01 02", "C6 F0"),
    ("11 83 02", "C1 34"),
    ("01 03 00 00 00 0A", "C5 CD"),
    ("01 03 9C 40 00 02", "EB 8F"),
    ("01 03 04 53 75 6E 53", "96 F0"),
])  # fmt: skip
def test_frames_of_the_standard_have_their_sum(frame: str, on_the_wire: str) -> None:
    low, high = on_the_wire.split()
    found = digits_of(Checksum.CRC_16_MODBUS, bytes.fromhex(frame))
    assert found.decode() == high + low


@LAW
@given(st.sampled_from(Checksum), st.binary(max_size=100))
def test_any_bytes_have_a_sum_of_so_many_digits(kind: Checksum, data: bytes) -> None:
    lengths = {Checksum.NONE: 0, Checksum.CRC_16_MODBUS: 4, Checksum.CRC_16_CCITT: 4}
    assert len(digits_of(kind, data)) == lengths.get(kind, 2)
