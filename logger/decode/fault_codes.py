"""Fault codes that boxes tell of themselves, as plain values.

Three families: DM1 of SAE J1939 (lamps and every active code), DM_RV of RV-C (one code
a frame), emergency and heartbeat of CANopen. Knows no time and remembers nothing.
"""

from dataclasses import dataclass
from enum import Enum

from logger.decode.frames import Reason, Rejected

DM1_GROUP = 0xFECA
DM_RV_GROUP = 0x1FECA
NO_NUMBER = 0x7FFFF
"""All 19 bits set: no data (RV-C, table 5.3)."""


class FaultFamily(Enum):
    """Whose fault codes are listened for."""

    J1939 = "J1939 DM1"
    RV_C = "RV-C DM_RV"
    CANOPEN = "CANopen"


class Lamp(Enum):
    """What two bits say of a lamp."""

    OFF = 0
    ON = 1
    ERROR = 2
    NOT_AVAILABLE = 3


@dataclass(frozen=True, slots=True)
class Lamps:
    """The lamps of DM1; of DM_RV only two of them.

    Attributes:
        protect: Protect lamp.
        warning: Amber (yellow) warning lamp.
        stop: Red stop lamp.
        malfunction: Malfunction indicator lamp.
    """

    protect: Lamp = Lamp.NOT_AVAILABLE
    warning: Lamp = Lamp.NOT_AVAILABLE
    stop: Lamp = Lamp.NOT_AVAILABLE
    malfunction: Lamp = Lamp.NOT_AVAILABLE

    @classmethod
    def of(cls, byte: int) -> "Lamps":
        """Return what one byte of DM1 says, the protect lamp in its lowest bits."""
        return cls(*(Lamp(byte >> shift & 3) for shift in (0, 2, 4, 6)))


@dataclass(frozen=True, slots=True)
class FaultCode:
    """One fault, the same whenever it is told again.

    Attributes:
        number: Suspect parameter number (SPN), or the emergency error code.
        failure: Failure mode identifier (FMI); None for an emergency.
        unit: Address of the part that it is about, if it is told (DM_RV).
    """

    number: int
    failure: int | None = None
    unit: int | None = None

    @property
    def text(self) -> str:
        """The code in words."""
        if self.failure is None:
            return f"emergency {self.number:04X} ({emergency_class(self.number)})"
        where = "" if self.unit is None else f" of unit {self.unit:02X}"
        return f"SPN {self.number}, FMI {self.failure}{where}"


@dataclass(frozen=True, slots=True)
class Told:
    """One fault as it was told.

    Attributes:
        code: Which fault.
        occurrences: How often it came, by the box's own count; None if not told.
        conversion: Conversion method of the SPN (DM1): 0 as in today's standard.
    """

    code: FaultCode
    occurrences: int | None = None
    conversion: int = 0


@dataclass(frozen=True, slots=True)
class FaultReport:
    """What one message says of the faults of its sender.

    Attributes:
        active: The faults that it tells.
        over: Those that it says are over.
        is_all: True if what is not told here is over.
        lamps: Which lamps are on.
        flashing: Which of them flash: off is slow (1 Hz), on is fast (2 Hz).
        register: Error register of CANopen, bits as in object 1001; None elsewhere.
    """

    active: tuple[Told, ...]
    over: tuple[FaultCode, ...] = ()
    is_all: bool = False
    lamps: Lamps = Lamps()
    flashing: Lamps = Lamps()
    register: int | None = None


def decode_dm1(data: bytes) -> FaultReport | Rejected:
    """Return the lamps and every active code of a DM1, in one frame or put together.

    Source:
        SAE J1939-73, 5.7.1. An all-zero code means that none is active; so do all ones.
        127 occurrences is not available (from memory).
    """
    if len(data) < 6:
        return Rejected(Reason.SHORT, data)
    told = tuple(
        _trouble_code(data[at : at + 4])
        for at in range(2, len(data) - 3, 4)
        if data[at : at + 4] not in (b"\x00\x00\x00\x00", b"\xff\xff\xff\xff")
    )
    lamps, flashing = Lamps.of(data[0]), Lamps.of(data[1])
    return FaultReport(told, is_all=True, lamps=lamps, flashing=flashing)


