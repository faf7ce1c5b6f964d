"""Error frames: what each class and detail of the kernel's is told as."""

import pytest

from logger.decode.can_errors import BusError, errors_of


# Linux, include/uapi/linux/can/error.h: class bits of the identifier, and for the
# controller (0x004) the details in data[1].
@pytest.mark.parametrize(("classes", "data", "errors"), [
    (0x040, "00 00 00 00 00 00 00 00", (BusError.BUS_OFF,)),
    (0x020, "00 00 00 00 00 00 00 00", (BusError.NO_ACKNOWLEDGEMENT,)),
    (0x100, "00 00 00 00 00 00 00 00", (BusError.RESTARTED,)),
    (0x008, "00 00 04 03 00 00 00 00", (BusError.DAMAGED,)),
    (0x080, "00 00 00 00 00 00 00 00", (BusError.DAMAGED,)),
    (0x088, "00 00 04 00 00 00 00 00", (BusError.DAMAGED,)),
    (0x004, "00 01 00 00 00 00 00 00", (BusError.OVERFLOW,)),
    (0x004, "00 02 00 00 00 00 00 00", (BusError.OVERFLOW,)),
    (0x004, "00 04 00 00 00 00 60 00", (BusError.WARNING,)),
    (0x004, "00 30 00 00 00 00 80 80", (BusError.PASSIVE,)),
    (0x004, "00 40 00 00 00 00 00 00", (BusError.ACTIVE,)),
    (0x204, "00 11 00 00 00 00 80 00", (BusError.OVERFLOW, BusError.PASSIVE)),
    (0x060, "00 00 00 00 00 00 00 00", (BusError.BUS_OFF, BusError.NO_ACKNOWLEDGEMENT)),
    (0x002, "05 00 00 00 00 00 00 00", (BusError.OTHER,)),
    (0x004, "00 00 00 00 00 00 00 00", (BusError.OTHER,)),
    (0x004, "", (BusError.OTHER,)),
    (0x000, "", (BusError.OTHER,)),
])  # fmt: skip
def test_an_error_frame_tells(
    classes: int, data: str, errors: tuple[BusError, ...]
) -> None:
    assert errors_of(classes, bytes.fromhex(data)) == errors
