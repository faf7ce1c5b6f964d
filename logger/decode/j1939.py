"""The parts of a 29-bit identifier.

Source: SAE J1939-21, protocol data unit formats: priority bits 28-26, extended data
page 25, data page 24, PDU format 23-16, PDU specific 15-8, source address 7-0.
"""

FIRST_BROADCAST_FORMAT = 240
"""From this PDU format on, the PDU specific byte belongs to the group number."""


def parameter_group(can_id: int) -> int:
    """Return the parameter group number, 18 bits, of a 29-bit identifier.

    Where the PDU specific byte is a destination address it is not part of the group.
    """
    pdu_format = (can_id >> 16) & 0xFF
    page = (can_id >> 24) & 0x3
    specific = (can_id >> 8) & 0xFF if pdu_format >= FIRST_BROADCAST_FORMAT else 0
    return page << 16 | pdu_format << 8 | specific