def _trouble_code(part: bytes) -> Told:
    number = part[0] | part[1] << 8 | (part[2] & 0xE0) << 11
    code = FaultCode(number, part[2] & 0x1F)
    return Told(code, _count(part[3]), part[3] >> 7)


def _count(byte: int) -> int | None:
    return None if byte & 0x7F == 0x7F else byte & 0x7F


def decode_dm_rv(data: bytes) -> FaultReport | Rejected:
    """Return the code of a DM_RV: active while one of its lamps is on.

    Its SPN comes with the most significant bits first, unlike that of DM1.

    Source:
        RV-C, 3.2.5, by public transcriptions. That both lamps off end a code, and that
        a number of all ones tells of none, is our reading.
    """
    if len(data) < 8:
        return Rejected(Reason.SHORT, data)
    yellow, red = Lamp(data[0] >> 4 & 3), Lamp(data[0] >> 6)
    lamps = Lamps(warning=yellow, stop=red)
    number = data[2] << 11 | data[3] << 3 | data[4] >> 5
    if number == NO_NUMBER:
        return FaultReport((), is_all=True, lamps=lamps)
    code = FaultCode(number, data[4] & 0x1F, unit=data[1])
    if Lamp.ON in (yellow, red):
        return FaultReport((Told(code, _count(data[5])),), lamps=lamps)
    return FaultReport((), over=(code,), lamps=lamps)


def decode_emergency(data: bytes) -> FaultReport | Rejected:
    """Return the code of a CANopen emergency; class 00 says that all are over.

    Source:
        CiA 301: code in bytes 0-1, least significant first; error register in byte 2.
    """
    if len(data) < 3:
        return Rejected(Reason.SHORT, data)
    number = data[0] | data[1] << 8
    if number >> 8 == 0:
        return FaultReport((), is_all=True, register=data[2])
    return FaultReport((Told(FaultCode(number)),), register=data[2])


REGISTER_BITS = (
    "generic",
    "current",
    "voltage",
    "temperature",
    "communication",
    "profile",
    "reserved",
    "maker",
)
"""Bits of the error register, object 1001, lowest first (CiA 301)."""


def register_words(register: int) -> tuple[str, ...]:
    """Return the names of the bits that are set in an error register."""
    return tuple(name for bit, name in enumerate(REGISTER_BITS) if register >> bit & 1)


EMERGENCY_CLASSES = {
    0x00: "reset or no error",
    0x10: "generic",
    0x20: "current",
    0x21: "current, input",
    0x22: "current inside",
    0x23: "current, output",
    0x30: "voltage",
    0x31: "voltage of the mains",
    0x32: "voltage inside",
    0x33: "voltage, output",
    0x40: "temperature",
    0x41: "temperature around",
    0x42: "temperature of the device",
    0x50: "hardware",
    0x60: "software",
    0x61: "software inside",
    0x62: "software of the user",
    0x63: "data set",
    0x70: "additional modules",
    0x80: "monitoring",
    0x81: "communication",
    0x82: "protocol",
    0x90: "external",
    0xF0: "additional functions",
    0xFF: "of the device's own kind",
}
"""Emergency error codes by their high byte (CiA 301)."""


def emergency_class(number: int) -> str:
    """Return what kind of error an emergency code tells.

    A high byte that is not in the list belongs to the class of its first digit.
    """
    high = number >> 8
    known = EMERGENCY_CLASSES.get(high) or EMERGENCY_CLASSES.get(high & 0xF0)
    return known or "unknown class"


class NodeState(Enum):
    """What a CANopen heartbeat says (CiA 301)."""

    BOOT_UP = 0
    STOPPED = 4
    OPERATIONAL = 5
    PRE_OPERATIONAL = 127

    @property
    def label(self) -> str:
        """The state in words."""
        return self.name.lower().replace("_", "-")


def decode_heartbeat(data: bytes) -> NodeState | Rejected:
    """Return the state of a node; the highest bit may toggle (node guarding)."""
    if not data:
        return Rejected(Reason.SHORT, data)
    try:
        return NodeState(data[0] & 0x7F)
    except ValueError:
        return Rejected(Reason.NO_SUCH_CODE, data)
