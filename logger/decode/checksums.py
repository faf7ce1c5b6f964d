"""The checksums that a text line may end in, each with its parameters.

Sources: the check values of the catalogue of CRC algorithms ("123456789" comes to 4B37
and 29B1); MODBUS over Serial Line V1.02, CRC appendix. The sums are common practice.
"""

from binascii import crc_hqx
from enum import Enum
from functools import reduce
from operator import xor
from typing import assert_never


class Checksum(Enum):
    """What a line ends in, so that a damaged one is known."""

    NONE = "none"
    XOR = "xor"
    SUM = "sum"
    SUM_TO_ZERO = "sum-to-zero"
    CRC_16_MODBUS = "crc-16-modbus"
    CRC_16_CCITT = "crc-16-ccitt"


def digits_of(kind: Checksum, data: bytes) -> bytes:
    """Return the checksum of bytes as upper-case hexadecimal digits, high one first.

    Args:
        kind: `XOR`: all bytes, exclusive-or. `SUM`: all bytes, modulo 256.
            `SUM_TO_ZERO`: what makes that sum 0. `CRC_16_MODBUS`: polynomial 8005
            reflected, start FFFF. `CRC_16_CCITT`: polynomial 1021, start FFFF, nothing
            reflected.
        data: What is summed.

    Returns:
        Two digits of a byte, four of a CRC; none for `NONE`.
    """
    match kind:
        case Checksum.NONE:
            return b""
        case Checksum.XOR:
            return b"%02X" % reduce(xor, data, 0)
        case Checksum.SUM:
            return b"%02X" % (sum(data) % 256)
        case Checksum.SUM_TO_ZERO:
            return b"%02X" % (-sum(data) % 256)
        case Checksum.CRC_16_MODBUS:
            return b"%04X" % _crc_16_modbus(data)
        case Checksum.CRC_16_CCITT:
            return b"%04X" % crc_hqx(data, 0xFFFF)
        case _:
            assert_never(kind)


def _crc_16_modbus(data: bytes) -> int:
    """Return the CRC of a Modbus frame, bit by bit: a line is short.

    Not the one of pymodbus: that would load all of it for a text line.
    """
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            # 8005 reflected is A001.
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return crc
