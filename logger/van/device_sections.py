"""The sections of the van file about Modbus devices and their registers."""

from typing import Literal

from pydantic import Field

from logger.van.section import Name, Numbers, Section, Text


class DeviceSection(Section):
    """One Modbus RTU device on a polled port."""

    name: Name
    port: Name
    address: int = Field(
        ge=1, le=247, description="its address on the port, from 1 to 247"
    )
    registers: Name = Field(
        description="the table of its registers, as each [[register]] names it, or "
        '"sunspec" for a device that describes itself',
    )
    period_s: float = Field(
        default=2.0,
        ge=0.2,
        le=60,
        description="the time from one round of questions to the next, in seconds",
    )


class RegisterSection(Section):
    """One value in a table of registers."""

    table: Name
    field: Text = Field(description="what feeds call it")
    function: Literal[3, 4] = Field(
        default=3, description="3 for holding registers, 4 for input registers"
    )
    address: int = Field(
        ge=0,
        le=65_535,
        description="as it is sent, from 0; the register numbers of many manuals are "
        "one more",
    )
    kind: Literal["u16", "s16", "u32", "s32", "f32", "text"] = Field(
        default="u16",
        description="how it is read: unsigned, signed or float, with its bits, or text",
    )
    order: Literal["high-first", "low-first"] = Field(
        default="high-first",
        description="which of the two registers of a longer value comes first",
    )
    length: int = Field(
        default=1, ge=1, le=60, description="the registers that a text fills"
    )
    scale: float = Field(
        default=1.0, description="the factor to the unit that feeds expect"
    )
    missing: Numbers = Field(
        default=(), description='raw values, before the factor, that mean "no value"'
    )
