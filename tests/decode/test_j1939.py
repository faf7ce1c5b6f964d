"""The parts of a 29-bit identifier, SAE J1939-21."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.decode.j1939 import parameter_group
from tests.builders import LAW


# SAE J1939-21, protocol data unit formats; names of groups as in SAE J1939-71 and -73.
@pytest.mark.parametrize(
    ("can_id", "group"),
    [
        (0x18FEF100, 0xFEF1),  # 65265, cruise control and vehicle speed
        (0x0CF00400, 0xF004),  # 61444, electronic engine controller 1
        (0x18EAFF00, 0xEA00),  # 59904, request to all: the FF is a destination
        (0x18ECFF00, 0xEC00),  # 60416, transport, connection management
        (0x18EBFF00, 0xEB00),  # 60160, transport, data
        (0x18EE00F9, 0xEE00),  # 60928, address claimed
        (0x18FECA00, 0xFECA),  # 65226, active trouble codes
        (0x1806E5F4, 0x0600),  # 1536, to destination E5
        (0x18FF50E5, 0xFF50),  # 65360, proprietary B
        (0x19FFFD46, 0x1FFFD),  # 131069, data page 1
    ],
)
def test_a_group_is_page_format_and_broadcast_byte(can_id: int, group: int) -> None:
    assert parameter_group(can_id) == group


@LAW
@given(st.integers(0, 7), st.integers(0, 0x3FFFF), st.integers(0, 255))
def test_priority_and_source_address_are_no_part_of_the_group(
    priority: int, middle: int, source: int
) -> None:
    can_id = priority << 26 | middle << 8 | source
    assert parameter_group(can_id) == parameter_group(middle << 8)


@LAW
@given(st.integers(0, 239), st.integers(0, 255))
def test_below_format_240_the_destination_is_no_part_of_the_group(
    pdu_format: int, destination: int
) -> None:
    assert parameter_group(pdu_format << 16 | destination << 8) == pdu_format << 8
