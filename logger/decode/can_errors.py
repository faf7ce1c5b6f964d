"""What an error frame of a CAN controller tells, as the Linux kernel writes it.

Pure. An error frame is no message of a box: it is the controller's own word about the
bus, its classes in the identifier and the details in eight bytes.

Source: Linux, include/uapi/linux/can/error.h.
"""

from enum import Enum


class BusError(Enum):
    """What is wrong on a bus, or has ended; the value is how it is told."""

    BUS_OFF = "bus-off"
    NO_ACKNOWLEDGEMENT = "no acknowledgement"
    PASSIVE = "error passive"
    WARNING = "error warning"
    OVERFLOW = "controller overflow"
    DAMAGED = "damaged frames"
    RESTARTED = "restarted"
    ACTIVE = "error active again"
    OTHER = "other error"


_CLASSES = (
    (0x040, BusError.BUS_OFF),
    (0x020, BusError.NO_ACKNOWLEDGEMENT),
    (0x008 | 0x080, BusError.DAMAGED),
    (0x100, BusError.RESTARTED),
)
"""By bit of the identifier; a protocol violation and a bus error are told as one."""

_CONTROLLER = 0x004
"""The class whose details stand in the second byte."""

_CONTROLLER_DETAILS = (
    (0x01 | 0x02, BusError.OVERFLOW),
    (0x10 | 0x20, BusError.PASSIVE),
    (0x04 | 0x08, BusError.WARNING),
    (0x40, BusError.ACTIVE),
)


def errors_of(classes: int, data: bytes) -> tuple[BusError, ...]:
    """Return what an error frame tells, at least one thing.

    Args:
        classes: The identifier without its flags, 29 bits.
        data: The details, eight bytes; what is missing tells nothing.
    """
    found = [error for bits, error in _CLASSES if classes & bits]
    if classes & _CONTROLLER and len(data) > 1:
        found += [error for bits, error in _CONTROLLER_DETAILS if data[1] & bits]
    return tuple(found) or (BusError.OTHER,)
