"""The sections of the van file: each key's type, range, default and one-line help.

The help text of a key is its `description`; error messages and the manual page are
made from it. Unknown keys are refused.
"""

from typing import Literal

from pydantic import Field

from logger.core.chemistry import CURVES, Curve
from logger.van.device_sections import DeviceSection, RegisterSection
from logger.van.keep import KeepSection
from logger.van.port_sections import LineSection as LineSection
from logger.van.port_sections import PortSection as PortSection
from logger.van.section import Name, Numbers, Pairs, Parts, Section, Text, Texts

Bundled = Literal["j1939", "rv-c", "canopen", "fast-packet", "charger-pair"]
"""The bundled tables by name; a test holds them to what there is."""


class VanSection(Section):
    """The van as a whole."""

    name: str = Field(
        min_length=1, max_length=80, description="what the van is called on its pages"
    )
    id: str = Field(
        default="",
        max_length=80,
        description="an identity of your own choice that no other van has, so that two "
        "logs of this van are known as such; without it the first log makes one up",
    )
    time_zone: str = Field(
        default="UTC",
        description="the time zone that decides where a day ends, by its IANA name",
    )
    distance: Literal["mile", "kilometre"] = Field(
        default="mile", description="the unit of distance that people read"
    )
    temperature: Literal["fahrenheit", "celsius"] = Field(
        default="fahrenheit", description="the unit of temperature that people read"
    )


class PackSection(Section):
    """The traction pack and where its count begins."""

    nameplate_ah: float = Field(
        ge=0.1, le=5000, description="the capacity of the whole pack in ampere-hours"
    )
    capacity_is_measured: bool = Field(
        default=False,
        description="true if that capacity was measured on this pack; otherwise the "
        "count begins with 95 % of it",
    )
    series_groups: int = Field(
        ge=1, le=500, description="the number of cell groups in series"
    )
    chemistry: Literal["nmc811", "lfp", "nmc532", "nca", "nco", "lco"] | None = Field(
        default=None,
        description="the cathode, for a published open-circuit table",
    )
    open_circuit: Pairs | None = Field(
        default=None,
        description="your own open-circuit table instead: pairs of percent and volts "
        "per cell, rising, from 0 to 100",
    )
    full_charge_voltage_v: float | None = Field(
        default=None,
        gt=0,
        le=1500,
        description="the pack voltage at which a full charge ends, in volts",
    )
    reserve_pct: float = Field(
        default=10.0,
        ge=0,
        le=50,
        description="the share of charge not to be used, in %",
    )
    start_soc_pct: float | None = Field(
        default=None,
        ge=0,
        le=100,
        description="the state of charge when the first run begins, in %",
    )
    start_from_meter: bool = Field(
        default=False,
        description="true to begin with the first value of the channel meter.soc_pct",
    )
    start_band_pct: float = Field(
        default=10.0,
        ge=0.1,
        le=100,
        description="how far the start may be off either way (95 %), in points",
    )

    def curve(self) -> Curve | None:
        """Return the open-circuit table of a cell: own, published, or none."""
        if self.open_circuit is not None or self.chemistry is None:
            return self.open_circuit
        return CURVES[self.chemistry]


class WheelSection(Section):
    """From shaft to road, where the road speed is not measured."""

    circumference_m: float = Field(
        gt=0.5, le=5, description="the way of one wheel turn in metres"
    )
    motor_turns_per_wheel_turn: float = Field(
        gt=0, le=50, description="turns of the motor for one turn of the wheel"
    )


class StringSection(Section):
    """One solar string; its channels are `sun.<name>.…`."""

    name: Name
    rated_w: float = Field(
        gt=0, le=20000, description="the power at 1000 W/m² and 25 °C, in watts"
    )
    tilt_deg: float = Field(
        default=0.0, ge=0, le=90, description="the slope of the panel, 0 is flat, in °"
    )
    azimuth_deg: float = Field(
        default=0.0,
        ge=0,
        lt=360,
        description="where the slope faces, clockwise from the van's nose, in °",
    )
    awning: Name | None = Field(
        default=None, description="the awning that carries it, if any"
    )


class TariffSection(Section):
    """What energy from the wall costs."""

    name: Name
    price_per_kwh: float = Field(ge=0, description="the price of one kilowatt-hour")
    currency: str = Field(
        pattern="^[A-Z]{3}$", description="the currency, three capitals (ISO 4217)"
    )


class BusSection(Section):
    """One CAN bus."""

    name: Name
    interface: str = Field(
        min_length=1, description="the interface that the bus is on, as in a recording"
    )
    adapter: str = Field(
        default="socketcan",
        pattern=r"^[a-z][a-z0-9_]{0,31}$",
        description="what kind of interface it is, by python-can's name for it, such "
        "as socketcan, slcan or virtual",
    )
    bit_rate: int | None = Field(
        default=None, ge=5000, le=1_000_000, description="the bit rate in bit/s"
    )
    mode: Literal["listen-only", "acknowledge"] = Field(
        default="listen-only",
        description="listen-only: an interface that would acknowledge is refused; "
        "acknowledge only where a lone talker needs one other node to do so",
    )


