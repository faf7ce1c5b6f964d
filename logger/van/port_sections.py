"""The sections of the van file about serial ports and the text lines on them."""

from typing import Literal

from pydantic import Field

from logger.van.section import Name, Parts, Section


class PortSection(Section):
    """One serial port."""

    name: Name
    device: str = Field(
        min_length=1, description="the device, best by its path under /dev/serial/by-id"
    )
    baud_rate: int = Field(
        default=9600, ge=50, le=4_000_000, description="the speed in baud"
    )
    parity: Literal["none", "even", "odd"] = Field(
        default="none", description="the parity bit of each byte"
    )
    stop_bits: Literal[1, 2] = Field(
        default=1, description="the stop bits of each byte, 1 or 2"
    )
    speaks: Literal["lines", "nmea", "modbus"] = Field(
        default="lines",
        description="what comes in on it: text lines, each kind as a [[line]]; the "
        "sentences of a satellite receiver, NMEA 0183; or answers of Modbus RTU "
        "devices, each as a [[device]]",
    )
    polled: bool = Field(
        default=False,
        description="true if devices only speak when they are asked: with Modbus the "
        "program then writes its questions to this port, and to no other",
    )
    answer_s: float = Field(
        default=0.3,
        ge=0.05,
        le=2,
        description="how long a device that is asked may take to begin its answer, in "
        "seconds",
    )


class LineSection(Section):
    """One kind of text line of a serial port."""

    name: Name
    port: Name
    begins: str = Field(
        default="",
        max_length=80,
        description="how a line of this kind begins; all lines of the port, if empty",
    )
    separator: str = Field(
        default=",",
        min_length=1,
        max_length=8,
        description="what stands between two fields, such as a comma or a tab",
    )
    equals: str = Field(
        default="=",
        min_length=1,
        max_length=8,
        description="what stands between key and value where a line has no columns",
    )
    checksum: Literal[
        "none", "xor", "sum", "sum-to-zero", "crc-16-modbus", "crc-16-ccitt"
    ] = Field(
        default="none",
        description="what the line ends in: nothing, or * and the hexadecimal digits "
        "of a checksum of all before the *",
    )
    checksum_mark: str = Field(
        default="*",
        min_length=1,
        max_length=8,
        description="what stands between the line and its checksum, instead of the *",
    )
    checksum_skips: int = Field(
        default=0,
        ge=0,
        le=8,
        description="how many of the first bytes are left out of the checksum, such as "
        "1 for a $",
    )
    columns: Parts | None = Field(
        default=None,
        description="the names of its fields, by their place; without them a line is "
        "key=value pairs",
    )