class DescriptionSection(Section):
    """What describes the messages of a bus: a DBC or KCD file, or a bundled table."""

    bus: Name
    file: Text | None = Field(
        default=None, description="the file, from the folder of the van file"
    )
    bundled: Bundled | None = Field(
        default=None, description="the bundled table, instead of a file"
    )
    match: Literal["identifier", "group", "node"] = Field(
        default="identifier",
        description="how frames are matched: by identifier, by 29-bit parameter "
        "group whatever the source address, or by 11-bit function whatever the node; "
        "a bundled table knows its own",
    )
    long_messages: Literal["transport", "fast-packet", "none"] | None = Field(
        default=None,
        description="how messages of more than 8 bytes come that are matched by group: "
        "by the transport protocol of J1939, as fast packets, or whole in one frame",
    )
    absent: Literal["described", "j1939", "highest"] = Field(
        default="described",
        description="which raw values mean that there is none: only what is described, "
        "the ranges of SAE J1939-71 (from FEh in the highest byte), or the highest two",
    )


class TableSection(Section):
    """One kind of table of channels (CSV with a header line)."""

    name: Name
    time: Text | Parts = Field(
        description="the column of the time, or the columns to join with a blank"
    )
    time_format: str = Field(
        default="seconds",
        min_length=1,
        description='"seconds", "iso", or a pattern such as "%m/%d/%Y %H:%M:%S"',
    )
    time_zone: str = Field(
        default="UTC", description="the zone of times that do not say theirs"
    )
    delimiter: str = Field(
        default=",",
        pattern=r"^[^\"\r\n.0-9A-Za-z]$",
        description="the column separator, one character such as a comma, ; or a tab",
    )
    encoding: str = Field(default="utf-8-sig", description="the text encoding")
    decimal: Literal[".", ","] = Field(
        default=".", description="the decimal mark of its numbers"
    )
    missing: Texts = Field(default=(), description="texts that mean an empty cell")
    period_s: float | None = Field(
        default=None,
        ge=0.001,
        le=3600,
        description="the time between two rows in seconds, if slow",
    )
    max_gap_s: float | None = Field(
        default=None,
        ge=0.001,
        le=86_400,
        description="the longest time between two rows that is counted, in seconds",
    )


class FeedSection(Section):
    """Which decoded value feeds which channel."""

    channel: Text = Field(description="the channel that is fed")
    bus: Name | None = Field(default=None, description="the bus of the message")
    message: Text | None = Field(default=None, description="the message's name")
    signal: Text | None = Field(default=None, description="the signal's name")
    table: Name | None = Field(default=None, description="the table of the column")
    column: Text | None = Field(default=None, description="the column's name")
    port: Name | None = Field(default=None, description="the port of the line")
    line: Name | None = Field(default=None, description="the name of the line")
    field: Text | None = Field(
        default=None, description="the name of the field, or the key of the pair"
    )
    unit: Text | None = Field(
        default=None,
        description="the unit of its values, where it is another than the channel's, "
        "such as mV, kW, km/h or degF",
    )
    scale: float = Field(
        default=1.0, description="the factor to that unit, or to the channel's"
    )
    offset: float = Field(
        default=0.0, description="what is added after the factor, in the same unit"
    )
    flip: bool | None = Field(
        default=None,
        description="true if the box counts the other way; has to be said where no "
        "source tells",
    )
    only: dict[str, float] | None = Field(
        default=None,
        description="other signals of the message and the values that they must have, "
        "such as the instance, where several boxes send the same message",
    )
    address: int | None = Field(
        default=None,
        ge=0,
        le=255,
        description="the source address (29 bits) or node (11 bits) of the box that is "
        "meant, where several send the same message",
    )
    codes: dict[str, int] | None = Field(
        default=None, description="for coded channels: the box's value to our code"
    )
    missing: Numbers = Field(
        default=(),
        description='values, as description or table give them, that mean "no value"',
    )
    rank: int = Field(
        default=1, ge=1, le=9, description="1 is used first, 2 while 1 is silent"
    )
    period_s: float | None = Field(
        default=None,
        gt=0,
        description="the time between two values in seconds, if slow",
    )
    max_gap_s: float | None = Field(
        default=None,
        ge=0.001,
        le=86_400,
        description="the longest time between two values that is counted, in seconds",
    )


class Settings(Section):
    """A whole van file."""

    van: VanSection
    keep: KeepSection = KeepSection()
    pack: PackSection | None = None
    wheels: WheelSection | None = None
    strings: tuple[StringSection, ...] = ()
    tariffs: tuple[TariffSection, ...] = ()
    buses: tuple[BusSection, ...] = ()
    ports: tuple[PortSection, ...] = ()
    lines: tuple[LineSection, ...] = ()
    devices: tuple[DeviceSection, ...] = ()
    registers: tuple[RegisterSection, ...] = ()
    descriptions: tuple[DescriptionSection, ...] = ()
    tables: tuple[TableSection, ...] = ()
    feeds: tuple[FeedSection, ...] = ()


SINGLE: dict[str, type[Section]] = {
    "van": VanSection,
    "keep": KeepSection,
    "pack": PackSection,
    "wheels": WheelSection,
}
"""The sections written once, as `[key]`."""

REPEATED: dict[str, tuple[str, type[Section]]] = {
    "string": ("strings", StringSection),
    "tariff": ("tariffs", TariffSection),
    "bus": ("buses", BusSection),
    "port": ("ports", PortSection),
    "line": ("lines", LineSection),
    "device": ("devices", DeviceSection),
    "register": ("registers", RegisterSection),
    "description": ("descriptions", DescriptionSection),
    "table": ("tables", TableSection),
    "feed": ("feeds", FeedSection),
}
"""The sections that may be repeated, as `[[key]]`, and their field in Settings."""
